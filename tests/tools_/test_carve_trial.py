"""The published way of carving, on bits whose flip rates are known, and the command."""

import json
import sys
import types

import numpy as np
import pytest

from tests.building import capture
from tests.tools_.test_carve_score import knowing_all
from tools import carve_trial, trial_runs
from tools.carve_trial import flip_rate_carving, flip_rates


def carve(payloads):
    (carving,) = flip_rate_carving(capture([(0.01 * at, 0x123, bytes(data)) for at, data in enumerate(payloads)]))
    return {(p.field.wire_start, p.field.length): p.kind for p in carving.proposals}


def test_flip_rates_are_in_the_order_of_sending():
    data = np.array([[0x80, 0x00], [0x00, 0x01], [0x80, 0x01], [0x00, 0x01], [0x00, 0x00]], np.uint8)
    rates = flip_rates(data)
    assert rates[0] == 0.75
    assert rates[15] == 0.5
    assert rates[1:15].sum() == 0


def test_borders_stand_where_the_magnitude_drops():
    # Byte 0 counts every tenth frame, byte 1 every frame: from bit 0 of byte 0 (flips 1/10) to byte 1 there is a drop,
    # for the upper bits of byte 1 flip 1/128.
    payloads = [(at // 10 % 256, at % 256) for at in range(2560)]
    found = carve(payloads)
    assert all(start < 8 <= start + length or start >= 8 or start + length <= 8 for start, length in found)
    assert not any(start < 8 < start + length for start, length in found)
    assert any(start + length == 8 for start, length in found)


def test_a_counter_doubles_down_to_a_bit_that_always_flips():
    assert carve([(at % 16, 0) for at in range(320)]) == {(4, 4): "counter"}


def test_a_checksum_beside_a_counter_is_told_from_it():
    rng = np.random.default_rng(3)
    payloads = [(0, at % 16, check) for at, check in enumerate(rng.integers(0, 256, 4000).tolist())]
    assert carve(payloads) == {(12, 4): "counter", (16, 8): "check"}


def test_a_number_is_neither():
    rng = np.random.default_rng(3)
    walk = 500 + np.cumsum(rng.integers(-1, 2, 4000))
    found = carve([int(value).to_bytes(2, "big") for value in np.clip(walk, 0, 1023)])
    assert set(found.values()) == {"number"}
    assert list(found)[-1][0] + list(found)[-1][1] == 16


def test_still_bits_are_left_out():
    assert carve([(0xF0, 0x55)] * 10) == {}
    assert carve([(at % 2 << 4, 0x55) for at in range(10)]) == {(3, 1): "flag"}


def run(monkeypatch, *arguments):
    monkeypatch.setattr(sys, "argv", ["carve_trial.py", *arguments])
    return carve_trial.main()


class InThisProcess:
    """A pool that works here, so that what a test puts in place is seen."""

    def __init__(self, _jobs):
        self.imap = map

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


@pytest.fixture
def oracle(monkeypatch):
    """The project's carving replaced by one that knows the truth of seed 3."""
    trial = carve_trial.make_trial(3)
    module = types.ModuleType("decoder.discovery.carve")
    module.carve = lambda _frames: knowing_all(trial)
    monkeypatch.setitem(sys.modules, "decoder.discovery.carve", module)
    monkeypatch.setattr(trial_runs.multiprocessing, "Pool", InThisProcess)


def test_the_command_shows_both_ways_side_by_side(monkeypatch, capsys, tmp_path, oracle):
    file = tmp_path / "rates.json"
    assert run(monkeypatch, "--captures", "1", "--seed", "3", "--json", str(file), "--worst", "1") == 0
    out, err = capsys.readouterr()
    assert err == ""  # progress only on a terminal
    assert "1 captures, seeds 3 to 3" in out
    assert "bit-flip rates" in out
    assert "Brier score 0.0000" in out
    ways = json.loads(file.read_text())["ways"]
    label = "fields found exactly, 10 changes or more"
    assert ways["carve"]["rates"][label]["share"] == 1
    assert 0 < ways["bit-flip rates"]["rates"][label]["share"] < 1
    assert ways["carve"]["calibration"][9]["proposals"] == ways["carve"]["calibration"][9]["exact"] > 0
    assert ways["bit-flip rates"]["calibration"] is None


def test_the_yardstick_runs_alone_in_two_processes(monkeypatch, capsys):
    assert run(monkeypatch, "--captures", "2", "--jobs", "2", "--yardstick-only") == 0
    out = capsys.readouterr().out
    assert "bit-flip rates" in out
    assert "confidence" not in out


def test_seeds_for_measuring_are_not_looked_into(monkeypatch, capsys):
    with pytest.raises(SystemExit):
        run(monkeypatch, "--seed", "1000", "--worst", "3")
    assert "seeds below 1000" in capsys.readouterr().err


def test_help_says_which_seeds_are_for_what(monkeypatch, capsys):
    with pytest.raises(SystemExit):
        run(monkeypatch, "--help")
    assert "below 1000 are for development" in capsys.readouterr().out


def test_a_file_that_cannot_be_written_is_said(monkeypatch, capsys, tmp_path):
    missing = tmp_path / "nowhere" / "rates.json"
    assert run(monkeypatch, "--captures", "1", "--yardstick-only", "--json", str(missing)) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_counter_modulo_15_is_one_too():
    assert carve([(at % 15, 0) for at in range(300)]) == {(4, 4): "counter"}
