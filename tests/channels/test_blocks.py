"""Blocks of a capture together equal the whole; tables equal what they are made from."""

import io
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.channels.blocks import decoded_blocks, learn
from decoder.channels.export import chosen, write_table
from decoder.channels.table import decimals, wide_table
from decoder.errors import UsageError
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from tests.building import capture

MAP = SignalMap(
    (
        Message(
            "Temps",
            0x10,
            extended=False,
            length=2,
            signals=(
                Signal("Temp_1_1", Field(0, 8), 0.5, -40, "degC"),
                Signal("Temp_2_1", Field(8, 8), 0.5, -40, "degC"),
            ),
        ),
        Message(
            "Paged",
            0x20,
            extended=False,
            length=3,
            signals=(
                Signal("Page", Field(0, 8), is_multiplexor=True),
                Signal("Cell_1_1_V", Field(8, 16), 0.001, unit="V", page=Page("Page", ((0, 0),))),
                Signal("Cell_1_2_V", Field(8, 16), 0.001, unit="V", page=Page("Page", ((1, 1),))),
            ),
        ),
    )
)
_TEMPS = st.tuples(st.just(0x10), st.lists(st.sampled_from([100, 101, 140, 254, 255]), min_size=2, max_size=2))
_PAGED = st.tuples(
    st.just(0x20),
    st.tuples(st.integers(0, 2), st.sampled_from([0, 0xFF, 0x10]), st.sampled_from([0x0E, 0xFF])).map(list),
)


@st.composite
def captures_and_cuts(draw):
    rows = draw(st.lists(st.one_of(_TEMPS, _PAGED), min_size=1, max_size=40))
    steps = draw(st.lists(st.sampled_from([0.01, 0.1, 0.1, 2.0]), min_size=len(rows), max_size=len(rows)))
    cuts = sorted(draw(st.sets(st.integers(0, len(rows)), max_size=5)))
    times = np.cumsum(steps)
    return capture([(t, i, bytes(p)) for t, (i, p) in zip(times, rows, strict=True)]), [0, *cuts, len(rows)]


def blocks(frames, cuts):
    return [frames.take(slice(a, b)) for a, b in pairwise(cuts)]


@settings(max_examples=300)
@given(captures_and_cuts())
def test_blocks_together_equal_the_whole(made):
    frames, cuts = made
    whole = decode(frames, MAP)
    learned = learn(lambda: blocks(frames, cuts), MAP, None)
    assert list(learned.channels) == list(whole)
    together = {name: ([], [], [], []) for name in whole}
    for part in decoded_blocks(blocks(frames, cuts), MAP, None, learned):
        for name, series in part.items():
            for column, values in zip(
                together[name], (series.time_ns, series.raw, series.number, series.state), strict=True
            ):
                column.extend(values.tolist())
    for name, series in whole.items():
        times, raw, number, state = together[name]
        assert times == series.time_ns.tolist()
        assert raw == series.raw.tolist()
        np.testing.assert_array_equal(number, series.number)
        assert [State(s).word for s in state] == [State(s).word for s in series.state]


@settings(max_examples=50)
@given(captures_and_cuts())
def test_the_csv_equals_the_table_however_it_is_cut(made):
    frames, cuts = made
    learned = learn(lambda: blocks(frames, cuts), MAP, None)
    file = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", file)
        write_table(decoded_blocks(blocks(frames, cuts), MAP, None, learned), learned, list(learned.channels), None)
    table = decode(frames, MAP).to_pandas()
    if not len(table):
        return
    read = pd.read_csv(
        io.StringIO(file.getvalue()), dtype={"id": str, "unit": str}, keep_default_na=False, na_values=[""]
    )
    assert read["channel"].tolist() == table["channel"].tolist()
    assert read["raw"].tolist() == table["raw"].tolist()
    np.testing.assert_array_equal(read["value"].to_numpy(float), table["value"].to_numpy(float))
    assert read["state"].tolist() == table["state"].tolist()
    np.testing.assert_allclose(read["time_s"], table["time_s"], rtol=0, atol=5e-10)


def as_of(series, time_ns):
    """The latest value, the slow and obvious way."""
    value = np.nan
    at = None
    for time, number in zip(series.time_ns.tolist(), series.number.tolist(), strict=True):
        if time <= time_ns:
            value, at = number, time
    if at is not None and series.cycle_s is not None and time_ns - at > series.cycle_s * 5e9:
        return np.nan
    return value


@settings(max_examples=60)
@given(captures_and_cuts())
def test_a_wide_table_holds_the_latest_values_however_it_is_cut(made):
    frames, cuts = made
    whole = decode(frames, MAP)
    table = wide_table(whole, 0.5)
    learned = learn(lambda: blocks(frames, cuts), MAP, None)
    file = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", file)
        parts = decoded_blocks(blocks(frames, cuts), MAP, None, learned)
        write_table(parts, learned, list(learned.channels), None, every_s=0.5)
    read = pd.read_csv(io.StringIO(file.getvalue()))
    assert len(read) == len(table)
    for name, series in whole.items():
        heading = f"{name} [{series.channel.unit}]" if series.channel.unit else name
        expected = [as_of(series, whole.first_ns + round(step * 5e8)) for step in range(len(table))]
        np.testing.assert_allclose(read[heading].to_numpy(float), expected, rtol=0, atol=1e-9)
        if len(series):
            np.testing.assert_allclose(table[heading].to_numpy(float), expected, rtol=0, atol=1e-9)


def test_values_are_rounded_to_the_decimals_of_their_scale():
    assert decimals(Signal("a", Field(0, 8), 0.001)) == 3
    assert decimals(Signal("a", Field(0, 8), 0.5, -40)) == 1
    assert decimals(Signal("a", Field(0, 8), 1, 0)) == 0
    assert decimals(Signal("a", Field(0, 8), 1 / 3)) is None


def test_64_bits_are_exact_in_the_table():
    signal_map = SignalMap((Message("M", 0x10, extended=False, length=8, signals=(Signal("Big", Field(0, 64)),)),))
    frames = capture([(0, 0x10, bytes.fromhex("FEFFFFFFFFFFFFFF")), (1, 0x10, bytes(8))])
    table = decode(frames, signal_map).to_pandas()
    assert table["value"].tolist() == [2**64 - 2, 0]


def test_patterns_choose_channels():
    frames = capture([(0, 0x10, b"\1\2")])
    learned = learn(lambda: [frames], MAP, None)
    assert chosen(learned.channels, ["Temp_1*"]) == ["Temp_1_1"]
    with pytest.raises(UsageError, match="Temp_1_1"):
        chosen(learned.channels, ["nothing"])


@pytest.mark.parametrize("every", [0, -1, float("nan"), float("inf"), 1e-9])
def test_impossible_time_steps_are_refused(every):
    frames = capture([(0, 0x10, b"\1\2"), (1000, 0x10, b"\1\2")])
    with pytest.raises(UsageError):
        wide_table(decode(frames, MAP), every)
