"""A capture that grows while it is shown: values, findings, the window, the user's notes, and what goes wrong."""

import asyncio
import os
from contextlib import asynccontextmanager

import pytest

from decoder.capture import read_capture
from decoder.capture.follow import Follower
from decoder.capture.window import Window
from decoder.channels import State, decode
from decoder.channels.states import state_at
from decoder.judgement import Severity, judge
from decoder.judgement.notes import Note, load_notes
from decoder.maps.sheet_file import load_sheet
from decoder.screens.app import CellgleanApp
from decoder.screens.desk import Desk
from decoder.screens.live import News, Pace
from decoder.screens.live_feed import LiveFeed, live_session
from tests.screens.small_pack import SHEET, small_map
from tests.screens.test_app import press, text

BEGAN_S = 1_700_000_000


def log_lines(from_s, to_s, high_from_s=1e9):
    """The cells of module 1 and 2 ten times a second as a log; cell 3 of module 2 is at 4.3 V from `high_from_s` on."""
    rows = []
    for tick in range(round(from_s * 10), round(to_s * 10)):
        time_s = BEGAN_S + tick / 10
        for module in (1, 2):
            volts = [3700 + cell + tick % 5 for cell in range(4)]
            if module == 2 and tick / 10 >= high_from_s:
                volts[2] = 4300
            payload = b"".join(volt.to_bytes(2, "little") for volt in volts).hex().upper()
            rows.append(f"({time_s + module * 0.001:.6f}) can0 {0x310 + module:X}#{payload}\n")
    return "".join(rows)


class Bench:
    """A feed whose clock is turned by hand."""

    def __init__(self, folder, *, window_s=60.0, name="growing.log"):
        self.path = folder / name
        sheet = folder / "pack.toml"
        sheet.write_text(SHEET, encoding="utf-8")
        self.now_s = 100.0
        self.news = []
        self.window = Window(window_s, 100_000)
        self.session = live_session(
            small_map(),
            load_sheet(sheet),
            capture_path=str(self.path),
            sheet_path=sheet,
            notes_file=folder / "notes.toml",
        )
        self.follower = Follower(self.path)
        self.feed = LiveFeed(
            self.session, self.follower, self.window, on_news=self.news.append, clock=lambda: self.now_s
        )

    def write(self, words):
        with self.path.open("a", encoding="utf-8") as file:
            file.write(words)

    def steps(self, seconds=3.0):
        """Let time pass in steps of a quarter of a second."""
        for _ in range(round(seconds * 4)):
            self.now_s += 0.25
            self.feed.step()

    @property
    def codes(self):
        return [finding.code for finding in self.session.judgement.findings]


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.follower.close()


def test_what_is_shown_is_what_the_whole_file_would_show(bench):
    bench.write(log_lines(0, 5))
    bench.steps()
    bench.write(log_lines(5, 12, high_from_s=7))
    bench.steps()
    whole = decode(read_capture(bench.path), small_map(), bench.session.channels.sheet)
    shown = bench.session.channels
    assert list(shown) == list(whole)
    for name in whole:
        assert shown[name].value.tolist() == whole[name].value.tolist()
        assert shown[name].time_ns.tolist() == whole[name].time_ns.tolist()
    assert bench.session.judgement == judge(whole)
    assert "channel-high" in bench.codes


def test_new_findings_are_told_once(bench):
    bench.write(log_lines(0, 8))
    bench.steps()
    assert not any(one.code == "channel-high" for news in bench.news for one in news)
    bench.write(log_lines(8, 12, high_from_s=8))
    bench.steps()
    bench.write(log_lines(12, 14, high_from_s=8))
    bench.steps()
    told = [one for news in bench.news for one in news if one.code == "channel-high"]
    assert [one.channel for one in told] == ["Cell_2_03_V"]


def test_the_window_slides_and_times_still_count_from_the_first_frame(tmp_path):
    bench = Bench(tmp_path, window_s=5.0)
    for begin in range(0, 40, 2):
        bench.write(log_lines(begin, begin + 2))
        bench.steps(1.0)
    bench.steps()
    channels = bench.session.channels
    assert len(channels.frames) == 101  # 5 s of 20 a second, both ends counted
    assert channels.first_ns == (BEGAN_S * 1000 + 1) * 10**6
    assert channels.last_ns - channels.first_ns == round(39.901e9)
    assert bench.session.live.earlier == 800 - 101
    assert channels.frames.account.frames == 800
    bench.follower.close()


def test_notes_and_limits_of_the_user_stay_while_the_capture_goes_on(bench):
    bench.write(log_lines(0, 5))
    bench.steps()
    assert bench.session.add_note(Note("odd noise", None, 2.0, Severity.CAUTION)) is None
    bench.write(log_lines(5, 10))
    bench.steps()
    bench.session.set_limit("Cell_1_01_V", None, 3.6)
    bench.write(log_lines(10, 15))
    bench.steps()
    assert bench.session.channels["Cell_1_01_V"].channel.high.value == 3.6
    assert "user-flag" in bench.codes
    assert [f.channel for f in bench.session.judgement.findings if f.code == "channel-high"] == ["Cell_1_01_V"]
    assert [note.text for note in load_notes(bench.session.notes_file)] == ["odd noise"]


def test_a_judgement_of_what_is_no_longer_shown_is_not_taken(bench):
    bench.write(log_lines(0, 5))
    bench.steps()
    session = bench.session
    channels, notes = session.channels, session.notes
    old = session.judgement
    session.add_note(Note("now", None, 1.0, Severity.NOTICE))
    assert not session.judged(old, channels, notes)
    assert "user-flag" in bench.codes


def test_channels_decoded_with_an_older_sheet_are_not_taken(bench):
    bench.write(log_lines(0, 5))
    bench.steps()
    old, live = bench.session.channels, bench.session.live
    bench.session.set_limit("Cell_1_01_V", None, 3.6)
    assert not bench.session.go_on(old, live)
    assert bench.session.channels["Cell_1_01_V"].channel.high.value == 3.6


def test_a_file_that_is_not_there_yet_and_one_that_is_compressed_are_told(tmp_path):
    bench = Bench(tmp_path, name="later.log")
    bench.steps(1.0)
    assert bench.session.live.waits_for == str(bench.path)
    bench.path.write_bytes(b"\x1f\x8b\x08\x00" + bytes(20))
    bench.steps(1.0)
    assert bench.session.live.waits_for is None
    assert "gzip" in bench.session.live.trouble
    bench.follower.close()


def test_text_that_is_no_capture_is_told_until_a_frame_comes(bench):
    bench.write("no frame at all\n" * 30)
    bench.steps(1.0)
    assert "none of 30 lines can be read as a frame" in bench.session.live.trouble
    bench.write(log_lines(0, 1))
    bench.steps(1.0)
    assert bench.session.live.trouble == ""


def test_a_silent_bus_is_told(bench):
    bench.write(log_lines(0, 2))
    bench.steps(1.0)
    assert bench.session.live.quiet_s == 0
    bench.steps(9.0)
    assert bench.session.live.quiet_s == 9


def test_on_a_silent_bus_time_goes_on_and_what_was_heard_grows_stale(bench):
    bench.write(log_lines(0, 4))
    bench.steps(1.0)
    desk = Desk.over(bench.session)
    bench.session.on_change.append(desk.go_on)
    cell = desk.channels["Cell_1_01_V"]
    heard_ns = desk.now_ns
    assert state_at(cell, desk.now_ns) is State.OK
    bench.steps(10.0)
    assert desk.is_live
    assert desk.now_ns == heard_ns + bench.session.live.quiet_s * 10**9
    assert state_at(desk.channels["Cell_1_01_V"], desk.now_ns) is State.STALE
    bench.write(log_lines(4, 5))
    bench.steps(1.0)
    assert desk.is_live
    assert desk.now_ns == desk.channels.last_ns
    assert state_at(desk.channels["Cell_1_01_V"], desk.now_ns) is State.OK


def test_answers_and_survey_follow_only_where_they_were_looked_at(bench):
    bench.write(log_lines(0, 5))
    bench.steps()
    assert not bench.session.talk_is_ready
    before = bench.session.wire
    bench.write(log_lines(5, 10))
    bench.steps(1.0)
    assert bench.session.wire_is_ready
    bench.steps(30.0)
    after = bench.session.wire
    assert after is not before
    assert after.talk.frames is bench.session.channels.frames


def test_only_one_bus_where_one_is_asked_for(tmp_path):
    bench = Bench(tmp_path)
    feed = LiveFeed(bench.session, bench.follower, bench.window, bus="can1", clock=lambda: bench.now_s)
    bench.write(log_lines(0, 2) + log_lines(2, 3).replace("can0", "can1"))
    feed.step()
    assert len(bench.window) == 20
    bench.follower.close()


def test_what_else_is_wrong_is_asked_before_each_poll(tmp_path):
    bench = Bench(tmp_path)
    wrong = ["the adapter is gone"]
    feed = LiveFeed(bench.session, bench.follower, bench.window, look=lambda: wrong[0], clock=lambda: bench.now_s)
    feed.step()
    assert bench.session.live.trouble == "the adapter is gone"
    wrong[0] = ""
    feed.step()
    assert bench.session.live.trouble == ""


def test_work_waits_the_longer_the_more_it_costs():
    pace = Pace(every_s=2.0, share=0.2)
    assert pace.is_due(0.0)
    pace.note(10.0, 10.1)
    assert [pace.is_due(at) for at in (11.9, 12.0)] == [False, True]
    pace.note(20.0, 23.0)
    assert [pace.is_due(at) for at in (34.9, 35.0)] == [False, True]  # 3 s are a fifth of 15 s


def test_a_finding_is_news_again_when_it_was_away_or_is_graver(bench):
    bench.write(log_lines(0, 8, high_from_s=2))
    bench.steps()
    finding = next(one for one in bench.session.judgement.findings if one.code == "channel-high")
    news = News(away_s=60.0)
    graver = type(finding)(**{name: getattr(finding, name) for name in finding.__slots__} | {"severity": 4})
    assert news.of([finding], 0.0) == (finding,)
    assert news.of([], 30.0) == ()
    assert news.of([finding], 50.0) == ()
    assert news.of([graver], 60.0) == (graver,)
    assert news.of([finding], 70.0) == ()
    assert news.of([finding], 131.0) == (finding,)


# The screens


@asynccontextmanager
async def growing(tmp_path, **options):
    bench = Bench(tmp_path, **options)
    bench.feed = LiveFeed(bench.session, bench.follower, bench.window)
    app = CellgleanApp(bench.session, bench.feed, bell=True)
    async with app.run_test(size=(100, 24)) as pilot:
        await pilot.pause()
        yield bench, app, pilot


async def until(pilot, holds, most_s=20.0):
    """Wait until something holds; it is told by the test's own assertion where it never does."""
    for _ in range(round(most_s / 0.05)):
        await pilot.pause()
        if holds():
            return
        await asyncio.sleep(0.05)


async def test_values_move_while_the_file_grows(tmp_path):
    async with growing(tmp_path) as (bench, app, pilot):
        assert "is not there yet" in text(app)
        bench.write(log_lines(0, 4))
        await until(pilot, lambda: "3.704" in text(app))
        assert "· live ·" in text(app)
        first = app.desk.now_ns
        bench.write(log_lines(4, 6.3))
        await until(pilot, lambda: app.desk.now_ns > first)
        assert app.desk.now_s == pytest.approx(6.201)
        row = next(line for line in text(app).splitlines() if "Cell_1_01_V" in line)
        assert "3.702" in row  # tick 62


async def test_going_back_leaves_live_and_the_end_returns_to_it(tmp_path):
    async with growing(tmp_path) as (bench, app, pilot):
        bench.write(log_lines(0, 20))
        await until(pilot, lambda: "Cell_1_01_V" in text(app))
        await press(pilot, "less_than_sign")
        there = app.desk.now_ns
        assert "paused" in text(app)
        bench.write(log_lines(20, 25))
        await until(pilot, lambda: app.desk.playhead.last_ns > (BEGAN_S + 24) * 10**9)
        assert app.desk.now_ns == there
        await press(pilot, "E")
        assert "· live ·" in text(app)
        bench.write(log_lines(25, 27))
        await until(pilot, lambda: app.desk.now_s > 26)
        assert app.desk.now_s == pytest.approx(26.901)


async def test_a_new_finding_is_shown_and_rings(tmp_path, monkeypatch):
    rung = []
    monkeypatch.setattr(CellgleanApp, "bell", lambda _: rung.append("ding"))
    async with growing(tmp_path) as (bench, app, pilot):
        bench.write(log_lines(0, 8))
        await until(pilot, lambda: bench.session.judgement.not_judged or bench.codes)
        await pilot.press("t")
        rung.clear()
        bench.write(log_lines(8, 14, high_from_s=8))
        await until(pilot, lambda: "new: ◆ warning module-spread M2 C03 · and 1 more" in text(app))
        assert "new: ◆ warning module-spread M2 C03 · and 1 more" in text(app)  # channel-high is the other one
        await until(pilot, lambda: rung)
        assert rung


async def test_the_chosen_finding_stays_chosen_when_graver_ones_come(tmp_path):
    async with growing(tmp_path) as (bench, app, pilot):
        bench.session.add_note(Note("look at this", None, 0.0, Severity.NOTICE))
        bench.write(log_lines(0, 6))
        await until(pilot, lambda: "user-flag" in bench.codes)
        await pilot.press("f", "down", "up")
        app.desk.finding = bench.codes.index("user-flag")
        bench.write(log_lines(6, 14, high_from_s=6))
        await until(pilot, lambda: "module-spread" in bench.codes and app.desk.finding != 0)
        await pilot.pause()
        assert bench.codes.index("user-flag") > 0
        assert app.desk.finding == bench.codes.index("user-flag")
        assert "look at this" in text(app)


async def test_what_fell_out_of_the_window_is_gone_and_said_to_be_in_the_file(tmp_path):
    async with growing(tmp_path, window_s=5.0) as (bench, app, pilot):
        bench.write(log_lines(0, 12))
        await until(pilot, lambda: "earlier ones in the file" in text(app))
        assert "last 101 frames, earlier ones in the file" in text(app)
        await press(pilot, "less_than_sign")
        assert app.desk.now_ns == app.desk.playhead.first_ns
        bench.write(log_lines(12, 30))
        await until(pilot, lambda: app.desk.now_s > 20)
        assert app.desk.now_ns == int(app.desk.channels.frames.time_ns.min())
        assert "no longer shown" in text(app)


async def test_the_screens_stay_when_the_pipe_ends():
    reader, writer = os.pipe()
    session = live_session(small_map())
    with os.fdopen(reader, "rb") as stream:
        feed = LiveFeed(session, Follower.of_pipe(stream), Window(60.0, 1000))
        app = CellgleanApp(session, feed)
        async with app.run_test(size=(100, 24)) as pilot:
            os.write(writer, log_lines(0, 3).encode())
            os.close(writer)
            await until(pilot, lambda: "· paused" in text(app) and "Cell_1_01_V" in text(app))
            assert "Cell_1_01_V" in text(app)
            assert "· paused" in text(app)
            assert "standard input" in text(app)


async def test_a_fault_in_judging_is_told_and_what_comes_is_still_shown(tmp_path, monkeypatch):
    def fails(*_):
        raise ZeroDivisionError("no cell")

    monkeypatch.setattr("decoder.screens.live_feed.judge", fails)
    async with growing(tmp_path) as (bench, app, pilot):
        bench.write(log_lines(0, 4))
        await until(pilot, lambda: "ZeroDivisionError: no cell" in text(app))
        assert "ZeroDivisionError: no cell" in text(app)
        bench.write(log_lines(4, 6))
        await until(pilot, lambda: app.desk.now_s > 5)
        assert app.desk.now_s == pytest.approx(5.901)


async def test_trouble_with_the_file_is_shown(tmp_path):
    async with growing(tmp_path) as (bench, app, pilot):
        bench.path.write_bytes(b"BZh91AY" + bytes(20))
        await until(pilot, lambda: "bzip2" in text(app))
        assert "bzip2" in text(app)
        await pilot.press("t")
        assert "· ! " in text(app).splitlines()[-2]  # and it stays when the message is gone
