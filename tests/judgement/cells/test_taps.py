"""Neighbours that move opposite ways by the same amount have a bad sense wire; nothing else does."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import decoder
from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.taps import tap_findings
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture
from tests.judgement.made_cells import Pack, cells, channels_of

ROOT = Path(__file__).resolve().parents[3]
MAPS = ROOT / "signal_maps"
BURSTS = ((100.0, 103.0), (220.0, 226.0), (400.0, 402.5))


def of(channels):
    not_judged = {}
    return list(tap_findings(channels, cell_table(channels), not_judged)), not_judged


def judged(volt, modules=(12, 12), seconds=600.0, **more):
    return of(channels_of(Pack(volt, modules, seconds, **more)))


def moved(made, columns_and_v, spans=BURSTS):
    """Readings of some cells moved within spans of time."""

    def volt(time_s):
        read = made.volt(time_s)
        for column, by_v in columns_and_v:
            at = time_s[:, column]
            read[:, column] += by_v * np.any([(at >= a) & (at < b) for a, b in spans], axis=0)
        return read

    return volt


ALL_THE_TIME = ((0.0, 1e9),)


def test_bursts_of_opposite_sign():
    (finding,), _ = judged(moved(cells(24), [(4, 0.15), (5, -0.15)]))
    assert (finding.code, finding.severity, finding.unit) == ("tap-suspect", Severity.CAUTION, "V")
    assert (finding.place.module, finding.place.cell) == (1, 5)
    assert finding.channels == ("Cell_1_5_V", "Cell_1_6_V")
    assert finding.value == pytest.approx(0.15, abs=0.002)
    assert finding.limit == 0.020
    assert (finding.from_ns / 1e9, finding.to_ns / 1e9) == pytest.approx((100, 402), abs=0.001)
    assert "again and again" in finding.explanation
    assert "rare" in finding.explanation


def test_for_good():
    (finding,), _ = judged(moved(cells(24), [(16, -0.08), (17, 0.08)], ALL_THE_TIME))
    assert (finding.place.module, finding.place.cell) == (2, 5)
    assert "all the time" in finding.explanation
    assert finding.value == pytest.approx(0.08, abs=0.010)


def test_both_not_available_in_between_is_told():
    def absent(time_s):
        return ((time_s >= 300) & (time_s < 305)) & np.isin(np.arange(24), [4, 5])

    (finding,), _ = judged(moved(cells(24), [(4, 0.15), (5, -0.15)]), absent=absent)
    assert "in 5 scans between both are not available" in finding.explanation


@pytest.mark.parametrize(
    "columns_and_v",
    [
        [(4, 0.15)],
        [(4, 0.15), (5, 0.15)],
        [(4, 0.15), (5, -0.05)],
        [(4, 0.15), (6, -0.15)],
        [(4, 0.015), (5, -0.015)],
        [(11, 0.15), (12, -0.15)],
        [(2, -0.1), (3, 0.1), (4, -0.1), (5, 0.1), (6, -0.1)],
    ],
    ids=["one cell", "same way", "other size", "not beside", "small", "two modules", "every other cell bled"],
)
@pytest.mark.parametrize("spans", [BURSTS, ALL_THE_TIME])
def test_what_is_no_tap(columns_and_v, spans):
    assert judged(moved(cells(24, offset_v=0.001), columns_and_v, spans))[0] == []


def test_one_scan_alone_is_a_damaged_frame():
    spans = ((100.0, 101.0), (200.0, 201.0), (300.0, 301.0), (400.0, 401.0))
    assert judged(moved(cells(24), [(4, 0.15), (5, -0.15)], spans))[0] == []


def test_balancing_of_the_cell_beside_is_left_out():
    volt = moved(cells(24), [(4, -0.1), (5, 0.1)], ((100.0, 300.0),))
    assert len(judged(volt)[0]) == 1
    assert judged(volt, bleeding={(1, 5): (100, 301)})[0] == []


def test_two_resistances_one_high_one_low_are_no_tap():
    made = cells(24, steps=((0.0, 0.0), (100.0, 150.0), (200.0, 0.0), (300.0, 100.0), (350.0, 0.0)), offset_v=0.001)
    made.ohm[4] *= 1.4
    assert judged(made.volt, current=made.current)[0] == []


@pytest.mark.parametrize("before_a", [0.0, 10.0])
def test_two_resistances_that_lie_apart_the_same_way_follow_the_current(before_a):
    made = cells(8, steps=((0.0, before_a), (400.0, 150.0), (500.0, before_a)), offset_v=0.0, differ=0.0)
    made.ohm[4] *= 1.3
    made.ohm[5] *= 0.7
    assert judged(made.volt, (4, 4), current=made.current)[0] == []
    assert len(judged(moved(made, [(5, 0.15), (6, -0.15)]), (4, 4), current=made.current)[0]) == 1


def test_scans_read_while_the_current_moves_are_no_tap():
    steps = tuple((float(at), 300.0 * (at % 3)) for at in range(600))
    made = cells(24, steps=steps)
    assert judged(made.volt, every_s=1.0, skew_s=0.9)[0] == []
    assert judged(made.volt, every_s=1.0, skew_s=0.9, current=made.current)[0] == []


def test_cells_whose_module_nobody_knows_count_through_the_pack():
    signals = [Signal(f"Cell_{n}_V", Field(16 * n - 16, 16), 0.001, unit="V") for n in range(1, 33)]
    signal_map = SignalMap((Message("Cells", 0x100, extended=False, length=64, signals=tuple(signals)),))
    rows = []
    for scan in range(100):
        millivolts = np.full(32, 3700)
        if scan % 10 < 3:
            millivolts[20:22] += [90, -90]
        rows.append((scan * 0.1, 0x100, millivolts.astype("<u2").tobytes()))
    (finding,), _ = of(decode(capture(rows), signal_map))
    assert (finding.place.module, finding.place.cell) == (None, 21)


def test_what_cannot_be_judged_says_why():
    found, not_judged = judged(moved(cells(3), [(0, 0.1), (1, -0.1)]), (3,))
    assert found == []
    assert "fewer than four cells" in not_judged["tap-suspect"]


def test_the_demo_has_its_tap_and_no_other():
    frames = decoder.read_capture(ROOT / "captures" / "harbour_shuttle.log.xz")
    sheet = decoder.load_sheet(MAPS / "harbour_shuttle.toml")
    channels = decoder.decode(frames, decoder.load_map(MAPS / "harbour_shuttle.dbc"), sheet)
    (finding,), _ = of(channels)
    assert (finding.place.module, finding.place.cell) == (5, 3)
    assert finding.value == pytest.approx(0.27, abs=0.02)  # the largest burst of the truth file


@st.composite
def sound(draw):
    modules = (draw(st.integers(4, 16)),) * draw(st.integers(1, 4))
    times = sorted(draw(st.lists(st.integers(5, 280), max_size=12, unique=True)))
    largest = draw(st.sampled_from([20.0, 100.0, 300.0]))
    amounts = draw(st.lists(st.floats(-0.5, 1), min_size=len(times), max_size=len(times)))
    made = cells(
        sum(modules),
        draw(st.integers(0, 10**6)),
        offset_v=draw(st.sampled_from([0.001, 0.003, 0.008])),
        steps=((0.0, 0.0), *((float(t), a * largest) for t, a in zip(times, amounts, strict=True))),
        noise_v=draw(st.sampled_from([0.0, 0.001])),
        lag_s=draw(st.sampled_from([20.0, 200.0])),
    )
    every_s = draw(st.sampled_from([0.2, 1.0]))
    more = {
        "every_s": every_s,
        "skew_s": every_s * draw(st.sampled_from([0, 0.5, 0.9])),
        "step_v": draw(st.sampled_from([0.001, 0.005, 0.020])),
        "current": draw(st.sampled_from([made.current, None])),
    }
    return made, modules, more


@settings(max_examples=40, deadline=None)
@given(sound())
def test_sound_packs_raise_nothing(pack):
    made, modules, more = pack
    assert judged(made.volt, modules, 300, **more)[0] == []


@settings(max_examples=40, deadline=None)
@given(sound(), st.data())
def test_a_tap_is_found_wherever_it_is(pack, data):
    made, modules, more = pack
    module = data.draw(st.integers(0, len(modules) - 1))
    cell = data.draw(st.integers(0, modules[0] - 2))
    by_v = data.draw(st.floats(0.1, 0.3)) * data.draw(st.sampled_from([-1, 1]))
    made.steps = ((0.0, 0.0), (20.0, 50.0), (200.0, 0.0))
    column = module * modules[0] + cell
    volt = moved(made, [(column, by_v), (column + 1, -by_v)], ((40.0, 60.0), (230.0, 260.0)))
    (finding,), _ = judged(volt, modules, 300, **more)
    assert (finding.place.module, finding.place.cell) == (module + 1, cell + 1)


def test_a_float_current_that_says_anything_is_no_error():
    """A double that is no current at all, such as a wrong map shows."""
    random = np.random.default_rng(1)
    signals = tuple(Signal(f"Cell_1_{n + 1}_V", Field(16 * n, 16), 0.001, unit="V") for n in range(4))
    amperes = Signal("Pack_A", Field(0, 64, signed=True), unit="A", is_float=True)
    rows = []
    for scan in range(100):
        ampere = 1e300 if scan % 12 < 6 else 0.0
        rows.append((scan * 0.1, 0x64, np.float64(ampere).astype("<f8").tobytes()))
        rows.append((scan * 0.1 + 0.001, 0x100, random.integers(3700, 3703, 4).astype("<u2").tobytes()))
    made = SignalMap((Message("P", 0x64, False, 8, (amperes,)), Message("C", 0x100, False, 8, signals)))
    findings, _ = of(decode(capture(rows), made))
    assert findings == []
