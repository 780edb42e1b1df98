"""Counting what was inferred, against truths made by hand."""

import json
import sys
import types

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Inference, Member
from decoder.discovery.streams import streams
from decoder.maps.pack_sheet import Place
from tests.building import capture
from tools import infer_trial
from tools.infer_trial import Tally, lines_of, score
from tools.packs.truth import TrueChannel

KEY = StreamKey("can0", 0x123, extended=False)
FRAMES = capture([(0.1 * at, 0x123, bytes([0x0E, 0x60 + at % 7, 0x0E, 0x50 + at % 5, at % 9, 0])) for at in range(40)])
SAMPLED = Sampled(streams(FRAMES))


def at(start, length=16, order="big"):
    return FieldAt(KEY, Field(start, length, order))


CELLS = tuple(TrueChannel(at(16 * which + 7), "cell voltage", "V", 0.001, array=0, order=which + 1) for which in (0, 1))
CHARGE = TrueChannel(at(32, 8, "little"), "state of charge", "%", 0.5)


def trial(*channels):
    return types.SimpleNamespace(channels=channels, seed=3)


def array(members, scale=0.001, likelihood=0.95):
    fields = tuple(Member(one, order) for order, one in enumerate(members, start=1))
    return ArrayClaim("cell voltage", "V", scale, 0, fields, likelihood)


def scored(arrays=(), channels=()):
    return score(trial(*CELLS, CHARGE), Inference(tuple(arrays), tuple(channels)), SAMPLED)


def test_a_whole_array_is_right_also_with_fewer_resting_upper_bits():
    tally = scored([array([at(7), at(23)])])
    assert (tally.whole_packs, tally.found["array of cell voltage"]) == (1, 1)
    tally = scored([array([at(3, 12), at(19, 12)])])
    assert tally.claims == [("array of cell voltage", 0.95, True)]


@pytest.mark.parametrize(
    "claim",
    [
        array([at(23), at(7)]),
        array([at(7)]),
        array([at(7), at(23)], scale=0.002),
        array([at(7, 15), at(23, 15)]),
        array([at(7), at(23), at(39)]),
    ],
    ids=["wrong order", "one missing", "wrong scale", "lowest bit missing", "one too many"],
)
def test_arrays_that_are_not_quite_right_are_wrong(claim):
    tally = scored([claim])
    assert tally.claims[0][2] is False
    assert tally.whole_packs == 0
    assert len(tally.wrong) == 1
    assert "seed 3" in tally.wrong[0]


def test_channels_are_right_where_field_and_scale_are():
    right = ChannelClaim(at(32, 8, "little"), "state of charge", "%", 0.5, 0, Place(), 0.6)
    wrong = ChannelClaim(at(32, 8, "little"), "state of charge", "%", 0.4, 0, Place(), 0.95)
    assert scored(channels=[right]).found["state of charge"] == 1
    tally = scored(channels=[wrong])
    assert tally.found["state of charge"] == 0
    assert len(tally.wrong) == 1


def test_the_tables_add_up():
    tally = scored([array([at(7), at(23)])])
    tally.add(scored([array([at(23), at(7)])]))
    text = "\n".join(lines_of(tally))
    assert "1 of 2 (50.0%)" in text
    assert "claims with a likelihood above 0.9: 2, wrong: 1 of 2 (50.0%)" in text


def test_unused_seeds_are_not_looked_into(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["infer_trial", "--packs", "2", "--seed", "999", "--wrong"])
    with pytest.raises(SystemExit) as refused:
        infer_trial.main()
    assert refused.value.code == 2
    assert "1000" in capsys.readouterr().err


def test_the_counts_go_into_a_file_as_plain_data():
    record = infer_trial._as_json(scored([array([at(7), at(23)])]), range(3, 4))
    assert json.loads(json.dumps(record))["whole_packs"] == 1
    assert np.isclose(json.loads(json.dumps(record))["claims"][0]["likelihood"], 0.95)


def test_nothing_counted_prints_too():
    assert "0 of 0" in "\n".join(lines_of(Tally()))
