"""The window: exactly the last frames by time and count, whatever came in whatever parts."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.account import Account
from decoder.capture.window import Window
from decoder.frames import Frames


def frames(time_ns, names=("can0",), bus=0):
    count = len(time_ns)
    return Frames(
        time_ns=np.array(time_ns, np.int64),
        bus=np.full(count, bus, np.uint8),
        can_id=np.full(count, 1, np.uint32),
        flags=np.zeros(count, np.uint16),
        length=np.zeros(count, np.uint8),
        data=np.zeros((count, 8), np.uint8),
        line=np.arange(count, dtype=np.uint32),
        source=np.zeros(count, np.uint8),
        bus_names=names,
    )


@given(
    steps=st.lists(st.lists(st.integers(-50, 400), max_size=6), max_size=8),
    most_ns=st.integers(1, 1000),
    most=st.integers(1, 12),
    asked=st.lists(st.booleans(), min_size=8, max_size=8),
)
def test_it_holds_what_one_by_one_counting_holds(steps, most_ns, most, asked):
    window = Window(most_ns / 1e9, most)
    now, passed, kept, first, total = 0, 0, [], None, 0
    for part, ask in zip(steps, asked, strict=False):
        stamps = []
        for step in part:
            now += step
            passed += max(step, 0) if first is not None else 0
            first = now if first is None else first
            stamps.append(now)
            kept.append((passed, now))
            total += 1
        window.add(frames(stamps))
        kept = [(p, stamp) for p, stamp in kept if p >= passed - most_ns][-most:]
        if ask:
            assert window.frames().time_ns.tolist() == [stamp for _, stamp in kept]
        assert len(window) == len(kept)
    assert window.frames().time_ns.tolist() == [stamp for _, stamp in kept]
    assert window.gone == total - len(kept)
    assert window.first_ns == first


@pytest.mark.parametrize("in_one", [False, True])
def test_where_the_clock_is_set_back_the_window_begins_anew(in_one):
    window = Window(10.0, 100)
    hour_ns = 3600 * 10**9
    first, second = [hour_ns, hour_ns + 10**9], [0, 10**9]
    for part in [first + second] if in_one else [first, second]:
        window.add(frames(part))
    assert window.frames().time_ns.tolist() == second
    assert window.gone == 2


def test_frames_a_little_out_of_order_stay():
    window = Window(10.0, 100)
    window.add(frames([5 * 10**9, 5 * 10**9 - 1_000_000, 6 * 10**9]))
    window.add(frames([6 * 10**9 - 900_000_000]))
    assert len(window.frames()) == 4


def test_memory_stays_that_of_the_window():
    window = Window(1.0, 10**6)
    for part in range(400):
        window.add(frames(np.arange(1000, dtype=np.int64) * 10**6 + part * 10**9))
        if part % 3 == 0:
            window.frames()
        held = sum(_owned(one.time_ns) for one, _ in window._parts)
        assert held <= 6000


def _owned(column):
    """Rows of the memory that a column keeps alive."""
    while column.base is not None:
        column = column.base
    return len(column)


def test_buses_keep_their_numbers_when_the_first_is_gone():
    window = Window(1e-6, 100)
    window.add(frames([0], ("can0",)))
    window.add(frames([10**9], ("can0", "can1"), bus=1))
    assert window.frames().bus_names == ("can0", "can1")
    assert window.frames().bus.tolist() == [1]


def test_the_account_is_that_of_all_that_came():
    window = Window(1e-6, 100)
    window.add(replace(frames([0]), account=Account(lines=1, frames=1)))
    window.add(replace(frames([10**9]), account=Account(lines=2, frames=2)))
    window.add(replace(frames([]), account=Account(lines=3, frames=2, blank=1)))
    assert window.frames().account.lines == 3
    assert len(window.frames()) == 1


def test_without_frames_it_is_an_empty_capture():
    window = Window(1.0, 5)
    assert len(window.frames()) == 0
    window.add(frames([], ("can0",)))
    assert window.frames().bus_names == ("can0",)


@pytest.mark.parametrize(("most_s", "most"), [(0.0, 5), (-1.0, 5), (float("nan"), 5), (1.0, 0)])
def test_a_window_that_could_hold_nothing_is_refused(most_s, most):
    with pytest.raises(ValueError, match="window"):
        Window(most_s, most)
