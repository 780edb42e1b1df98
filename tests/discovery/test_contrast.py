"""Contrast: what changed at marks and nowhere else, on payloads whose changes are known."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.contrast import LEAST, MOST_CHANGES, contrast
from decoder.discovery.marks import Mark
from decoder.discovery.proposal import Selector
from tests.building import capture
from tests.discovery.carvings import carving, number

LENGTH_S = 120.0
MARKS_S = (20.0, 50.0, 85.0)
PERIOD_S = 0.1
TIMES_S = np.arange(0, LENGTH_S, PERIOD_S)
LEVEL = 3700


def noise(seed, size=1.0, level=LEVEL):
    return level + np.random.default_rng(seed).normal(0, size, len(TIMES_S))


def after(onsets_s, lasts_s=5.0):
    """1 for some time after each onset, else 0."""
    since = np.subtract.outer(TIMES_S, onsets_s)
    return ((since >= 0) & (since < lasts_s)).any(axis=1).astype(float)


def words(*columns):
    """Payloads of 16-bit numbers, big-endian."""
    raw = np.stack([np.round(column) for column in columns], axis=1).astype(">u2")
    return [row.tobytes() for row in raw]


def numbers(*columns, can_id=0x123, **more):
    fields = [number(Field(16 * place + 7, 16, "big")) for place in range(len(columns))]
    return carving(words(*columns), *fields, can_id=can_id, times_s=TIMES_S, **more)


def flags(*columns, can_id=0x124):
    payloads = [bytes([sum(int(bit) << place for place, bit in enumerate(row))]) for row in zip(*columns, strict=True)]
    fields = [number(Field(place, 1), kind="flag") for place in range(len(columns))]
    return carving(payloads, *fields, can_id=can_id, times_s=TIMES_S)


def restless(seeds, rate_s=8.0):
    """Flags that change now and then, at moments of their own."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        moments = np.sort(rng.uniform(0, LENGTH_S, rng.poisson(LENGTH_S / rate_s)))
        yield np.searchsorted(moments, TIMES_S) % 2


def marks(times_s=MARKS_S, label="done"):
    return [Mark(time_s, label) for time_s in times_s]


def found(carvings, given, **more):
    frames = capture([(0.0, 0x123, b"\x00"), (LENGTH_S, 0x123, b"\x00")])
    return contrast(frames, given, carvings=carvings, **more)


def cells(count, seed=0, **loaded):
    """Cells a frame of four; `loaded`: c3=... is taken from the cell's voltage."""
    columns = [noise(seed + cell) - loaded.get(f"c{cell}", 0.0) for cell in range(count)]
    return [numbers(*columns[first : first + 4], can_id=0x300 + first // 4) for first in range(0, count, 4)]


def test_a_number_that_steps_at_the_marks_comes_first_with_delay_direction_and_repeats():
    (label,) = found(cells(24, c9=25 * after([at + 0.8 for at in MARKS_S])), marks())
    assert (label.label, label.marks) == ("done", 3)
    best = label.changes[0]
    assert (best.at.stream.can_id, best.at.field.start) == (0x302, 23)
    assert (best.form, best.direction, best.repeats, best.marks) == ("step", "down", 3, 3)
    assert best.delay_s == pytest.approx(0.8, abs=0.3)
    assert best.size == pytest.approx(-25, abs=3)
    assert best.log_likelihood_ratio > 5
    assert all(change.log_likelihood_ratio < 3 for change in label.changes[1:])


def test_marks_may_be_two_seconds_late_or_early():
    carvings = cells(24, c9=25 * after(MARKS_S))
    (label,) = found(carvings, marks([20.0 + 1.9, 50.0 - 1.9, 85.0 + 1.0]))
    assert label.changes[0].at.field.start == 23
    assert label.changes[0].repeats == 3
    assert label.changes[0].log_likelihood_ratio > 3


def test_a_cell_stands_out_against_its_siblings_while_all_of_them_move():
    drive = np.cumsum(np.random.default_rng(5).normal(0, 6, len(TIMES_S)))
    drive = 400 * np.sin(TIMES_S / 3) + drive
    columns = [
        noise(cell) + drive * (1 + 0.02 * (cell % 5)) - (40 * after(MARKS_S) if cell == 9 else 0) for cell in range(24)
    ]
    carvings = [numbers(*columns[first : first + 4], can_id=0x300 + first // 4) for first in range(0, 24, 4)]
    (label,) = found(carvings, marks())
    assert (label.changes[0].at.stream.can_id, label.changes[0].at.field.start) == (0x302, 23)
    assert label.changes[0].log_likelihood_ratio > 3


def test_a_flag_at_the_marks_comes_before_flags_that_change_at_other_times():
    own = after(MARKS_S)
    (label,) = found(
        [flags(own, *restless(range(7))), *(flags(*restless(range(8 * k, 8 * k + 8)), can_id=k) for k in (2, 3))],
        marks(),
    )
    best = label.changes[0]
    assert (best.at.stream.can_id, best.at.field) == (0x124, Field(0, 1))
    assert (best.direction, best.repeats, best.marks) == ("up", 3, 3)
    assert abs(best.delay_s) < 0.2
    assert all(best.log_likelihood_ratio > change.log_likelihood_ratio + 3 for change in label.changes[1:])


def test_the_more_marks_the_stronger_the_evidence():
    ratios = []
    for count in (1, 2, 3):
        (label,) = found(cells(24, c9=25 * after(MARKS_S[:count])), marks(MARKS_S[:count]))
        ratios.append(label.changes[0].log_likelihood_ratio)
    assert ratios == sorted(ratios)
    assert ratios[2] > ratios[0] + 3


def test_a_mark_at_which_nothing_happened_counts_against():
    carvings = cells(24, c9=25 * after(MARKS_S[:2]))
    both, more = (found(carvings, marks(times))[0].changes[0] for times in (MARKS_S[:2], MARKS_S))
    assert both.at == more.at
    assert (more.repeats, more.marks) == (2, 3)
    assert more.log_likelihood_ratio < both.log_likelihood_ratio


def test_changes_at_another_labels_mark_are_not_held_against_a_field():
    moments = (20.0, 35.0, 50.0, 65.0, 85.0)
    carvings = cells(24, c9=25 * after(moments))
    alone = found(carvings, marks((20.0, 50.0)))[0].changes[0]
    together = found(carvings, marks((20.0, 50.0)) + marks((35.0, 65.0, 85.0), "other"))
    assert [label.label for label in together] == ["done", "other"]
    assert together[0].changes[0].at == together[1].changes[0].at
    assert together[0].changes[0].log_likelihood_ratio > alone.log_likelihood_ratio + 2


def test_a_slow_rise_is_a_drift_that_begins_near_the_mark():
    def warmed(at):
        return 60 + 30 * np.interp(TIMES_S, [0, at, at + 25, LENGTH_S], [0, 0, 1, 1])

    columns = [np.full(len(TIMES_S), 60.0), warmed(60.0), *(noise(seed, 0.3, 61) for seed in range(6))]
    (label,) = found([numbers(*columns[:4]), numbers(*columns[4:], can_id=0x125)], marks([60.5]))
    best = label.changes[0]
    assert (best.at.stream.can_id, best.at.field.start) == (0x123, 23)
    assert (best.form, best.direction) == ("drift", "up")
    assert best.size == pytest.approx(30 / 25, rel=0.4)


def test_under_an_index_each_value_is_a_field_of_its_own():
    index = np.arange(len(TIMES_S)) % 6
    values = np.array([noise(seed) for seed in range(6)])
    values[4] -= 30 * after(MARKS_S)
    raw = np.round(values[index, np.arange(len(TIMES_S))]).astype(">u2")
    payloads = [bytes([at]) + word.tobytes() for at, word in zip(index.tolist(), raw, strict=True)]
    selector = Field(0, 8)
    one = carving(
        payloads,
        number(selector, kind="multiplexor"),
        number(Field(15, 16, "big"), selector=Selector(selector, None), indexes=list(range(6))),
        times_s=TIMES_S,
    )
    (label,) = found([one], marks())
    assert label.changes[0].at.multiplexor == Selector(selector, 4)
    assert label.changes[0].direction == "down"


def test_a_multiplexor_that_carving_missed_is_seen():
    index = np.arange(len(TIMES_S)) % 12
    values = np.array([noise(seed, 1.0, 3000 + 90 * seed) for seed in range(12)])
    values[4] -= 60 * after(MARKS_S, 8.0)
    raw = np.round(values[index, np.arange(len(TIMES_S))]).astype(">u2")
    payloads = [bytes([at + 1]) + word.tobytes() for at, word in zip(index.tolist(), raw, strict=True)]
    (label,) = found([carving(payloads, number(Field(15, 16, "big")), times_s=TIMES_S)], marks())
    assert label.changes[0].at.multiplexor == Selector(Field(0, 8), 5)


def test_damaged_payloads_are_left_out():
    column = noise(1)
    at = [int(mark_s / PERIOD_S) for mark_s in MARKS_S]
    bad = column.copy()
    bad[at] = 60_000
    rest = cells(24)
    (label,) = found([numbers(bad, damaged=at), *rest], marks())
    assert all(change.at.stream.can_id != 0x123 or change.log_likelihood_ratio < 0 for change in label.changes)
    (label,) = found([numbers(bad), *rest], marks())
    assert label.changes[0].at.stream.can_id == 0x123


def test_values_that_are_not_available_after_the_wake_up_are_no_change():
    column = noise(1)
    column[: int(20 / PERIOD_S)] = 0xFFFF
    (label,) = found([numbers(column), *cells(24)], marks([20.0]))
    assert all(change.at.stream.can_id != 0x123 or change.log_likelihood_ratio < 0 for change in label.changes)


def test_counters_and_checks_are_not_compared():
    payloads = [bytes([at % 16, at * 37 % 256]) for at in range(len(TIMES_S))]
    one = carving(payloads, number(Field(0, 8), kind="counter"), number(Field(8, 8), kind="check"), times_s=TIMES_S)
    assert found([one], marks())[0].changes == ()


@pytest.mark.parametrize("seed", range(8))
def test_where_nothing_happened_nothing_is_strong(seed):
    rng = np.random.default_rng(seed)
    carvings = [*cells(24, seed=100 * seed), *(flags(*restless(rng.integers(0, 10**6, 8)), can_id=k) for k in (2, 3))]
    (label,) = found(carvings, marks(np.sort(rng.uniform(5, LENGTH_S - 5, 3))))
    assert all(change.log_likelihood_ratio < 3 for change in label.changes)
    assert len(label.changes) <= MOST_CHANGES
    ratios = [change.log_likelihood_ratio for change in label.changes]
    assert ratios == sorted(ratios, reverse=True)
    assert all(ratio >= LEAST for ratio in ratios)


def test_marks_outside_the_capture_are_left_out():
    labels = found(cells(8), [Mark(500.0, "late"), Mark(20.0, "early"), Mark(20.0, "early"), Mark(-50.0, "early")])
    assert [(one.label, one.marks) for one in labels] == [("late", 0), ("early", 1)]
    assert labels[0].changes == ()


def test_marks_count_from_where_they_are_told_to():
    carvings = cells(24, c9=25 * after(MARKS_S))
    shifted = [Mark(time_s + 100.0, "done") for time_s in MARKS_S]
    one, other = found(carvings, shifted, first_ns=-100_000_000_000)[0], found(carvings, marks())[0]
    assert one.changes[0].at == other.changes[0].at
    assert one.changes[0].delay_s == pytest.approx(other.changes[0].delay_s, abs=0.15)
    assert found(carvings, shifted)[0].changes[:1] != (one.changes[0],)


def test_bits_within_a_field_that_is_ranked_higher_are_left_out():
    states = (after(MARKS_S) * 2 + 1).astype(int)
    one = carving(
        [bytes([state]) for state in states.tolist()], number(Field(0, 2), kind="state"), can_id=0x1, times_s=TIMES_S
    )
    (label,) = found([one, flags(*restless(range(8)))], marks())
    mine = [change.at.field for change in label.changes if change.at.stream.can_id == 1]
    taken = [bit for field in mine for bit in field.bit_numbers()]
    assert len(taken) == len(set(taken))
    assert 1 in taken


def test_no_frames_no_marks_and_one_payload_are_no_trouble():
    empty = capture([])
    assert contrast(empty, marks())[0].changes == ()
    assert found(cells(8), []) == ()
    single = carving([b"\x01\x02"], number(Field(7, 16, "big")))
    assert found([single], marks())[0].changes == ()


def test_progress_ends_with_all_done():
    told = []
    found(cells(8), marks(), progress=told.append)
    assert told[-1] == 1.0


def test_frames_are_carved_where_no_carving_is_given():
    rng = np.random.default_rng(2)
    on = after((10.0, 22.0, 34.0), 4.0)[:450]
    rows = [(0.1 * at, 0x201, bytes([int(on[at]), int(rng.integers(60, 64)), 7])) for at in range(450)]
    labels = contrast(capture(rows), [Mark(10.2, "on"), Mark(21.5, "on"), Mark(34.4, "on")])
    best = labels[0].changes[0]
    assert 0 in best.at.field.bit_numbers()
    assert (best.direction, best.repeats) == ("up", 3)
