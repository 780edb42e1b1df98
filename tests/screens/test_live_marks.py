"""Marks set while a capture is written, beside the file that it is written to."""

import pytest

from decoder.discovery.marks import Mark, load_marks
from decoder.screens.app import CellgleanApp
from decoder.screens.timeline import MARK
from tests.screens.test_app import press, text, type_in
from tests.screens.test_live_feed import Bench, log_lines


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path, window_s=10.0)
    yield made
    made.follower.close()


async def test_a_mark_counts_from_the_first_frame_ever_and_the_moment_goes_on_with_the_capture(bench):
    app = CellgleanApp(bench.session)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        assert app.book.marks == ()  # asked for before the first frame
        bench.write(log_lines(0, 8))
        bench.steps()
        await pilot.pause()
        await press(pilot, "h")
        bench.write(log_lines(8, 16))  # what comes while the label is typed
        bench.steps()
        await type_in(pilot, "plug pulled")
        path = bench.path.with_name(bench.path.name + ".marks.csv")
        (first,) = load_marks(path, 0)
        assert first == Mark(pytest.approx(7.9, abs=0.01), "plug pulled")
        assert app.desk.is_live
        assert app.desk.now_s > 15
        assert f"{MARK}plug pulled" in text(app)

        bench.write(log_lines(16, 40))  # the first frame falls out of the window, and so does the mark
        bench.steps()
        await press(pilot, "left_parenthesis")
        assert MARK not in text(app)
        assert app.desk.is_live
        await press(pilot, "h")
        await type_in(pilot, "plug back")
        assert load_marks(path, 0) == (first, Mark(pytest.approx(39.9, abs=0.01), "plug back"))


async def test_a_loop_holds_the_moment_while_the_capture_goes_on(bench):
    app = CellgleanApp(bench.session)
    async with app.run_test(size=(100, 30)) as pilot:
        now_ns = [0]
        app.desk.playhead.clock = lambda: now_ns[0]
        bench.write(log_lines(0, 6))
        bench.steps()
        await pilot.pause()
        await press(pilot, "z", "space")
        loop = app.desk.playhead.loop
        assert loop is not None
        bench.write(log_lines(6, 9))
        bench.steps()
        now_ns[0] += 20_000_000_000
        await press(pilot, "space")
        assert loop[0] <= app.desk.now_ns < loop[1] < app.desk.playhead.last_ns
        await press(pilot, "z", "E")
        assert app.desk.is_live
