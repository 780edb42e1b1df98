"""The moment shown follows the clock, at every speed, in a loop, whatever becomes of the ticks."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.screens.playhead import SPEEDS, Playhead, frame_words, loop_around, neighbour_moment
from tests.building import capture
from tests.screens.small_pack import open_session

HOUR_NS = 3600 * 10**9
FIRST_NS = 1_900_000_000_250_000_000


class FakeClock:
    """Real nanoseconds, as far as the test lets them pass."""

    def __init__(self, now_ns=987_654_321):
        self.now_ns = now_ns

    def __call__(self):
        return self.now_ns


def playing(speed=1.0, length_ns=1000 * HOUR_NS, at_ns=0):
    clock = FakeClock()
    head = Playhead(FIRST_NS, FIRST_NS + length_ns, FIRST_NS + at_ns, speed, clock=clock)
    head.toggle()
    assert head.playing
    return head, clock


def since_first(head):
    return head.now_ns - FIRST_NS


PAUSES_NS = st.lists(st.integers(1, 600 * 10**9), min_size=1, max_size=60)


def test_speeds_go_from_a_tenth_to_a_hundred():
    assert (SPEEDS[0], SPEEDS[-1]) == (0.1, 100)
    assert list(SPEEDS) == sorted(SPEEDS)


@given(st.sampled_from(SPEEDS), PAUSES_NS)
def test_irregular_and_lost_ticks_leave_no_drift(speed, pauses_ns):
    head, clock = playing(speed)
    for number, pause_ns in enumerate(pauses_ns):
        clock.now_ns += pause_ns
        if number % 3:  # every third tick is lost
            head.tick()
    head.tick()
    assert abs(since_first(head) - sum(pauses_ns) * Fraction(str(speed))) <= 1


def test_a_hundred_thousand_ticks_of_a_fifteenth_second_leave_no_drift():
    head, clock = playing(0.1)
    for _ in range(100_000):
        clock.now_ns += 66_666_667  # a tenth of it is no whole number of nanoseconds
        head.tick()
    assert since_first(head) == 666_666_670_000


@given(st.lists(st.tuples(st.sampled_from((-1, 1)), st.integers(0, 10**11)), max_size=40))
def test_each_speed_holds_from_where_it_was_taken(changes):
    head, clock = playing(1.0)
    place, due_ns = SPEEDS.index(1.0), Fraction(0)
    for by, pause_ns in changes:
        clock.now_ns += pause_ns
        due_ns += pause_ns * Fraction(str(SPEEDS[place]))
        head.change_speed(by)
        place = min(max(place + by, 0), len(SPEEDS) - 1)
        assert head.speed == SPEEDS[place]
    head.tick()
    assert abs(since_first(head) - due_ns) <= len(changes) + 1  # less than a nanosecond for each change


@given(st.sampled_from(SPEEDS), PAUSES_NS, st.integers(1, 10**12), st.integers(1, 10**12))
def test_in_a_loop_the_moment_is_exact_after_any_number_of_rounds(speed, pauses_ns, start_ns, length_ns):
    head, clock = playing(speed)
    head.set_loop((FIRST_NS + start_ns, FIRST_NS + start_ns + length_ns))
    assert since_first(head) == start_ns
    for pause_ns in pauses_ns:
        clock.now_ns += pause_ns
        head.tick()
        assert start_ns <= since_first(head) < start_ns + length_ns
    assert head.playing
    gone = Fraction(since_first(head) - start_ns) - sum(pauses_ns) * Fraction(str(speed))
    off = gone % length_ns
    assert min(off, length_ns - off) <= 1


def test_a_loop_that_ends_leaves_the_moment_where_it_is_and_playing_goes_on():
    head, clock = playing()
    head.set_loop((FIRST_NS, FIRST_NS + 1000))
    clock.now_ns += 25_300
    head.set_loop(None)
    assert since_first(head) == 300
    clock.now_ns += 10_000
    head.tick()
    assert since_first(head) == 10_300


def test_a_loop_to_the_end_of_the_capture_does_not_stop_there():
    head, clock = playing(length_ns=1000)
    head.set_loop((FIRST_NS + 400, FIRST_NS + 1000))
    clock.now_ns += 600
    head.tick()
    assert (since_first(head), head.playing) == (400, True)


def test_from_before_a_loop_playing_runs_into_it_and_from_past_it_to_the_end():
    head, clock = playing(length_ns=1000)
    head.set_loop((FIRST_NS + 400, FIRST_NS + 500))
    head.go_to(FIRST_NS + 300)
    clock.now_ns += 250
    head.tick()
    assert since_first(head) == 450
    head.go_to(FIRST_NS + 600)
    clock.now_ns += 1000
    head.tick()
    assert (since_first(head), head.playing) == (1000, False)
    head.toggle()
    assert (since_first(head), head.playing) == (400, True)


def test_pausing_counts_the_time_since_the_last_tick_and_none_after():
    head, clock = playing(2.0)
    clock.now_ns += 500
    head.toggle()
    clock.now_ns += 10**9
    head.tick()
    assert (since_first(head), head.playing) == (1000, False)
    head.toggle()
    clock.now_ns += 50
    head.tick()
    assert since_first(head) == 1100


def test_going_elsewhere_while_playing_goes_on_from_there():
    head, clock = playing(10.0)
    clock.now_ns += 10**9
    head.go_to(FIRST_NS + 77)
    clock.now_ns += 100
    head.tick()
    assert since_first(head) == 1077


def test_the_end_of_the_capture_stops_and_playing_begins_anew():
    head, clock = playing(length_ns=1000)
    clock.now_ns += 1001
    head.tick()
    assert (since_first(head), head.playing) == (1000, False)
    head.toggle()
    assert (since_first(head), head.playing) == (0, True)


def test_a_capture_of_one_moment_does_not_play():
    head = Playhead(5, 5, 5, clock=FakeClock())
    head.toggle()
    assert not head.playing
    assert loop_around([5], head) is None


@pytest.mark.parametrize(
    ("now", "loop"), [(0, (0, 20)), (20, (20, 70)), (35, (20, 70)), (70, (70, 100)), (100, (70, 100))]
)
def test_the_loop_goes_from_the_mark_before_to_the_mark_after_or_the_captures_end(now, loop):
    assert loop_around([70, 20, -5, 300], Playhead(0, 100, now)) == loop


def test_neighbouring_moments():
    moments = [10, 20, 20, 30]
    assert [neighbour_moment(moments, now, 1) for now in (5, 10, 20, 30)] == [0, 1, 3, None]
    assert [neighbour_moment(moments, now, -1) for now in (5, 10, 20, 30, 31)] == [None, None, 0, 2, 3]


def test_the_frame_of_a_moment_is_named(tmp_path):
    channels = open_session(tmp_path).channels
    frames = channels.frames
    row = 7
    words = frame_words(channels, int(frames.time_ns[row]))
    assert words.startswith(f"frame 8 of {len(frames)}: {int(frames.can_id[row]):03X}, line {int(frames.line[row])}")
    assert "no frame" in frame_words(channels, int(frames.time_ns[row]) + 1)


def test_frames_of_one_stamp_are_counted_and_a_29_bit_identifier_has_eight_digits(tmp_path):
    from dataclasses import replace

    frames = capture([(0, 0x1ABCDE, b"\0"), (1, 0x18ABCDEF, b"\0"), (1, 0x123, b"\0")])
    channels = replace(open_session(tmp_path).channels, frames=frames)
    assert frame_words(channels, int(1e9)) == "frame 2 of 3: 18ABCDEF, line 2, and 1 more of the same stamp"
    assert "001ABCDE" in frame_words(channels, 0)
