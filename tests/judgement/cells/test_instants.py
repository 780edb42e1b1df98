"""Cells are compared at one instant, also where cells fall silent, miss frames, or the clock jumps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import decoder.judgement
from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.cells.instants import scans
from decoder.maps.pack_sheet import PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture
from tests.judgement.spreads_alone import judge

PERIOD_S = 0.2
CURRENT_ID = 0x201
PACK_ID = 0x202


def pack_map(cells):
    messages = [
        Message(
            f"C{n}",
            0x300 + n,
            extended=False,
            length=2,
            signals=(Signal(f"Cell_1_{n + 1}_V", Field(0, 16), 0.001, unit="V"),),
        )
        for n in range(cells)
    ]
    amps = Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")
    volts = Signal("Pack_V", Field(0, 16), 0.01, unit="V")
    messages.append(Message("Current", CURRENT_ID, extended=False, length=2, signals=(amps,)))
    messages.append(Message("Pack", PACK_ID, extended=False, length=2, signals=(volts,)))
    return SignalMap(tuple(messages))


def rows_of_cells(volts_at, cells=5, scans_made=100, spread_s=0.17):
    """One frame a cell; the frames of a scan are spread over `spread_s`."""
    return [
        (t, 0x300 + n, round(volts_at(n, t) * 1000).to_bytes(2, "little"))
        for scan in range(scans_made)
        for n in range(cells)
        for t in [scan * PERIOD_S + n * spread_s / cells]
    ]


def rows_of_current(amps_at, seconds, every_s=0.02):
    return [
        (
            i * every_s + 1e-4,
            CURRENT_ID,
            round(float(amps_at(i * every_s + 1e-4)) * 10).to_bytes(2, "little", signed=True),
        )
        for i in range(int(seconds / every_s))
    ]


def judged(rows, cells=5, sheet=None):
    return judge(decode(capture(sorted(rows)), pack_map(cells), sheet))


def wholly_judged(rows, cells=5, sheet=None):
    return decoder.judgement.judge(decode(capture(sorted(rows)), pack_map(cells), sheet))


def spreads(judgement):
    return [finding for finding in judgement.findings if finding.code == "module-spread"]


_STEPS = st.lists(st.tuples(st.floats(0, 20), st.floats(-300, 300)), max_size=30)


@settings(max_examples=60)
@given(_STEPS, st.floats(-20, 20), st.integers(2, 8))
def test_equal_cells_under_any_ramps_and_steps_of_a_measured_current_show_no_spread(steps, slope, cells):
    def amps_at(t):
        return np.clip(slope * t + sum(height for at, height in steps if t >= at), -300, 300)

    rows = rows_of_cells(lambda _, t: 3.7 - 0.001 * amps_at(t), cells) + rows_of_current(amps_at, 20)
    assert spreads(judged(rows, cells)) == []


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 19), st.floats(-200, 200)), min_size=1, max_size=4), st.integers(0, 4))
def test_a_constant_offset_of_41_mv_is_found_in_the_steady_stretches(steps, weak):
    """The current steps on whole seconds, at most four times in twenty seconds: most of the time it rests."""

    def amps_at(t):
        return np.clip(sum(height for at, height in steps if t >= at), -300, 300)

    def volts_at(cell, t):
        return 3.7 - round(amps_at(t)) / 1000 - (0.041 if cell == weak else 0)

    found = spreads(judged(rows_of_cells(volts_at) + rows_of_current(amps_at, 20)))
    assert found
    assert {finding.place.cell for finding in found} == {weak + 1}
    assert all(finding.value == pytest.approx(0.041) for finding in found)


@pytest.mark.parametrize(("offset", "count"), [(0.040, 0), (0.041, 1)])
def test_40_mv_is_within_the_limit_and_41_is_not(offset, count):
    assert len(spreads(judged(rows_of_cells(lambda n, _: 4.140 - (offset if n == 1 else 0))))) == count


def test_a_step_in_the_middle_of_a_scan_is_taken_off_as_a_whole():
    """Half of the cells are sampled before the step, so that the median moves by half before and half after."""
    channels = decode(capture(rows_of_cells(lambda _, t: 3.7 - 0.1 * (t >= 2.08), 4)), pack_map(4))
    table = scans(channels.of("cell voltage"))
    spread = np.nanmax(table.volt, axis=1) - np.nanmin(table.volt, axis=1)
    assert spread.max() == pytest.approx(0.1)
    assert (spread - table.moved_v).max() < 1e-9


@pytest.mark.parametrize("silent", range(5))
def test_a_cell_that_falls_silent_does_not_end_the_judging_of_the_others(silent):
    def volts_at(cell, t):
        return 3.7 - (0.06 if cell == (silent + 1) % 5 and t > 12 else 0)

    rows = [row for row in rows_of_cells(volts_at) if row[1] != 0x300 + silent or row[0] < 5]
    (finding,) = spreads(judged(rows))
    assert finding.place.cell == (silent + 1) % 5 + 1
    assert finding.from_ns / 1e9 == pytest.approx(12, abs=0.5)
    assert finding.to_ns / 1e9 > 19.5


def test_a_cell_with_two_samples_does_not_hide_the_others():
    rows = rows_of_cells(lambda n, _: 3.7 - (0.06 if n == 1 else 0))
    few = [row for row in rows if row[1] != 0x304] + [row for row in rows if row[1] == 0x304][:2]
    (finding,) = spreads(judged(few))
    assert finding.place.cell == 2


@settings(max_examples=30)
@given(st.sets(st.integers(0, 499), max_size=150))
def test_lost_frames_bring_no_spread_to_equal_cells_that_ramp(lost):
    rows = rows_of_cells(lambda _, t: 3.7 - 0.02 * t)
    kept = [row for number, row in enumerate(rows) if number not in lost]
    assert spreads(judged(kept)) == []


def test_a_clock_that_jumps_back_brings_no_spread_to_equal_cells():
    first = rows_of_cells(lambda _, t: 3.7 - 0.02 * t)
    again = [(t - 8, can_id, payload) for t, can_id, payload in rows_of_cells(lambda _, t: 3.2 + 0.02 * t)]
    assert spreads(judge(decode(capture(first + again), pack_map(5)))) == []


def _at_rest_by_a_noisy_sensor(rng):
    return lambda _: 0.4 + rng.normal(0, 0.2)


def test_the_noise_of_a_sensor_is_no_move_of_the_current():
    rows = rows_of_cells(lambda _, __: 3.7) + rows_of_current(_at_rest_by_a_noisy_sensor(np.random.default_rng(1)), 20)
    channels = decode(capture(sorted(rows)), pack_map(5))
    (current,) = channels.of("pack current")
    assert scans(channels.of("cell voltage"), current).steady.all()


def test_a_step_of_three_ampere_is_a_move_where_the_noise_is_small():
    rng = np.random.default_rng(1)
    rows = rows_of_cells(lambda _, __: 3.7) + rows_of_current(lambda t: 3.0 * (t > 10) + rng.normal(0, 0.05), 20)
    channels = decode(capture(sorted(rows)), pack_map(5))
    (current,) = channels.of("pack current")
    table = scans(channels.of("cell voltage"), current)
    at = table.time_ns / 1e9
    assert table.steady[(at < 9.9) | (at > 10.6)].all()
    assert not table.steady[(at > 10.0) & (at < 10.2)].any()


def test_a_pack_voltage_at_twice_its_scale_is_found_beside_a_noisy_current():
    amps_at = _at_rest_by_a_noisy_sensor(np.random.default_rng(2))
    rows = rows_of_cells(lambda _, __: 3.7) + pack_rows(lambda _: 2 * 5 * 3.7, 0.2) + rows_of_current(amps_at, 20)
    codes = {finding.code for finding in wholly_judged(rows, sheet=PackSheet(cells_in_series=5)).findings}
    assert codes & {"sum-mismatch", "map-suspect"}


def test_too_few_steady_scans_for_a_sum_are_said():
    amps_at = lambda t: 0.0 if t < 0.5 else 100.0 * (int(t / 0.1) % 2)  # noqa: E731
    rows = rows_of_cells(lambda _, __: 3.7) + pack_rows(lambda _: 2 * 5 * 3.7, 0.2) + rows_of_current(amps_at, 20)
    assert "steady" in wholly_judged(rows, sheet=PackSheet(cells_in_series=5)).not_judged["sum-mismatch"]


def test_absent_current_is_no_steady_current_before_the_first_sample():
    amps_at = lambda t: 0.0 if t < 10 else 100.0  # noqa: E731
    rows = rows_of_cells(lambda _, t: 3.7 - 0.001 * amps_at(t)) + rows_of_current(amps_at, 20)
    assert spreads(judged([row for row in rows if row[1] != CURRENT_ID or row[0] > 5])) == []


def pack_rows(volts_at, every_s):
    return [
        (i * every_s + 0.18, PACK_ID, round(float(volts_at(i * every_s + 0.18)) * 100).to_bytes(2, "little"))
        for i in range(int(20 / every_s))
    ]


@pytest.mark.parametrize("every_s", [0.2, 3.0])
def test_a_pack_voltage_that_is_sent_seldom_mismatches_no_sum_after_a_step(every_s):
    def volts_at(t):
        return 3.7 - (0.2 if 6.7 <= t < 13.3 else 0)

    rows = rows_of_cells(lambda _, t: volts_at(t)) + pack_rows(lambda t: 5 * volts_at(t), every_s)
    assert judged(rows, sheet=PackSheet(cells_in_series=5)).findings == ()


def test_a_pack_voltage_that_falls_silent_is_not_compared_for_ever():
    rows = rows_of_cells(lambda _, t: 3.7 - 0.01 * t) + pack_rows(lambda t: 5 * (3.7 - 0.01 * t), 0.2)
    kept = [row for row in rows if row[1] != PACK_ID or row[0] < 5]
    found = wholly_judged(kept, sheet=PackSheet(cells_in_series=5)).findings
    assert [finding.code for finding in found] == ["channel-stale"]


def test_a_pack_sensor_that_reads_2_percent_high_is_found():
    rows = rows_of_cells(lambda _, __: 3.7) + pack_rows(lambda _: 5 * 3.7 * 1.02, 0.2)
    (finding,) = wholly_judged(rows, sheet=PackSheet(cells_in_series=5)).findings
    assert (finding.code, finding.channel) == ("sum-mismatch", "Pack_V")
    assert finding.value == pytest.approx(2 / 1.02, abs=0.02)


def _two_rates(weak_v=0.0):
    """Half of a module is asked for every second, the other half every fifth; now and then the pack moves by 0.2 V."""
    rows = []
    for second in range(1, 90):
        level = 3.7 - 0.2 * (second // 7 % 2)
        rows.append((second, 0x10, [level, level, level - weak_v]))
        if second % 5 == 0:
            rows.append((second + 0.05, 0x11, [level] * 3))
    frames = capture([(t, i, b"".join(round(1000 * v).to_bytes(2, "little") for v in values)) for t, i, values in rows])
    messages = tuple(
        Message(
            f"M{number}",
            0x10 + number,
            False,
            6,
            tuple(Signal(f"Cell_1_{3 * number + n + 1}_V", Field(16 * n, 16), 0.001, unit="V") for n in range(3)),
        )
        for number in range(2)
    )
    return [f for f in judge(decode(frames, SignalMap(messages))).findings if f.code == "module-spread"]


def test_cells_of_two_rates_show_no_spread_when_only_the_pack_moves():
    assert not _two_rates()


def test_a_weak_cell_among_cells_of_two_rates_is_found():
    assert _two_rates(weak_v=0.1)
