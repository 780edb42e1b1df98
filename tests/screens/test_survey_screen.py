"""The screen of what is on the wire, driven by keys."""

import pytest
from rich.cells import cell_len

from decoder.channels import decode
from decoder.frames import ERROR, FD, REMOTE, Frames
from decoder.judgement import judge
from decoder.maps.signal_map import SignalMap
from decoder.screens import survey_screen
from decoder.screens.bench_screen import BenchScreen
from decoder.screens.detail_screen import DetailScreen
from decoder.screens.pages_screen import PagesScreen
from decoder.screens.session import Session
from decoder.screens.survey_screen import Needs, SurveyScreen, column_widths
from decoder.screens.text_screens import HelpScreen
from tests.building import capture
from tests.screens.small_pack import BAD_NAME, open_session
from tests.screens.test_app import lines, press, shown, text, type_in

SIZES = [(80, 24), (120, 40), (200, 55)]


def two_buses():
    """No map; a long payload on a bus of its own, frames of every kind, one identifier that was heard once."""
    rows = [(0.01 * n, 0x100, bytes([n % 256, 0, 7, n % 3])) for n in range(300)]
    rows += [(0.01 * n + 0.001, 0x18FF50E5, bytes([n % 256] * 8), 1) for n in range(300)]
    rows += [(0.5 + 0.1 * n, 0x055, bytes([n] * 64), 1, FD) for n in range(3)]
    rows += [(1.5, 0x7FF, b"\x01\x02"), (1.6, 0x200, b"", 0, REMOTE), (1.7, 4, bytes(8), 1, ERROR)]
    channels = decode(capture(sorted(rows, key=lambda row: row[0]), ("can0", "can1")), SignalMap())
    return Session(channels, judge(channels))


def chosen(app):
    return next(line for line in lines(app) if line.startswith(">"))


def column(app, title):
    """Where a column's title begins, and where it ends."""
    head = next(line for line in lines(app) if "period" in line and "jitter" in line)
    return head.index(title), head.index(title) + len(title)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("theme", ["textual-dark", "textual-light"])
async def test_load_list_and_the_chosen_one_stand_on_one_screen(tmp_path, size, theme):
    async with shown(open_session(tmp_path, talk=True), size) as (app, pilot):
        app.theme = theme
        await press(pilot, "b")
        assert isinstance(app.screen, SurveyScreen)
        page = lines(app)
        assert len(page) == size[1]
        assert all(cell_len(line) == size[0] for line in page)
        assert page[1].startswith(" can0 · 5 ids · ")
        assert "% of 500 kbit/s" in page[1]
        assert chosen(app)[1:4] == "120"
        await press(pilot, "down")
        row = chosen(app)
        assert row[column(app, "id")[0] :].startswith("311")
        assert row[: column(app, "frames")[1]].endswith(" 200")
        assert "100.0 ± 0.0" in row
        assert row[column(app, "±")[0]] == "±"
        assert row[: column(app, "bytes")[1]].endswith(" 8")
        assert row[column(app, "changing")[0] :].startswith("▄·▄·▄·▄·")
        assert row[column(app, "message")[0] :].startswith("Cells_1")
        assert "every 100.0 ± 0.0 ms" in text(app)
        assert "····████ ········ " in text(app)
        assert "Cells_1, 4 signals" in text(app)
        assert "…" not in "".join(page[:20])


@pytest.mark.parametrize("size", SIZES)
async def test_two_buses_have_a_line_each_and_a_column_that_tells_them_apart(size):
    async with shown(two_buses(), size) as (app, pilot):
        await press(pilot, "b", "end")
        page = lines(app)
        assert page[1].startswith(" can0 · 2 ids · 302 frames (1 remote) · load ")
        assert page[2].startswith(" can1 · 2 ids · 304 frames (1 error, 3 CAN FD) · load ")
        assert chosen(app).startswith(">can1 ")
        assert "18FF50E5" in chosen(app)
        assert "one frame only" in next(line for line in page if " 7FF " in line)
        assert "no signal map is open" in text(app)


async def test_sorting_marks_the_column_and_its_order(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "b", "s")
        assert "frames↑" in text(app)
        assert "sorted by frames" in text(app)
        await press(pilot, "S", "home")
        assert "frames↓" in text(app)
        assert chosen(app).split()[0] == ">6EA"
        for mark in ("↓period", "bits↓", "load %↓", "open/s↑", "id↓"):
            await press(pilot, "s")
            assert mark in text(app)
        assert [line[1:4] for line in lines(app)[3:8]] == ["6EA", "6E2", "312", "311", "120"]


async def test_find_narrows_the_list_and_escape_takes_it_off_first(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "b", "slash")
        await type_in(pilot, "cell_2")
        assert "1 of 5 hold 'cell_2'" in text(app)
        assert chosen(app).startswith(">312")
        await press(pilot, "slash")
        await type_in(pilot, "zz")
        assert "No identifier fits" in text(app)
        await press(pilot, "down", "enter", "v", "escape", "escape")
        assert isinstance(app.screen, SurveyScreen)
        assert "hold" not in text(app)
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_enter_shows_the_first_channel_and_escape_leads_back(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "b", "down", "down", "enter")
        assert isinstance(app.screen, DetailScreen)
        assert app.desk.selected == "Cell_2_01_V"
        await press(pilot, "escape")
        assert isinstance(app.screen, SurveyScreen)
        assert chosen(app).startswith(">312")
        await press(pilot, "down", "enter")
        assert isinstance(app.screen, BenchScreen)
        assert "6E2" in text(app)
        await press(pilot, "escape")
        assert isinstance(app.screen, SurveyScreen)


async def test_v_shows_one_in_full_and_long_ones_are_read_page_by_page():
    async with shown(two_buses()) as (app, pilot):
        await press(pilot, "b", "down", "down")
        assert "more lines: v shows all" in text(app)
        await press(pilot, "v")
        assert "jitter ms" not in text(app)
        seen = text(app)
        while "more lines" in text(app):
            await press(pilot, "right")
            seen += text(app)
        assert all(f"byte {at} " in seen for at in range(64))
        await press(pilot, "up")
        assert "7FF on can0" in text(app)
        await press(pilot, "escape")
        assert chosen(app).startswith(">can0 7FF")


async def test_pages_turn_and_home_and_end_lead_to_the_ends():
    rows = [(0.001 * n, 0x100 + n % 30, bytes(8)) for n in range(600)]
    channels = decode(capture(rows), SignalMap())
    async with shown(Session(channels, judge(channels))) as (app, pilot):
        await press(pilot, "b")
        assert "page 1 of 4" in text(app)
        await press(pilot, "right")
        assert "page 2 of 4" in text(app)
        assert chosen(app).startswith(">108")
        await press(pilot, "end")
        assert chosen(app).startswith(">11D")
        assert "page 4 of 4" in text(app)
        await press(pilot, "home")
        assert "page 1 of 4" in text(app)


@pytest.mark.parametrize("size", [(80, 8), (80, 12), (40, 10), *SIZES])
async def test_an_empty_capture_says_what_that_can_mean_and_all_keys_are_safe(size):
    channels = decode(Frames.empty(("can0",)), SignalMap())
    async with shown(Session(channels, judge(channels)), size) as (app, pilot):
        await press(pilot, "b")
        assert "No identifier: the capture" in text(app)
        assert "load not known" in text(app)
        await press(pilot, "down", "right", "end", "s", "S", "enter", "v", "v", "slash", "escape")
        assert isinstance(app.screen, SurveyScreen)
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


@pytest.mark.parametrize("size", [(80, 6), (80, 9), (80, 14), (60, 20), (40, 10)])
async def test_a_small_terminal_still_shows_the_chosen_one(size):
    async with shown(two_buses(), size) as (app, pilot):
        await press(pilot, "b")
        for _ in range(3):
            await press(pilot, "down")
            assert len(lines(app)) == size[1]
        await press(pilot, "v", "right", "left", "escape", "home", "end")
        if size[1] >= 9:
            assert chosen(app).startswith(">can1 18FF50E5")


async def test_a_key_that_comes_before_the_capture_is_surveyed_does_no_harm(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        app.session._talk = app.session._wire = app.session._bench = None
        await pilot.press("b", "down", "right", "v", "v", "s", "enter")
        await press(pilot, "b", "home")
        assert " can0 · 5 ids · " in text(app)


async def test_a_newer_state_of_the_capture_shows_while_the_screen_is_open(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "b")
        assert " can0 · 3 ids · " in text(app)
        newer = open_session(tmp_path, talk=True)
        app.session.replace(newer.channels, newer.judgement)
        await pilot.pause()
        await press(pilot, "home")
        assert " can0 · 5 ids · " in text(app)


async def test_names_from_map_and_capture_are_shown_as_text(tmp_path):
    session = open_session(tmp_path)
    frames = session.channels.frames
    channels = decode(
        Frames(
            **{**{name: getattr(frames, name) for name in frames.__dataclass_fields__}, "bus_names": ("[b]\x1b[1m",)}
        ),
        session.channels.signal_map,
    )
    async with shown(Session(channels, judge(channels)), (120, 40)) as (app, pilot):
        await press(pilot, "b", "slash")
        await type_in(pilot, "evil")
        assert chosen(app).startswith(">120")
        assert r"[b]\x1b[1m · 3 ids" in text(app)
        assert BAD_NAME.replace("\x1b", r"\x1b") in text(app)
        assert "\x1b" not in text(app)


async def test_of_many_identifiers_only_those_on_the_page_are_written(monkeypatch):
    rows = [(0.0001 * n, 0x10000 + n, bytes(8)) for n in range(5000)]
    channels = decode(capture(rows), SignalMap())
    written = []
    row_of = survey_screen.row_of
    monkeypatch.setattr(survey_screen, "row_of", lambda *what, **how: written.append(what) or row_of(*what, **how))
    async with shown(Session(channels, judge(channels)), (120, 40)) as (app, pilot):
        await press(pilot, "b")
        view = app.screen.view
        for key in ("end", "left", "up", "s", "home", "down"):
            await pilot.press(key)
            written.clear()
            view.lines_for(120, 36)
            assert 0 < len(written) <= 36


@pytest.mark.parametrize("buses", [1, 40])
async def test_many_buses_leave_room_for_the_list(buses):
    names = tuple(f"can{n}" for n in range(buses))
    rows = [(0.01 * n, 0x100 + n, bytes(8), n % buses) for n in range(80)]
    channels = decode(capture(rows, names), SignalMap())
    async with shown(Session(channels, judge(channels))) as (app, pilot):
        await press(pilot, "b", "end")
        assert ">" in "".join(line[0] for line in lines(app))
        assert ("… 38 more buses" in text(app)) is (buses == 40)


@pytest.mark.parametrize("width", range(60, 260, 7))
@pytest.mark.parametrize("sort", ["identifier", "load"])
@pytest.mark.parametrize(
    "needs",
    [
        Needs(bus=0, identifier=3, frames=3, burst=0, marks=8, transport=0, message=0),
        Needs(bus=12, identifier=8, frames=9, burst=5, marks=64, transport=9, message=30),
        Needs(bus=2, identifier=8, frames=5, burst=5, marks=8, transport=9, message=3),
    ],
)
def test_columns_fit_the_width_and_what_tells_most_always_shows(width, sort, needs):
    widths = column_widths(width, needs, sort)
    gap = 2 if width >= 100 else 1
    shown_ones = [one for one in widths.values() if one]
    always = all(widths[field] for field in ("identifier", "frames", "period", "bits", "marks"))
    assert always
    assert bool(widths["bus"]) == bool(needs.bus)
    if width >= 81:
        assert 1 + sum(shown_ones) + gap * (len(shown_ones) - 1) <= width
    if width >= 88:
        assert widths["load"] or sort != "load"
        assert bool(widths["message"]) == bool(needs.message) or sort == "load"


@pytest.mark.parametrize(
    ("opens", "own", "others"),
    [
        ("", "past the last comes the next quantity", "only failed ones"),
        ("b", "changing bits, load, open; S turns", "past the last comes the next quantity"),
        ("x", "only failed ones, or all", "past the last comes the next quantity"),
        ("f", "the gravest, the mildest", "past the last comes the next quantity"),
        ("c", "module before, next module", "past the last comes the next quantity"),
    ],
)
async def test_help_begins_with_the_keys_of_the_screen_it_was_asked_on(tmp_path, opens, own, others):
    async with shown(open_session(tmp_path, talk=True), (160, 60)) as (app, pilot):
        await press(pilot, *opens, "question_mark")
        assert isinstance(app.screen, HelpScreen)
        assert own in text(app)
        assert others not in text(app)
        assert "what is on the bus: each identifier" in text(app)
        await press(pilot, "question_mark")
        assert own in text(app)
        await press(pilot, "x", "question_mark")
        assert "only failed ones, or all" in text(app)
