"""Pin: a planted field is found wherever it stands, chances are honest, and the clock follows the readings."""

import json
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.bits import Field, put_field
from decoder.capture import read_capture
from decoder.discovery.field_at import Sampled
from decoder.discovery.marks import Mark
from decoder.discovery.natural_scales import scales_of
from decoder.discovery.pin import pin
from decoder.discovery.readings import Reading, load_readings
from decoder.discovery.streams import streams
from decoder.maps import load_map
from tests.building import capture
from tests.test_demo_capture import CAPTURES, ROOT

SECONDS, PERIOD_S = 40, 0.1
CALM = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def volts(time_s, swing=0.15):
    """A cell that goes up and down, never the same way twice."""
    return 3.6 + swing * np.sin(time_s / 3.1) + swing / 2 * np.sin(time_s / 1.3 + 1)


def frames_with(*columns, can_id=0x200):
    """A capture of one identifier with fields and their values, (Field, time_s -> raw), and one of noise beside it."""
    chance = np.random.default_rng(1)
    rows = []
    for time_s in np.arange(0, SECONDS, PERIOD_S).tolist():
        payload = bytes(8)
        for field, raw_of in columns:
            payload = put_field(payload, field, int(raw_of(time_s)))
        rows += [(time_s, can_id, payload), (time_s + 0.01, can_id + 1, chance.bytes(8))]
    return capture(rows)


def cell_field(field, scale=0.001, offset=0.0, of=volts):
    return field, lambda time_s: round((of(time_s) - offset) / scale)


def taken(times_s, clock_s=0.0, label="cell 3 voltage", of=volts, digits=3, unit="V"):
    return [
        Reading(time_s + clock_s, label, round(float(of(time_s)), digits), unit, 10.0**-digits) for time_s in times_s
    ]


def holds(match, field, frames, can_id=0x200):
    """Whether a match, or what it says is the same, has a field's very values."""
    sampled = Sampled(streams(frames))
    for at in (match.at, *match.same_as):
        if at.stream.can_id == can_id:
            key = at.stream
            planted = sampled.raw(type(at)(key, field))[1]
            if np.array_equal(sampled.raw(at)[1], planted):
                return True
    return False


@st.composite
def planted(draw):
    """A natural scale of cells and a field anywhere in eight bytes that it may have."""
    row = draw(st.sampled_from([row for row in scales_of("cell voltage") if row.scale <= 0.005]))
    length = draw(st.integers(*row.bits))
    first = draw(st.integers(0, 64 - length))
    order = draw(st.sampled_from(["little", "big"]))
    start = first if order == "little" else first // 8 * 8 + 7 - first % 8
    return row, Field(start, length, order)


@CALM
@given(planted(), st.floats(-8, 8))
def test_a_planted_field_of_a_natural_scale_is_found(plant, clock_s):
    row, field = plant
    high = (volts(np.arange(0, SECONDS, PERIOD_S)).max() - row.offset) / row.scale
    if high >= 2**field.length:
        return
    frames = frames_with(cell_field(field, row.scale, row.offset))
    (found,) = pin(frames, taken(np.linspace(3, 36, 12), clock_s))
    right = [one for one in found.matches if holds(one, field, frames)]
    assert right
    assert math.isclose(right[0].scale, row.scale)
    assert abs(found.clock_offset_s - clock_s) < max(0.2, 3 * found.clock_unsure_s)


@CALM
@given(st.lists(st.floats(1, 38), min_size=1, max_size=6), st.sampled_from(["cell 3 voltage", "pack current", "x"]))
def test_likelihoods_add_up_to_no_more_than_1(times_s, label):
    frames = frames_with(
        cell_field(Field(7, 16, "big")), cell_field(Field(23, 16, "big"), of=lambda t: volts(t) + 0.001)
    )
    unit = "A" if "current" in label else "V"
    (found,) = pin(frames, taken(times_s, label=label, unit=unit))
    assert all(0 <= one.likelihood <= 1 for one in found.matches)
    assert sum(one.likelihood for one in found.matches) <= 1 + 1e-9
    assert [one.likelihood for one in found.matches] == sorted((one.likelihood for one in found.matches), reverse=True)
    assert len(found.matches) <= 50


@CALM
@given(st.floats(-6, 6))
def test_readings_later_by_so_much_move_the_clock_by_so_much(later_s):
    frames = frames_with(cell_field(Field(7, 16, "big")))
    times = np.linspace(4, 35, 10)
    (before,) = pin(frames, taken(times))
    (after,) = pin(frames, taken(times, later_s))
    assert after.clock_offset_s - before.clock_offset_s == pytest.approx(later_s, abs=0.1)


def test_a_drift_is_told_where_readings_lie_far_apart():
    def slow(time_s):
        return 3.6 + 0.1 * np.sin(time_s / 9) + 0.1 * np.sin(time_s / 37 + 1)

    rows = [(t, 0x200, round(float(slow(t)) * 1000).to_bytes(2, "big")) for t in np.arange(0.0, 4000.0, 0.5).tolist()]
    true_s = np.linspace(20, 3900, 60)
    shown_s = true_s + 3 + (true_s - 1960) * 150e-6
    readings = [
        Reading(shown, "cell 3 voltage", round(float(slow(t)), 3), "V", 0.001)
        for shown, t in zip(shown_s.tolist(), true_s.tolist(), strict=True)
    ]
    (found,) = pin(capture(rows), readings)
    assert found.drift_ppm == pytest.approx(150, abs=60)
    assert found.clock_offset_s == pytest.approx(3, abs=0.2)


def test_a_long_log_of_a_bench_meter_is_taken():
    frames = frames_with(cell_field(Field(7, 16, "big")))
    (found,) = pin(frames, taken(np.linspace(1, 38, 20_000), 2.0))
    assert found.used == 20_000
    assert holds(found.matches[0], Field(7, 16, "big"), frames)
    assert found.clock_offset_s == pytest.approx(2.0, abs=0.2)


def test_one_clock_holds_for_all_labels():
    still = cell_field(Field(39, 16, "big"), of=lambda _: 3.3)
    frames = frames_with(cell_field(Field(7, 16, "big")), still)
    moving = taken(np.linspace(4, 35, 10), 5.0)
    resting = taken([10.0, 20.0, 30.0], 5.0, label="cell 9 voltage", of=lambda _: 3.3)
    found = pin(frames, [*resting, *moving])
    assert [one.label for one in found] == ["cell 9 voltage", "cell 3 voltage"]
    assert {one.clock_offset_s for one in found} == {found[0].clock_offset_s}
    assert found[0].clock_offset_s == pytest.approx(5.0, abs=0.2)


def test_two_fields_that_fit_equally_are_tied_and_the_next_reading_tells_them_apart():
    def apart_late(time_s):
        return volts(time_s, 0.004) + (0.05 if 30 <= time_s < 34 else 0.0)

    first, second = Field(7, 16, "big"), Field(23, 16, "big")
    frames = frames_with(cell_field(first, of=lambda t: volts(t, 0.004)), cell_field(second, of=apart_late))
    (found,) = pin(frames, taken([8.0, 12.0, 16.0], of=lambda t: volts(t, 0.004)))
    likely = [one for one in found.matches if one.likelihood >= found.matches[0].likelihood / 3]
    assert any(holds(one, first, frames) for one in likely)
    assert any(holds(one, second, frames) for one in likely)
    assert found.tied == len(likely)
    assert found.next_reading is not None
    assert 29.9 <= found.next_reading.time_s <= 34.2
    assert found.next_reading.differ_by == pytest.approx(0.05, rel=0.5)


def test_fields_that_never_differ_ask_for_a_load_and_a_mark():
    frames = frames_with(
        cell_field(Field(7, 16, "big")), cell_field(Field(23, 16, "big"), of=lambda t: volts(t) + 0.001)
    )
    (found,) = pin(frames, taken(np.linspace(4, 35, 10)))
    assert found.next_reading.time_s is None
    assert "load this one" in found.next_reading.advice


def test_a_mark_tells_a_cell_from_its_like():
    def loaded(time_s):
        return volts(time_s, 0.002) - (0.03 if 20 <= time_s < 26 else 0.0)

    fields = [Field(start, 12, "big") for start in (7, 11, 31, 35)]
    of = [lambda t: volts(t, 0.002)] * 3 + [loaded]
    frames = frames_with(*(cell_field(field, of=one) for field, one in zip(fields, of, strict=True)))
    readings = taken([5.0, 10.0, 15.0], label="cell 4 voltage", of=loaded)
    (without,) = pin(frames, readings)
    (marked,) = pin(frames, readings, marks=[Mark(20.4, "load on cell 4")])
    assert not holds(without.matches[0], fields[3], frames)
    assert holds(marked.matches[0], fields[3], frames)
    assert marked.matches[0].likelihood > 0.9
    (other,) = pin(frames, readings, marks=[Mark(20.4, "load on cell 7")])
    assert [one.at for one in other.matches] == [one.at for one in without.matches]


def test_a_field_under_a_multiplexor_is_found_there():
    rows = []
    for number, time_s in enumerate(np.arange(0, SECONDS, 0.02).tolist()):
        page = number % 11
        cell = volts(time_s) + 0.02 * page
        rows.append((time_s, 0x321, bytes([page]) + round(cell / 0.001).to_bytes(2, "big") + bytes(5)))
    frames = capture(rows)
    (found,) = pin(frames, taken(np.linspace(4, 35, 10), of=lambda t: volts(t) + 0.14))
    at = found.matches[0].at
    assert (at.multiplexor.field, at.multiplexor.value) == (Field(0, 8), 7)
    assert (at.field.start, at.field.length, at.field.byte_order) == (15, 16, "big")
    assert found.matches[0].likelihood > 0.5


def test_a_scale_that_is_not_natural_is_fitted_and_rounded():
    field = Field(7, 12, "big")
    frames = frames_with(cell_field(field, 0.0013))
    (found,) = pin(frames, taken(np.linspace(3, 36, 14), 4.0))
    best = found.matches[0]
    assert holds(best, field, frames)
    assert (best.scale, best.offset, best.quantity) == (0.0013, 0.0, None)


def test_one_wrong_reading_among_many_does_no_harm():
    frames = frames_with(cell_field(Field(7, 16, "big")))
    readings = taken(np.linspace(4, 35, 12))
    readings[5] = Reading(readings[5].time_s, readings[5].label, 1.234, "V", 0.001)
    (found,) = pin(frames, readings)
    assert holds(found.matches[0], Field(7, 16, "big"), frames)


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [Reading(1e6, "cell voltage", 3.6, "V", 0.001)],
        [Reading(5.0, "torque", 100.0, "Nm", 1.0)],
        [Reading(5.0, "cell voltage", 3.6, "V", 0.001)] * 3,
        [Reading(5.0, "cell voltage", -1e12, "V", 0.001)],
        [Reading(5.0, "cell voltage", 0.0, "V")],
    ],
)
def test_odd_readings_give_an_answer_all_the_same(readings):
    frames = frames_with(cell_field(Field(7, 16, "big")))
    found = pin(frames, readings)
    assert len(found) == len({one.label for one in readings})
    for one in found:
        assert math.isfinite(one.clock_offset_s)
        assert all(math.isfinite(match.likelihood + match.residual) for match in one.matches)


@pytest.mark.parametrize("rows", [[], [(0.0, 0x100, b"")], [(0.0, 0x100, b"\x0e\x10")], [(0.0, 0x100, b"\x0e")] * 2])
def test_captures_with_hardly_anything_in_them(rows):
    (found,) = pin(capture(rows), [Reading(0.0, "cell voltage", 3.6, "V", 0.001)])
    assert found.label == "cell voltage"


@pytest.fixture(scope="module")
def demo():
    frames = read_capture(str(CAPTURES / "harbour_shuttle.log.xz"))
    readings = load_readings(CAPTURES / "harbour_shuttle.readings.csv", int(frames.time_ns[0]))
    truth = json.loads((CAPTURES / "harbour_shuttle.truth.json").read_text("utf-8"))["meter"]
    return frames, pin(frames, readings), truth


def test_the_demo_readings_find_their_channels(demo):
    _, found, truth = demo
    signals = {
        signal.name: (message.can_id, signal)
        for message in load_map([str(ROOT / "signal_maps" / "harbour_shuttle.dbc")]).messages
        for signal in message.signals
    }
    assert [one.label for one in found] == list(truth["channels"])
    for one in found:
        can_id, signal = signals[truth["channels"][one.label]]
        likely = [match for match in one.matches if match.likelihood >= one.matches[0].likelihood / 3]
        assert any(
            match.at.stream.can_id == can_id
            and at.field.bit_numbers() == signal.field.bit_numbers()
            and (match.scale, match.offset) == (signal.scale, signal.offset)
            for match in likely
            for at in (match.at, *match.same_as)
        ), one.label


def test_the_demo_meters_clock_is_found(demo):
    _, found, truth = demo
    for one in found:
        assert one.used == 8
        assert one.clock_offset_s == pytest.approx(truth["clock_offset_s"], abs=0.4)
        assert one.drift_ppm is None  # a minute is too short to see any
