"""Made packs: physics holds, the truth is in the frames, a seed is a seed, the meter shows what its digits allow."""

from collections import Counter
from dataclasses import replace

import bitstruct
import numpy as np
import pytest

from decoder.discovery.field_at import Sampled
from decoder.discovery.streams import streams
from decoder.maps.quantities import quantity
from decoder.transport.exchanges import exchanges
from tools.packs.making import make_pack
from tools.packs.meter import Clock, digits_of, draw_clock, take
from tools.packs.pack import Source

SEEDS = range(900, 930)
# Half a step, and what the controller's sensors do wrong: share of the value, and in the unit.
SENSOR_ERRORS = {
    "cell voltage": (0.0, 0.006), "module voltage": (0.0, 0.05), "pack voltage": (0.004, 0.6),
    "link voltage": (0.005, 0.8), "pack current": (0.02, 0.8), "module temperature": (0.0, 1.5),
    "coolant temperature": (0.0, 1.5), "supply voltage": (0.015, 0.15), "keep-alive voltage": (0.015, 0.15),
    "insulation resistance": (0.01, 8.0), "swelling pressure": (0.01, 1.5), "state of charge": (0.0, 1e-3),
    "state of health": (0.0, 1e-3), "power limit": (0.0, 0.2), "current limit": (0.0, 1.0), "contactor": (0.0, 0.0),
    "interlock": (0.0, 0.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def trials():
    return [make_pack(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def sampled(trials):
    return [Sampled(streams(trial.frames)) for trial in trials]


def shown(trial, found, channel):
    time_ns, raw = found.raw(channel.at)
    time_s = (time_ns - trial.frames.time_ns[0]) / 1e9
    return time_s, raw, raw * channel.scale + channel.offset


def test_every_channel_is_in_the_frames_and_shows_what_is_true(trials, sampled):
    seen = Counter()
    for trial, found in zip(trials, sampled, strict=True):
        for channel in trial.channels:
            if channel.source is None or channel.quantity is None or not len(found.raw(channel.at)[0]):
                continue
            time_s, raw, value = shown(trial, found, channel)
            true = trial.value(channel, time_s)
            share, most = SENSOR_ERRORS[channel.quantity]
            allowed = abs(channel.scale) * 0.51 + share * np.abs(true) + most
            # What moves was measured a little earlier; what is not available yet reads all ones.
            moves = np.ptp([trial.value(channel, time_s - late) for late in np.linspace(0, 3.2, 9)], axis=0)
            wakes = raw == channel.at.field.all_ones
            wrong = (np.abs(value - true) > allowed + moves) & ~wakes
            assert wrong.mean() <= 0.01, (trial.seed, channel)
            seen[channel.quantity] += 1
    assert set(SENSOR_ERRORS) == set(seen)


def test_bitstruct_reads_the_truth_from_whole_payloads(trials, sampled):
    for trial, found in zip(trials[:12], sampled[:12], strict=True):
        for channel in trial.channels:
            stream = found.streams[channel.at.stream]
            time_ns, raw = found.raw(channel.at)
            if not len(raw):
                continue
            row = int(np.searchsorted(stream.time_ns, time_ns[-1]))
            field, payload = channel.at.field, stream.data[row].tobytes()
            kind = "s" if field.signed else "u"
            if field.byte_order == "big":
                before = field.wire_start
            else:
                before, payload = 8 * len(payload) - field.start - field.length, payload[::-1]
            padding = f"p{before}" if before else ""
            assert bitstruct.unpack(f"{padding}{kind}{field.length}", payload)[0] == raw[-1]


def test_the_packs_voltage_is_the_sum_of_its_cells(trials):
    for trial in trials:
        time_s = np.linspace(0, trial.pack.duration_s, 50)
        cells = sum(trial.pack.value(Source("cell", cell), time_s) for cell in range(trial.pack.cells))
        np.testing.assert_allclose(trial.pack.value(Source("pack voltage"), time_s), cells, rtol=1e-9)


def test_sums_of_cells_as_sent_agree_with_the_packs_voltage_as_sent(trials, sampled):
    agree = 0
    for trial, found in zip(trials, sampled, strict=True):
        whole = [channel for channel in trial.channels if channel.quantity == "pack voltage"]
        cells = [channel for channel in trial.channels if channel.array == 0 and channel.quantity == "cell voltage"]
        assert [channel.order for channel in cells] == list(range(1, trial.pack.cells + 1))
        if not whole or any(not len(found.raw(channel.at)[0]) for channel in cells):
            continue
        median = sum(np.median(shown(trial, found, channel)[2]) for channel in cells)
        sent = np.median(shown(trial, found, whole[0])[2])
        agree += abs(median - sent) < 0.01 * sent + abs(whole[0].scale)
        assert abs(median - sent) < 0.05 * sent
    assert agree > 0.8 * len(trials)


def test_charge_follows_the_current(trials):
    followed = 0
    for trial in trials:
        pack, time_s = trial.pack, np.linspace(0, trial.pack.duration_s, 3000)
        charge, current = pack.value(Source("state of charge"), time_s), pack.value(Source("pack current"), time_s)
        passed = np.concatenate([[0], np.cumsum((current[1:] + current[:-1]) / 2 * np.diff(time_s))])
        if np.ptp(passed) > 100:
            capacity_ah = -np.polyfit(charge - charge[0], passed, 1)[0] / 36
            assert 25 < capacity_ah < 230
            followed += 1
    assert followed > 10


def test_the_link_is_low_before_the_contactors_close_and_follows_the_pack_after(trials):
    closing = [trial for trial in trials if trial.pack.closed_s and trial.pack.closed_s[0][0] > 1]
    assert closing
    for trial in closing:
        start, end = trial.pack.closed_s[0]
        both = [
            trial.pack.value(Source(name), np.array([start - 0.5, start + 5.0]))
            for name in ("link voltage", "pack voltage")
        ]
        assert both[0][0] < 5
        assert end < start + 5 or abs(both[0][1] / both[1][1] - 1) < 0.01


def test_cells_of_a_pack_lie_close_together_and_temperatures_are_slow(trials):
    for trial in trials:
        bare = replace(trial.pack, touches=())
        time_s = np.linspace(0, bare.duration_s, 200)
        assert np.ptp(bare.cell_v(time_s[:1])) < 0.16
        for sensor in range(len(bare.sensor_c)):
            assert np.abs(np.diff(bare.sensor(sensor, time_s)) / np.diff(time_s)).max() < 0.1
    assert np.median([np.ptp(trial.pack.cell_v(np.array([1.0]))) for trial in trials]) < 0.03


def test_packs_have_48_to_200_cells_in_modules_of_6_to_24(trials):
    for trial in trials:
        assert 48 <= trial.pack.cells <= 200
        assert 5 <= min(trial.pack.cells_per_module) <= max(trial.pack.cells_per_module) <= 25
        assert 15 < np.ptp(trial.frames.time_ns) / 1e9 <= 300
    assert any(len(set(trial.pack.cells_per_module)) > 1 for trial in trials)


def test_all_ways_to_carry_cells_are_there(trials):
    forms = Counter(form.split(",")[0] for trial in trials for form in trial.forms)
    assert set(forms) == {"joined", "paged", "indexed", "nested", "polled"}
    assert any(len(trial.forms) == 2 for trial in trials)
    polled = [trial for trial in trials if any(form.startswith("polled") for form in trial.forms)]
    for trial in polled:
        long = [one for one in exchanges(trial.frames) if one.outcome == "answered" and len(one.answer) > 60]
        assert len(long) > 3
        assert all(one.request[:1] == b"\x22" and one.answer[:1] == b"\x62" for one in long)


def test_places_name_modules_and_cells_within_them(trials):
    for trial in trials:
        cells = [channel for channel in trial.channels if channel.array == 0 and channel.quantity == "cell voltage"]
        counted = Counter(channel.place.module for channel in cells)
        assert tuple(counted[module] for module in sorted(counted)) == trial.pack.cells_per_module
        assert all(quantity(channel.quantity) for channel in trial.channels if channel.quantity)


def test_fields_carried_by_one_frame_share_no_bit(trials):
    for trial in trials:
        taken = {}
        for channel in trial.channels:
            under, selectors = channel.at.multiplexor, []
            while under is not None:
                selectors.append((under.field, under.value))
                under = under.within
            for bit in channel.at.field.bit_numbers():
                key = (channel.at.stream, frozenset(selectors), bit)
                assert key not in taken, (trial.seed, channel, taken[key])
                taken[key] = channel


def test_marks_are_noted_close_to_what_was_done_and_it_shows(trials):
    seen = Counter()
    for trial in trials:
        for mark in trial.marks:
            assert abs(mark.time_s - mark.true_s) <= 2.01
            assert trial.marks == tuple(sorted(trial.marks, key=lambda one: one.true_s))
            if not mark.label.startswith("load on cell"):
                continue
            cell = mark.shown[0]
            at = mark.true_s + trial.first_s
            before, during = trial.pack.value(cell, np.array([at - 0.05, at + 1.5]))
            other = Source("cell", (cell.which + 1) % trial.pack.cells)
            rest, still = trial.pack.value(other, np.array([at - 0.05, at + 1.5]))
            assert 0.002 < (before - during) - (rest - still) < 0.08
            assert any(channel.source == cell for channel in trial.shown_by(mark.label))
            seen[mark.label] += 1
    assert len(seen) > 5
    assert max(seen.values()) > 1


def test_a_seed_makes_the_same_pack_again():
    one, other, third = make_pack(905), make_pack(905), make_pack(906)
    np.testing.assert_array_equal(one.frames.data, other.frames.data)
    np.testing.assert_array_equal(one.frames.time_ns, other.frames.time_ns)
    assert one.channels == other.channels
    assert one.marks == other.marks
    assert one.channels != third.channels


@pytest.mark.parametrize(
    ("value", "unit", "digit"),
    [
        (3.642, "V", 0.001),
        (12.3, "V", 0.01),
        (352.1, "V", 0.1),
        (640.0, "V", 1.0),
        (120.0, "A", 0.1),
        (23.4, "degC", 0.1),
    ],
)
def test_a_meter_has_6000_counts(value, unit, digit):
    assert digits_of(np.array([value]), unit)[0] == pytest.approx(digit)


def test_readings_are_true_within_the_meters_error_and_by_its_clock(trials):
    rng = np.random.default_rng(3)
    trial = trials[0]
    for channel in trial.channels:
        if channel.quantity not in {"cell voltage", "pack voltage", "module temperature"}:
            continue
        clock = draw_clock(rng)
        taken = take(trial, channel, 12, rng, clock=clock)
        true = trial.value(channel, taken.true_s)
        moves = np.ptp([trial.value(channel, taken.true_s + by) for by in (-0.1, 0, 0.1)], axis=0)
        for reading, true_s, value, moved in zip(taken.readings, taken.true_s, true, moves, strict=True):
            assert abs(reading.value - value) < 0.0005 * abs(value) + 5.5 * reading.step + moved
            assert reading.value / reading.step == pytest.approx(round(reading.value / reading.step))
            assert reading.time_s == pytest.approx(true_s * (1 + 1e-6 * clock.drift_ppm) + clock.offset_s, abs=0.006)
            assert reading.unit == channel.unit


def test_a_sound_clock_shows_the_captures_time():
    assert Clock().shows(np.array([0.0, 12.5])).tolist() == [0.0, 12.5]
