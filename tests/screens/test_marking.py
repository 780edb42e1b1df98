"""Playing, stepping, marks and loops by keys."""

import pytest
from rich.cells import cell_len

from decoder.discovery.marks import Mark, load_marks
from decoder.screens.playhead import SPEEDS
from decoder.screens.timeline import LOOP, LOOP_END, LOOP_START, MARK, mark_row
from tests.screens.small_pack import open_session
from tests.screens.test_app import lines, press, shown, text, type_in


def kept(tmp_path):
    return load_marks(tmp_path / "pack.log.marks.csv", 0)


def go(app, at_s):
    app.desk.playhead.go_to(app.desk.channels.first_ns + round(at_s * 1e9))


async def mark(app, pilot, at_s, label):
    go(app, at_s)
    await press(pilot, "h")
    await type_in(pilot, label)


async def test_a_mark_is_kept_beside_the_capture_and_stands_on_the_timeline(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        before = lines(app)
        assert not any(MARK in line for line in before)
        await mark(app, pilot, 5, "plug pulled")
        assert "marked: plug pulled at 5.000 s" in text(app)
        assert kept(tmp_path) == (Mark(5.0, "plug pulled"),)
        row = next(line for line in lines(app) if f"{MARK}plug pulled" in line)
        assert row.index(MARK) == pytest.approx(80 / 4, abs=1)  # 5 s of 20 s
    async with shown(open_session(tmp_path)) as (app, _):  # opened anew
        assert f"{MARK}plug pulled" in text(app)


async def test_the_same_label_is_one_key_and_another_one_replaces_it(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await mark(app, pilot, 2, "harness moved")
        await mark(app, pilot, 4, "")
        await mark(app, pilot, 6, "lamp on")
        assert [(one.time_s, one.label) for one in kept(tmp_path)] == [
            (2.0, "harness moved"),
            (4.0, "harness moved"),
            (6.0, "lamp on"),
        ]


async def test_a_mark_left_without_a_label_is_none_and_that_is_said(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await mark(app, pilot, 2, "")
        assert "the mark has no label" in text(app)
        await press(pilot, "h", "escape")
        assert app.book.marks == ()
        assert not (tmp_path / "pack.log.marks.csv").exists()


async def test_keys_go_from_mark_to_mark_and_take_one_back(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "right_parenthesis")
        assert "no marks: h sets one" in text(app)
        await press(pilot, "H")
        assert "go to a mark first" in text(app)
        for at_s, label in ((12, "c"), (4, "a"), (8, "b")):
            await mark(app, pilot, at_s, label)
        go(app, 0)
        for due in (4, 8, 12):
            await press(pilot, "right_parenthesis")
            assert app.desk.now_s == due
        await press(pilot, "right_parenthesis")
        assert "no later mark" in text(app)
        await press(pilot, "left_parenthesis")
        assert app.desk.now_s == 8
        assert "b at 8.000 s" in text(app)
        await press(pilot, "H")
        assert "taken back: b at 8.000 s" in text(app)
        assert {one.label for one in kept(tmp_path)} == {"a", "c"}


async def test_of_a_part_the_screens_count_from_its_first_frame_and_the_file_from_the_captures(tmp_path):
    session = open_session(tmp_path)
    session.zero_ns = session.channels.first_ns - 100_000_000_000
    async with shown(session) as (app, pilot):
        await mark(app, pilot, 5, "on")
        assert "marked: on at 5.000 s" in text(app)
        assert kept(tmp_path) == (Mark(105.0, "on"),)
        assert app.book.moments_ns == [session.channels.first_ns + 5_000_000_000]


async def test_marks_outside_of_what_is_shown_are_not_gone_to(tmp_path):
    (tmp_path / "pack.log.marks.csv").write_text("time_s,label\n-5,before\n7,on\n500,after\n")
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "left_parenthesis")
        assert app.desk.now_s == 7
        for key, word in (("left_parenthesis", "earlier"), ("right_parenthesis", "later")):
            await press(pilot, key)
            assert f"no {word} mark" in text(app)
            assert app.desk.now_s == 7
        assert text(app).count(MARK) == 1


async def test_a_mark_taken_while_playing_is_of_the_moment_of_the_key_and_playing_goes_on(tmp_path):
    now_ns = [0]
    async with shown(open_session(tmp_path)) as (app, pilot):
        app.desk.playhead.clock = lambda: now_ns[0]
        await press(pilot, "space")
        now_ns[0] += 3_000_000_000
        await press(pilot, "h")
        now_ns[0] += 9_000_000_000  # typing takes its time
        await type_in(pilot, "load on")
        assert kept(tmp_path) == (Mark(3.0, "load on"),)
        assert app.desk.playhead.playing
        now_ns[0] += 1_000_000_000
        await press(pilot, "space")
        assert app.desk.now_s == 4


async def test_a_loop_between_the_marks_around_is_shown_played_and_ended(tmp_path):
    now_ns = [0]
    async with shown(open_session(tmp_path)) as (app, pilot):
        app.desk.playhead.clock = lambda: now_ns[0]
        for at_s, label in ((5, "a"), (10, "b"), (15, "c")):
            await mark(app, pilot, at_s, label)
        go(app, 7)
        await press(pilot, "z")
        assert "loop from 5.000 s to 10.000 s; space plays it, z ends it" in text(app)
        assert "paused in a loop" in text(app)
        assert LOOP * 10 in text(app)
        await press(pilot, "space")
        now_ns[0] += 1_004_500_000_000  # over and over: 4.5 s past 7 s in a loop of 5 s
        await press(pilot, "space")
        assert app.desk.now_s == pytest.approx(6.5, abs=1e-9)
        await press(pilot, "z")
        assert "the loop is ended" in text(app)
        assert LOOP not in text(app)


async def test_a_loop_between_two_chosen_marks(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        for at_s, label in ((15, "c"), (10, "b"), (5, "a")):
            await mark(app, pilot, at_s, label)
        await press(pilot, "Z")
        assert "one end of the loop: a at 5.000 s" in text(app)
        await press(pilot, "right_parenthesis", "right_parenthesis", "Z")
        assert "loop from 5.000 s to 15.000 s" in text(app)
        first_ns = app.desk.channels.first_ns
        assert app.desk.playhead.loop == (first_ns + 5_000_000_000, first_ns + 15_000_000_000)


async def test_speeds_reach_from_a_tenth_to_a_hundred(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, *["plus"] * len(SPEEDS))
        assert "×100" in text(app)
        await press(pilot, *["minus"] * len(SPEEDS))
        assert "×0.1" in text(app)


async def test_a_step_is_one_cycle_of_the_channel_or_one_frame_and_pauses(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        go(app, 5)
        channels = app.desk.channels
        times_ns = channels.frames.time_ns
        await press(pilot, "full_stop")
        at_ns = app.desk.now_ns
        assert at_ns in app.desk.chosen.time_ns
        await press(pilot, "full_stop")
        assert app.desk.now_ns - at_ns == 100_000_000  # its cycle time
        for key, direction in (("colon", 1), ("semicolon", -1)):
            before = app.desk.now_ns
            await press(pilot, key)
            between = times_ns[(times_ns > min(before, app.desk.now_ns)) & (times_ns < max(before, app.desk.now_ns))]
            assert (app.desk.now_ns - before) * direction > 0
            assert len(between) == 0
            assert f"of {len(times_ns)}: 3" in text(app)
        await press(pilot, "space", "full_stop")
        assert not app.desk.playhead.playing
        assert app._timer is None


async def test_a_file_of_marks_that_is_none_is_told_and_never_written_over(tmp_path):
    path = tmp_path / "pack.log.marks.csv"
    path.write_text("mine\n")
    async with shown(open_session(tmp_path), (200, 40)) as (app, pilot):
        assert "pack.log.marks.csv" in text(app)
        await mark(app, pilot, 5, "on")
        assert "kept only until you close" in text(app)
        assert f"{MARK}on" in text(app)
    assert path.read_text() == "mine\n"


async def test_labels_from_a_file_are_shown_as_text(tmp_path):
    (tmp_path / "pack.log.marks.csv").write_text("time_s,label\n5,[red]\x1b[31mon[/red]\n")
    async with shown(open_session(tmp_path)) as (app, _):
        assert MARK + r"[red]\x1b[31mon[/red]" in text(app)
        assert "\x1b" not in text(app)


async def test_without_a_file_marks_hold_until_the_end(tmp_path):
    session = open_session(tmp_path)
    session.capture_path = None
    async with shown(session) as (app, pilot):
        await mark(app, pilot, 5, "on")
        assert "kept only until you close" in text(app)
        assert f"{MARK}on" in text(app)


def drawn(marks, loop=None, width=20):
    row = mark_row(marks, loop, 0, 100, width)
    shown_row = "".join(cell for cell, _ in row)
    assert cell_len(shown_row) == width
    return shown_row


def test_labels_stand_right_of_their_marks_and_that_of_the_last_one_left_where_there_is_more_room():
    assert drawn([(0, "plug"), (50, "lamp on")]) == f"{MARK}plug     {MARK}lamp on  "
    assert drawn([(95, "plug pulled")]) == f"        plug pulled{MARK}"
    assert drawn([(100, "x" * 40)]) == f" {'x' * 17}…{MARK}"
    assert drawn([(0, "plug pulled"), (50, "lamp")]) == f"{MARK}plug pu… {MARK}lamp     "
    assert drawn([]) == " " * 20


def test_close_marks_lose_their_labels_but_not_themselves():
    row = drawn([(at, "lamp on") for at in range(0, 100, 10)])
    assert row.count(MARK) == 10
    assert drawn([(0, "a"), (1, "b")]).count(MARK) == 1  # of one column


def test_wide_labels_take_two_columns_a_character():
    assert drawn([(0, "電池")]) == f"{MARK}電池" + " " * 15


def test_the_loop_is_drawn_from_end_to_end():
    assert drawn([], (25, 75)) == " " * 5 + LOOP_START + LOOP * 9 + LOOP_END + " " * 4
    assert drawn([(25, "on")], (25, 75)) == " " * 5 + f"{MARK}on" + LOOP * 7 + LOOP_END + " " * 4
    assert drawn([], (0, 1)).strip() == LOOP_END


def test_a_long_label_leaves_something_of_the_loop_to_see():
    assert drawn([(0, "plug pulled"), (50, "lamp")], (0, 50)) == f"{MARK}plug …{LOOP * 3}{MARK}lamp     "
