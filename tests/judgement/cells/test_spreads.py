"""A spread is taken at one instant; what only comes from different moments is none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import decoder.judgement
from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.maps.pack_sheet import Limits, PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture
from tests.judgement.spreads_alone import judge

CELLS = 4


def cell_map(modules=1, *, pack=False, current=False):
    messages = [
        Message(
            f"Cells_{module}",
            0x100 + module,
            extended=False,
            length=8,
            signals=tuple(Signal(f"Cell_{module}_{n + 1}_V", Field(16 * n, 16), 0.001, unit="V") for n in range(CELLS)),
        )
        for module in range(1, modules + 1)
    ]
    if pack:
        messages.append(
            Message("Pack", 0x200, extended=False, length=2, signals=(Signal("Pack_V", Field(0, 16), 0.01, unit="V"),))
        )
    if current:
        signal = Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")
        messages.append(Message("Current", 0x201, extended=False, length=2, signals=(signal,)))
    return SignalMap(tuple(messages))


def cells(*millivolts):
    return b"".join(int(v).to_bytes(2, "little") for v in millivolts)


def steady(offsets, count=50, sheet=None):
    rows = [(i * 0.1, 0x101, cells(*(3700 + o for o in offsets))) for i in range(count)]
    return decode(capture(rows), cell_map(), sheet)


def codes(channels):
    return [finding.code for finding in judge(channels).findings]


def test_a_spread_above_40_mv_is_found_with_module_cell_and_time():
    channels = steady((0, 0, -41, 0))
    (finding,) = judge(channels).findings
    assert finding.code == "module-spread"
    assert finding.severity is Severity.WARNING
    assert (finding.place.module, finding.place.cell) == (1, 3)
    assert finding.value == pytest.approx(0.041)
    assert (finding.limit, finding.unit) == (0.040, "V")
    assert (finding.from_ns, finding.to_ns) == (0, 4_900_000_000)
    assert "range" in finding.explanation
    assert finding.source == "common practice, no source"


def test_exactly_40_mv_is_within_the_limit():
    assert codes(steady((0, 0, -40, 0))) == []


def test_the_sheets_limit_counts():
    assert codes(steady((0, 0, -41, 0), sheet=PackSheet(limits=Limits(module_spread_v=0.050)))) == []
    assert codes(steady((0, 0, -31, 0), sheet=PackSheet(limits=Limits(module_spread_v=0.030)))) == ["module-spread"]


def test_two_odd_scans_are_not_persistent():
    rows = [(i * 0.1, 0x101, cells(3700, 3700, 3600 if i in {10, 11} else 3700, 3700)) for i in range(40)]
    assert codes(decode(capture(rows), cell_map())) == []


def test_a_highest_cell_that_stands_out_is_the_one_that_is_named():
    (finding,) = judge(steady((0, 60, 0, -1))).findings
    assert finding.place.cell == 2


def one_cell_messages():
    signals = [Signal(f"Cell_1_{n + 1}_V", Field(0, 16), 0.001, unit="V") for n in range(CELLS)]
    return tuple(
        Message(f"C{n}", 0x300 + n, extended=False, length=2, signals=(signal,)) for n, signal in enumerate(signals)
    )


def one_by_one(volts_at, seconds=20):
    """Cells that are equal at every moment but sent one after the other, each in a frame of its own."""
    rows = []
    for scan in range(int(seconds / 0.2)):
        for n in range(CELLS):
            t = scan * 0.2 + n * 0.045
            rows.append((t, 0x300 + n, round(volts_at(t) * 1000).to_bytes(2, "little")))
    return decode(capture(rows), SignalMap(one_cell_messages()))


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.floats(0, 20), st.floats(-0.2, 0.2)), max_size=8),
    st.floats(-0.01, 0.01),
)
def test_equal_cells_sent_at_different_moments_show_no_spread(steps, slope):
    def volts_at(t):
        return 3.7 + slope * t + sum(height for at, height in steps if t >= at)

    assert "module-spread" not in codes(one_by_one(volts_at))


def test_equal_cells_under_a_sine_show_no_spread():
    assert "module-spread" not in codes(one_by_one(lambda t: 3.7 + 0.15 * np.sin(t * 2)))


def test_a_weak_cell_under_changing_current_is_found_in_the_steady_stretches():
    def cell(n, t):
        return 3.7 - (0.1 if 5 <= t < 12 else 0.0) - (0.045 if n == 2 else 0.0)

    rows = [(i * 0.1, 0x101, cells(*(round(cell(n, i * 0.1) * 1000) for n in range(CELLS)))) for i in range(200)]
    (finding,) = judge(decode(capture(rows), cell_map())).findings
    assert finding.place.cell == 3
    assert finding.to_ns - finding.from_ns > 19e9


def with_current(amps_at, offset_mv, seconds=20):
    """Cells sent one after the other, the third lower by `offset_mv`, beside a current that is sent every 10 ms."""
    signal_map = SignalMap((*cell_map(0, current=True).messages, *one_cell_messages()))
    rows = [
        (i * 0.01, 0x201, round(amps_at(i * 0.01) * 10).to_bytes(2, "little", signed=True))
        for i in range(seconds * 100)
    ]
    for scan in range(int(seconds / 0.2)):
        for n in range(CELLS):
            millivolts = 3700 - (offset_mv if n == 2 else 0)
            rows.append((scan * 0.2 + n * 0.045 + 0.001, 0x300 + n, millivolts.to_bytes(2, "little")))
    return decode(capture(sorted(rows)), signal_map)


def test_while_the_current_moves_within_a_scan_nothing_is_compared():
    judgement = judge(with_current(lambda t: 100 * np.sin(30 * t), 100))
    assert "module-spread" not in [finding.code for finding in judgement.findings]
    assert "steady" in judgement.not_judged["module-spread"]


def test_while_the_current_rests_cells_are_compared():
    assert "module-spread" in codes(with_current(lambda _: 100, 100))


def test_cells_of_one_frame_are_of_one_moment_whatever_the_current_does():
    rows = [(i * 0.1, 0x101, cells(*(3700 + 200 * (i % 2) + o for o in (0, 0, -50, 0)))) for i in range(50)]
    assert codes(decode(capture(rows), cell_map())) == ["module-spread"]


def two_modules(second, pack_volts=None, sheet=None):
    rows = []
    for i in range(50):
        rows.append((i * 0.1, 0x101, cells(3700, 3700, 3700, 3700)))
        rows.append((i * 0.1 + 0.001, 0x102, cells(*second)))
        if pack_volts is not None:
            rows.append((i * 0.1 + 0.002, 0x200, round(pack_volts * 100).to_bytes(2, "little")))
    return decode(capture(rows), cell_map(2, pack=pack_volts is not None), sheet)


def test_a_spread_over_the_pack_is_folded_into_the_modules_that_explains_it():
    (finding,) = judge(two_modules((3700, 3700, 3500, 3700))).findings
    assert finding.code == "module-spread"
    assert finding.also == ("pack-spread",)


def test_a_module_that_is_lower_as_a_whole_is_a_spread_over_the_pack():
    (finding,) = judge(two_modules((3500, 3500, 3500, 3500))).findings
    assert finding.code == "pack-spread"
    assert finding.severity is Severity.CAUTION


SERIES = PackSheet(cells_in_series=8)


def test_a_sum_that_does_not_meet_the_pack_voltage():
    equal = (3700, 3700, 3700, 3700)
    assert codes(two_modules(equal, 29.6, SERIES)) == []
    (finding,) = judge(two_modules(equal, 30.0, SERIES)).findings
    assert finding.code == "sum-mismatch"
    assert finding.value == pytest.approx(0.4 / 30.0 * 100, abs=0.01)
    assert finding.unit == "%"


def test_what_cannot_be_judged_says_why():
    equal = (3700, 3700, 3700, 3700)
    assert "cells are in series" in judge(two_modules(equal, 30.0)).not_judged["sum-mismatch"]
    assert "pack voltage" in judge(two_modules(equal, None, SERIES)).not_judged["sum-mismatch"]
    wrong = PackSheet(cells_in_series=9)
    assert "8 cell voltages" in judge(two_modules(equal, 30.0, wrong)).not_judged["sum-mismatch"]
    nothing = decode(capture([(0, 0x7, b"\1")]), cell_map())
    assert "fewer than two" in judge(nothing).not_judged["module-spread"]


def test_judging_changes_no_value():
    channels = steady((0, 0, -41, 0))
    before = {name: (s.raw.copy(), s.value.copy(), s.state.copy()) for name, s in channels.items()}
    judge(channels)
    for name, (raw, value, state) in before.items():
        assert np.array_equal(raw, channels[name].raw)
        assert np.array_equal(value, channels[name].value)
        assert np.array_equal(state, channels[name].state)


@pytest.mark.parametrize(("spread_mv", "passes"), [(20, True), (40, True), (41, False)])
def test_a_16_cell_module_passes_with_20_mv_of_spread_and_not_with_41(spread_mv, passes):
    """The limit is 40 mV within a module: common practice, no source."""
    signal_map = SignalMap(
        tuple(
            Message(
                f"Cells_{first}",
                0x100 + first,
                extended=False,
                length=8,
                signals=tuple(
                    Signal(f"Cell_1_{first + n + 1:02d}_V", Field(16 * n, 16), 0.001, unit="V") for n in range(CELLS)
                ),
            )
            for first in range(0, 16, CELLS)
        )
    )
    millivolts = [3642 - spread_mv // 2 + round(n * spread_mv / 15) for n in range(16)]
    rows = [
        (scan * 0.1 + first * 0.001, 0x100 + first, cells(*millivolts[first : first + CELLS]))
        for scan in range(60)
        for first in range(0, 16, CELLS)
    ]
    found = decoder.judgement.judge(decode(capture(rows), signal_map)).findings
    assert [one.code for one in found] == ([] if passes else ["module-spread"])
    assert passes or found[0].value == pytest.approx(spread_mv / 1000)
