"""The screen of questions and answers, driven by keys."""

from dataclasses import replace

import pytest
from rich.cells import cell_len

from decoder.screens import exchanges_screen
from decoder.screens.exchanges_screen import ExchangesScreen, column_widths, room_for
from decoder.screens.pages_screen import PagesScreen
from decoder.screens.session import Talk
from decoder.screens.text_screens import CaptureScreen
from decoder.transport.exchange import End, Exchange
from decoder.transport.identity import IdentityRow
from tests.screens.small_pack import open_session
from tests.screens.small_talk import POLLS, VIN
from tests.screens.test_app import lines, press, shown, text, type_in

# The small pack's first frame comes at 0.001 s; the conversation begins at 1 s.
SIZES = [(80, 24), (120, 40), (200, 55)]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("theme", ["textual-dark", "textual-light"])
async def test_list_identity_and_the_chosen_one_stand_on_one_screen(tmp_path, size, theme):
    async with shown(open_session(tmp_path, talk=True), size) as (app, pilot):
        app.theme = theme
        await press(pilot, "x")
        assert isinstance(app.screen, ExchangesScreen)
        page = lines(app)
        assert len(page) == size[1]
        assert all(cell_len(line) == size[0] for line in page)
        assert f"{POLLS + 8} exchanges: {POLLS + 5} answered" in text(app)
        row = next(line for line in page if line.startswith(">"))
        for word in ("0.999 s", "6E2 → 6EA", "22 F187", "5.0", "answered", "text 'HS-PK-TEST-1'"):
            assert word in row
        assert "vehicle manufacturer spare part" in text(app)
        assert "62 F1 87 48 53" in text(app)
        assert "SN-0007" in text(app)  # identity
        head = next(line for line in page if "from → to" in line)
        for title, words in (("from → to", "6E2 → 6EA"), ("asked", "22 F187"), ("outcome", "answered")):
            assert row[head.index(title) :].startswith(words)
        assert row[: head.index("took ms") + len("took ms")].endswith(" 5.0")


async def test_moving_puts_the_playhead_on_the_moment_and_enter_shows_the_channels_there(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "x", "down", "down", "down")
        assert app.desk.now_s == pytest.approx(1.299)
        assert "P0AA6-17" in text(app)
        await press(pilot, "up", "enter")
        assert isinstance(app.screen, PagesScreen)
        assert app.desk.now_s == pytest.approx(1.199)
        assert "at 1.199 s: 22 read data by identifier · F190" in text(app)
        await press(pilot, "x")
        assert next(line for line in lines(app) if line.startswith(">")).split()[1:3] == ["1.199", "s"]


async def test_opening_the_list_leaves_the_moment_where_it_is(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        before = app.desk.now_ns
        await press(pilot, "x")
        assert app.desk.now_ns == before


async def test_pages_turn_and_home_and_end_lead_to_the_ends(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "x", "right")
        assert "page 2 of" in text(app)
        await press(pilot, "end")
        assert app.desk.now_s == pytest.approx(1.999 + (POLLS - 1) * 0.2)
        await press(pilot, "home")
        assert "page 1 of" in text(app)


async def test_only_failed_and_find_narrow_the_list_and_escape_takes_them_off_first(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "x", "o")
        assert f"3 of {POLLS + 8} exchanges" in text(app)
        assert "only failed" in text(app)
        assert "security access denied" in text(app)
        await press(pilot, "slash")
        await type_in(pilot, "F187")
        assert "No exchange fits" in text(app)
        await press(pilot, "escape")
        assert f"{POLLS + 8} exchanges:" in text(app)
        await press(pilot, "slash")
        await type_in(pilot, "F187")
        assert f"2 of {POLLS + 8} exchanges" in text(app)
        assert "holds 'F187'" in text(app)
        await press(pilot, "escape", "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_v_shows_one_in_full_and_further_ones_can_be_chosen(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "x", "end", "v")
        assert "from → to" not in text(app)
        last = app.session.talk.exchanges[-1].answer.hex(" ").upper()
        assert last.replace(" ", "") in text(app).replace(" ", "").replace("\n", "")
        before = app.desk.now_ns
        await press(pilot, "up")
        assert app.desk.now_ns < before
        await press(pilot, "escape")
        assert "from → to" in text(app)


async def test_an_answer_longer_than_the_screen_is_read_page_by_page(tmp_path):
    session = open_session(tmp_path, talk=True)
    talk = session.talk
    data = bytes(range(256)) * 4
    long = replace(talk.exchanges[-1], answer=b"\x62\x01\x04" + data)
    session._talk = Talk(talk.frames, talk.transfers, (long, *talk.exchanges), ())
    async with shown(session) as (app, pilot):
        await press(pilot, "x")
        assert "more lines: v shows all" in text(app)
        await press(pilot, "v")
        pages = [lines(app)]
        while "more lines" in text(app):
            await press(pilot, "right")
            pages.append(lines(app))
        assert len(pages) == 3
        hexes = [line[9:].strip() for page in pages for line in page if line.startswith(" " * 9)]
        seen = " ".join(dict.fromkeys(line for line in hexes if "more lines" not in line))
        assert data[40:].hex(" ").upper() in seen
        await press(pilot, "left", "left", "left")
        assert lines(app) == pages[0]


@pytest.mark.parametrize("size", SIZES)
async def test_a_vehicle_identification_number_is_hidden_on_every_screen_unless_asked_for(tmp_path, size):
    for show_vin in (False, True):
        async with shown(open_session(tmp_path, talk=True, show_vin=show_vin), size) as (app, pilot):
            await press(pilot, "x", "down", "down")
            seen = [text(app)]
            await press(pilot, "v")
            seen.append(text(app))
            await press(pilot, "escape", "i")
            assert isinstance(app.screen, CaptureScreen)
            seen.append(text(app))
            for page in seen:
                assert (VIN.decode() in page) is show_vin or "identification number" not in page
                assert (VIN.hex(" ").upper()[20:40] in page) <= show_vin
            assert (VIN.decode() in seen[0]) is show_vin


async def test_the_capture_screen_shows_what_to_quote(tmp_path):
    async with shown(open_session(tmp_path, talk=True), (120, 40)) as (app, pilot):
        await press(pilot, "i")
        assert "vehicle manufacturer spare part number HS-PK-TEST-1 (F187, from 6EA)" in text(app)
        assert f"{POLLS + 8} exchanges: " in text(app)


async def test_without_questions_the_screen_says_what_that_can_mean_and_all_keys_are_safe(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "x")
        assert "No questions and answers in this capture" in text(app)
        await press(pilot, "down", "right", "end", "v", "o", "enter", "v", "escape")
        assert isinstance(app.screen, ExchangesScreen)
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_a_key_that_comes_before_all_is_put_together_does_no_harm(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        app.session._talk = None
        await pilot.press("x", "down", "right", "o", "o")
        await press(pilot, "home")
        assert f"{POLLS + 8} exchanges:" in text(app)


async def test_names_from_the_capture_are_shown_as_text(tmp_path):
    session = open_session(tmp_path, talk=True)
    talk = session.talk
    evil = Exchange(
        time_ns=0,
        bus="[red]\x1b[31m",
        asker=None,
        answerer=End(0x6EA, extended=False),
        service=0x22,
        identifier=0xF187,
        name="read data by identifier",
        request=None,
        answer=b"\x62\xf1\x87[blink]x[/blink]",
        outcome="answered",
    )
    session._talk = Talk(talk.frames, talk.transfers, (evil,), ())
    async with shown(session, (120, 40)) as (app, pilot):
        await press(pilot, "x")
        assert "[blink]x[/blink]" in text(app)
        assert r"[red]\x1b[31m" in text(app)
        assert "\x1b" not in text(app)


async def test_of_a_hundred_thousand_exchanges_only_those_on_the_page_are_written(tmp_path, monkeypatch):
    session = open_session(tmp_path, talk=True)
    talk = session.talk
    session._talk = Talk(talk.frames, talk.transfers, talk.exchanges * (100_000 // len(talk.exchanges)), talk.identity)
    written = []
    says_words = exchanges_screen.says_words
    monkeypatch.setattr(
        exchanges_screen, "says_words", lambda *what, **how: written.append(what) or says_words(*what, **how)
    )
    async with shown(session, (120, 40)) as (app, pilot):
        await press(pilot, "x")
        view = app.screen.view
        for key in ("end", "left", "up", "home", "down"):
            await pilot.press(key)
            written.clear()
            view.lines_for(120, 36)
            assert len(written) <= 36
        await press(pilot, "o", "end")
        assert "of 99,978 exchanges" in text(app)


@pytest.mark.parametrize("width", range(60, 260, 7))
@pytest.mark.parametrize("sides", [0, 9, 19, 23])
def test_columns_fill_the_width_and_leave_room_for_what_is_said(width, sides):
    widths = column_widths(width, sides)
    gap = 2 if width >= 100 else 1
    used = 1 + sum(widths) + gap * (sum(1 for one in widths if one) - 1)
    assert used <= width
    assert widths[-1] >= (18 if width >= 80 else 0)
    assert all(one > 0 for number, one in enumerate(widths[:-1]) if number not in {3, 4})


@pytest.mark.parametrize("height", range(1, 80))
@pytest.mark.parametrize("identities", [0, 1, 5, 40])
def test_the_parts_fill_the_height_and_the_list_keeps_a_row(height, identities):
    room = room_for(height, identities, whole=False)
    assert room.rows >= 1
    if height >= 3:
        assert room.identity + room.rows + room.full + 2 == height
    if height >= 14:
        assert room.full >= 7
        assert room.rows >= 4


def test_more_identities_than_there_is_room_for_are_counted():
    from decoder.screens.exchanges_screen import identity_lines

    rows = [
        IdentityRow("can0", End(0x6EA, extended=False), 0x22, 0xF100 + n, "maker's own", f"NUMBER-{n:02d}", 0)
        for n in range(20)
    ]
    for width in (80, 120):
        for height in (1, 5, 21):
            made = identity_lines(rows, width, height)
            assert len(made) <= height
            whole = "\n".join("".join(part for part, _ in line.parts) for line in made)
            assert all(cell_len(one) <= width for one in whole.split("\n"))
            named = whole.count("NUMBER-")
            assert named == 20 or f"{20 - named}" in whole
