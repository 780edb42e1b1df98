"""The screens driven by keys, as a person would."""

from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from rich.cells import cell_len

from decoder.capture import read_capture
from decoder.channels import decode
from decoder.channels.states import state_at
from decoder.frames import Frames
from decoder.judgement import judge
from decoder.maps import load_map
from decoder.maps.sheet_file import load_sheet
from decoder.maps.signal_map import SignalMap
from decoder.screens.app import CellgleanApp
from decoder.screens.cells_screen import CellsScreen
from decoder.screens.detail_screen import DetailScreen
from decoder.screens.findings_screen import FindingsScreen
from decoder.screens.pages_screen import PagesScreen
from decoder.screens.session import Session
from decoder.screens.symbols import STATE_SYMBOLS
from decoder.screens.text_screens import KEY_LINES, CaptureScreen, HelpScreen
from tests.screens.small_pack import open_session, small_map

ROOT = Path(__file__).resolve().parents[2]


@asynccontextmanager
async def shown(session, size=(80, 24)):
    app = CellgleanApp(session)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        yield app, pilot


def lines(app):
    """What stands on the terminal, line by line."""
    height = app.size.height
    strips = app.screen._compositor.render_strips()
    return ["".join(segment.text for segment in strip) for strip in strips][:height]


def text(app):
    return "\n".join(lines(app))


async def press(pilot, *keys):
    await pilot.press(*keys)
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


async def type_in(pilot, words):
    for character in words:
        await pilot.press("space" if character == " " else character)
    await press(pilot, "enter")


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (250, 60)])
async def test_pages_fill_every_size_and_show_name_place_value_state(tmp_path, size):
    async with shown(open_session(tmp_path), size) as (app, _):
        page = lines(app)
        assert len(page) == size[1]
        assert all(cell_len(line) == size[0] for line in page)
        row = next(line for line in page if "Cell_2_03_V" in line)
        assert "M2 C03" in row
        assert "3.706" in row
        assert "· ok" in row
        assert "⚑" in row
        assert "4.300" in row  # the highest so far
        assert "Test pack" in page[0]


async def test_tab_turns_to_the_next_quantity_and_right_past_the_last_page(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        assert "[Cell voltages" in text(app)
        await press(pilot, "tab")
        assert "[Pack voltage and current" in text(app)
        await press(pilot, "shift+tab", "right")
        assert "[Pack voltage and current" in text(app)
        await press(pilot, "left")
        assert "[Cell voltages" in text(app)


async def test_a_small_terminal_splits_a_quantity_into_pages(tmp_path):
    async with shown(open_session(tmp_path), (80, 10)) as (app, pilot):
        assert "Cell voltages 1/2" in text(app)
        assert "Cell_2_04_V" not in text(app)
        await press(pilot, "pagedown")
        assert "Cell voltages 2/2" in text(app)
        assert "Cell_2_04_V" in text(app)
        await press(pilot, "home")
        assert "Cell voltages 1/2" in text(app)


async def test_stale_values_stand_in_brackets_with_their_age(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "tab")
        row = next(line for line in lines(app) if "Pack_A" in line)
        assert "(10.0)" in row
        assert "◷ stale" in row
        assert "5.0 s" in row


async def test_only_flagged_and_find_narrow_the_pages(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "o")
        assert "only flagged" in text(app)
        assert "Cell_2_03_V" in text(app)
        assert "Cell_1_01_V" not in text(app)
        await press(pilot, "o", "slash")
        await type_in(pilot, "CELL_1_0")
        assert "Cell_1_04_V" in text(app)
        assert "Cell_2_03_V" not in text(app)
        await press(pilot, "slash")
        await type_in(pilot, "zz")  # added to what was sought before
        assert "No channel fits" in text(app)
        await press(pilot, "escape")
        assert "Cell_2_03_V" in text(app)


async def test_sorting_by_value_downwards_puts_the_highest_first(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        app.desk.playhead.go_to(int(11e9))
        await press(pilot, "s", "s", "S", "home")
        rows = [line for line in lines(app) if "Cell_" in line]
        assert "value↓" in text(app)
        assert "Cell_2_03_V" in rows[0]
        assert "▲ high" in rows[0]


async def test_detail_shows_history_limits_frame_and_bits(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "down", "enter")
        assert isinstance(app.screen, DetailScreen)
        shown_text = text(app)
        for word in ("Cell_1_02_V", "low 2.800", "high 4.200", "identifier 311", "start bit 16, 16 bits", "hex"):
            assert word in shown_text
        bits = next(line for line in lines(app) if line.strip().startswith("bits"))
        raw = int(app.desk.channels["Cell_1_02_V"].raw[-1])
        assert bits.split()[1:5] == ["········", "········", f"{raw & 0xFF:08b}", f"{raw >> 8:08b}"]
        assert any("⠀" < character <= "⣿" for character in shown_text)
        await press(pilot, "down")
        assert "Cell_1_03_V" in text(app)
        await press(pilot, "w")
        assert app.desk.history_s == 10.0
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_cells_stand_by_module_with_spread_and_move_by_keys(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        app.desk.playhead.go_to(int(11e9))
        await press(pilot, "c")
        assert isinstance(app.screen, CellsScreen)
        assert "module 1 · mean 3.7" in text(app)
        assert "above 40 mV" in text(app)
        await press(pilot, "down", "right", "right")
        assert app.desk.selected == "Cell_2_03_V"
        assert "▲ high" in text(app)
        await press(pilot, "up", "left")
        assert app.desk.selected == "Cell_1_02_V"
        await press(pilot, "v")
        assert "volts" in lines(app)[1]
        await press(pilot, "enter")
        assert isinstance(app.screen, DetailScreen)


async def test_enter_on_a_finding_goes_to_its_moment_and_channel(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "f")
        assert isinstance(app.screen, FindingsScreen)
        number = next(n for n, f in enumerate(app.desk.findings) if f.code == "channel-high")
        await press(pilot, *["down"] * number)
        assert "channel-high" in text(app)
        assert "source:" in text(app)
        await press(pilot, "enter")
        assert isinstance(app.screen, DetailScreen)
        assert app.desk.selected == "Cell_2_03_V"
        assert 10 <= app.desk.now_s < 12


async def test_next_and_previous_finding_meet_every_finding_once(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "g")
        await type_in(pilot, "0")
        met = []
        for _ in range(len(app.desk.findings)):
            await press(pilot, "n")
            met.append(app.desk.finding)
        moved = app.desk.finding
        await press(pilot, "n")
        assert app.desk.finding == moved
        assert "no later finding" in text(app)
        assert sorted(met) == list(range(len(app.desk.findings)))
        await press(pilot, "p")
        assert app.desk.finding == met[-2]


async def test_step_leap_and_go_to_move_by_what_they_say(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "g")
        await type_in(pilot, "5.05")
        assert app.desk.now_s == pytest.approx(5.05, abs=0.01)
        await press(pilot, "full_stop")
        assert app.desk.now_s == pytest.approx(5.1)
        await press(pilot, "comma", "comma")
        assert app.desk.now_s == pytest.approx(4.9)
        await press(pilot, "greater_than_sign")
        assert app.desk.now_s == pytest.approx(14.9)
        await press(pilot, "less_than_sign")
        assert app.desk.now_s == pytest.approx(4.9)
        await press(pilot, "g")
        await type_in(pilot, "soon")
        assert "is no time" in text(app)


async def test_playing_advances_with_real_time_and_nothing_runs_while_paused(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "plus", "plus")
        assert app.desk.playhead.speed == 5
        await press(pilot, "minus", "space")  # at the end, playing begins anew
        assert app.desk.playhead.playing
        await pilot.pause(0.4)
        await press(pilot, "space")
        paused_at = app.desk.now_ns
        assert 0.3 < app.desk.now_s < 10
        assert app._timer is None
        assert "paused" in text(app)
        await pilot.pause(0.2)
        assert app.desk.now_ns == paused_at


async def test_a_note_is_shown_as_the_users_own_and_can_be_taken_back(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "m")
        await pilot.press("up")
        await type_in(pilot, "odd on the meter")
        assert "note kept" in text(app)
        await press(pilot, "f")
        row = next(line for line in lines(app) if "user-flag" in line)
        assert "yours" in row
        assert "◆ warning" in row
    async with shown(open_session(tmp_path)) as (app, pilot):  # opened anew from the files
        await press(pilot, "f")
        number = next(n for n, f in enumerate(app.desk.findings) if f.code == "user-flag")
        await press(pilot, *["down"] * number)
        assert "odd on the meter" in text(app)
        await press(pilot, "u")
        assert "user-flag" not in text(app)
    assert open_session(tmp_path).notes == ()


async def test_a_moment_can_be_marked_without_a_channel(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "M")
        await type_in(pilot, "plug pulled")
        assert [note.channel for note in app.session.notes] == [None]


async def test_a_limit_set_on_the_spot_judges_anew_and_survives(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "l")
        await pilot.press("down", *["backspace"] * 6)
        await type_in(pilot, "3.7")
        assert "limits kept" in text(app)
        row = next(line for line in lines(app) if "Cell_1_01_V" in line)
        assert "▲ high" in row
        await press(pilot, "f")
        row = next(line for line in lines(app) if "Cell_1_01_V" in line and "channel-high" in line)
        assert "yours" in row
    assert open_session(tmp_path).limits_now("Cell_1_01_V") == (pytest.approx(2.8), pytest.approx(3.7))


async def test_a_limit_that_is_no_number_is_refused_where_it_is_typed(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "l")
        await type_in(pilot, "x")
        assert "is no number" in text(app)
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_names_with_markup_and_escapes_are_shown_as_text(tmp_path):
    async with shown(open_session(tmp_path), (200, 40)) as (app, pilot):
        for _ in range(5):
            await press(pilot, "tab")
        literal = r"[red]\x1b[31mEvil[/red]"
        assert literal in text(app)
        await press(pilot, "end", "enter")
        assert literal in text(app)
        assert r"[bold]\x1b]0;owned\x07 comment" in text(app)
        await press(pilot, "m")
        assert literal in text(app)
        await type_in(pilot, "[blink]note")
        await press(pilot, "f")
        assert "[blink]note" in text(app)
        assert "\x1b" not in text(app)


async def test_help_lists_every_key_and_capture_tells_the_account(tmp_path):
    async with shown(open_session(tmp_path), (120, 60)) as (app, pilot):
        await press(pilot, "question_mark")
        assert isinstance(app.screen, HelpScreen)
        assert all(words[:30] in text(app) for _, words in KEY_LINES if words)
        await press(pilot, "escape", "i")
        assert isinstance(app.screen, CaptureScreen)
        assert f"{len(app.desk.channels.frames)} frames" in text(app)
        await press(pilot, "down", "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_light_and_dark_are_one_key_apart(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        before = text(app)
        await press(pilot, "t")
        assert app.theme == "textual-light"
        assert text(app) == before  # colours tell nothing that words do not
        await press(pilot, "t")
        assert app.theme == "textual-dark"


def inks(app):
    """The colours of the characters on the terminal."""
    return {segment.style.color for strip in app.screen._compositor.render_strips() for segment in strip}


async def test_a_screen_that_was_hidden_follows_colours_size_and_moment(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "f")
        dark, findings = inks(app), app.screen
        assert len(dark) >= 4  # plain text, titles, keys and severities
        await press(pilot, "escape", "t", "g")
        await type_in(pilot, "11")
        await pilot.resize_terminal(120, 40)
        await press(pilot, "f")
        assert app.screen is findings
        page = lines(app)
        assert len(page) == 40
        assert all(cell_len(line) == 120 for line in page)
        assert "lasts" in page[1]
        assert "11.000 s of" in text(app)
        light = inks(app)
        assert len(light) >= 4
        assert not dark & light


async def test_an_old_message_does_not_come_back_with_its_screen(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await press(pilot, "f", "u")
        assert "only a note of yours" in text(app)
        await press(pilot, "enter", "escape")
        assert isinstance(app.screen, FindingsScreen)
        assert "only a note of yours" not in text(app)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (250, 60)])
async def test_spreads_and_limits_of_modules_are_never_cut(tmp_path, size):
    async with shown(open_session(tmp_path), size) as (app, pilot):
        await press(pilot, "c")
        for module in (1, 2):
            heading = next(line for line in lines(app) if f"module {module} · mean" in line)
            assert "spread 3 mV, limit 40 mV" in heading[heading.index(f"module {module} · mean") :]
            assert "…" not in heading


@pytest.mark.parametrize("theme", ["textual-dark", "textual-light"])
@pytest.mark.parametrize("size", [(80, 24), (120, 40), (250, 60)])
async def test_each_column_title_stands_over_its_column(tmp_path, size, theme):
    async with shown(open_session(tmp_path), size) as (app, pilot):
        app.theme = theme
        await press(pilot, "down")
        page = lines(app)
        head = next(line for line in page if "place↑" in line)
        row = next(line for line in page if "Cell_1_01_V" in line)
        value_ends = head.index("value") + len("value")
        assert row[:value_ends].endswith(" 3.704")
        assert row[head.index("unit") :].startswith("V ")
        assert row[head.index("state") :].startswith("· ok ")
        assert row[: head.index("highest") + len("highest")].endswith(" 3.704")
        assert row[: head.index("lowest") + len("lowest")].endswith(" 3.700")
        assert row[head.index("place") :].startswith("M1 C01 ")
        assert row[: head.index("age") + len("age")].endswith(" ms")


async def test_the_demo_shows_every_quantity_and_a_symbol_and_word_for_each_state():
    sheet = load_sheet(ROOT / "signal_maps/harbour_shuttle.toml")
    signal_map = load_map(ROOT / "signal_maps/harbour_shuttle.dbc")
    channels = decode(read_capture(ROOT / "captures/harbour_shuttle.log.xz"), signal_map, sheet)
    async with shown(Session(channels, judge(channels)), (120, 40)) as (app, pilot):
        visited, rows = [], {}
        for _ in app.desk.titles:
            assert f"[{app.desk.title_now.title}" in text(app)
            visited.append(app.desk.title_now.title)
            page = lines(app)
            for line in page:
                if line[2:].split(" ")[0] in channels:
                    rows[line[2:].split(" ")[0]] = line
            await press(pilot, "tab")
        assert visited == [title.title for title in app.desk.titles]
        assert len(visited) > 5
        assert len(rows) > 60
        for name, row in rows.items():
            state = state_at(channels[name], app.desk.now_ns)
            assert f" {STATE_SYMBOLS[state]} {state.word} " in row
        await press(pilot, "f")
        codes = {finding.code for finding in app.desk.findings}
        assert len(codes) >= 5
        assert all(code in text(app) for code in codes)
        await press(pilot, "c")
        assert len({line for line in lines(app) if " · mean " in line}) == 3  # two modules side by side


async def test_without_a_map_the_pages_say_what_to_do_and_all_keys_are_safe(tmp_path):
    channels = decode(open_session(tmp_path).channels.frames, SignalMap())
    async with shown(Session(channels, judge(channels))) as (app, pilot):
        assert "no signal map is open" in text(app)
        await press(pilot, "right", "left", "down", "tab", "s", "o", "n", "p", "m", "l", "enter", "full_stop")
        await press(pilot, "c", "down", "right", "escape", "f", "down", "enter", "x", "escape", "i")
        assert "nothing is decoded" in text(app)


async def test_an_empty_capture_is_shown_and_all_keys_are_safe():
    channels = decode(Frames.empty(("can0",)), small_map())
    async with shown(Session(channels, judge(channels))) as (app, pilot):
        await press(pilot, "space", "full_stop", "comma", "greater_than_sign", "n", "p", "c", "escape", "f", "i")
        assert "0 frames" in text(app)


async def test_q_quits(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await pilot.press("q")
        await pilot.pause()
        assert not app.is_running
