"""The mapping bench, driven by keys: from a capture that nobody explained to a map that shows the weak cell."""

import gc
import json
from pathlib import Path

import numpy as np
import pytest
from rich.cells import cell_len

from decoder.bits import Field, field_of_frame
from decoder.capture import read_capture
from decoder.channels import decode
from decoder.discovery.workbench import bench as bench_module
from decoder.discovery.workbench.sample import sampled
from decoder.discovery.workbench.work_file import WorkFile
from decoder.frames import Frames
from decoder.judgement import judge
from decoder.maps import load_map, load_sheet
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import SignalMap
from decoder.screens.bench_screen import BenchScreen
from decoder.screens.choose import Choose
from decoder.screens.detail_screen import DetailScreen
from decoder.screens.form import Form
from decoder.screens.pages_screen import PagesScreen
from decoder.screens.session import Session
from decoder.screens.survey_screen import SurveyScreen
from decoder.screens.text_screens import HelpScreen
from tests.building import capture
from tests.screens.small_pack import open_session, small_frames
from tests.screens.test_app import lines, press, shown, text, type_in

ROOT = Path(__file__).resolve().parents[2]
SIZES = [(80, 24), (120, 40), (200, 55)]
DEMO_S = 20


def unknown(frames=None, path=None):
    """A session over a capture without a map."""
    channels = decode(small_frames() if frames is None else frames, SignalMap())
    return Session(channels, judge(channels), capture_path=None if path is None else str(path))


def paged_frames():
    """Cells of two modules on five pages of an index, three a page, 13 bits each; the index counts round."""
    rows = []
    for n in range(400):
        page = n % 5
        volts = [3700 + 10 * page + cell + n // 40 for cell in range(3)]
        bits = f"{page:08b}" + "".join(f"{volt:013b}" for volt in volts)
        rows.append((n / 100, 0x330, int(bits.ljust(64, "1"), 2).to_bytes(8, "big")))
    return capture(rows)


def moving_cells():
    """Cells of 16 bits at 0x311, 1 mV a step, each with a course of its own; the second one was read by a meter."""
    rows = []
    for n in range(600):
        volts = [round(3700 + 200 * np.sin(n / (60 + 9 * cell)) + cell) for cell in range(4)]
        rows.append((n / 10, 0x311, b"".join(volt.to_bytes(2, "big") for volt in volts)))
        rows.append((n / 10 + 0.01, 0x320, bytes([n % 256, n // 3 % 256])))
    return capture(rows)


READ = tuple(
    (time_s, f"{(3700 + 200 * np.sin(time_s * 10 / 69) + 1) / 1000:.3f}") for time_s in (7.3, 19.1, 33.7, 51.2)
)


async def open_bench(pilot, identifier):
    """Open an identifier on the bench by keys."""
    await press(pilot, "b", "slash")
    await type_in(pilot, identifier)
    await press(pilot, "o")
    assert isinstance(pilot.app.screen, BenchScreen)


async def fill_in(pilot, **answers):
    """Give answers in the form that is open, from line to line, as a person would."""
    form = pilot.app.screen
    assert isinstance(form, Form)
    for one in form.asked:
        if one.key in answers:
            await pilot.press("end", *["backspace"] * len(pilot.app.focused.value))
            for character in answers[one.key]:
                await pilot.press("space" if character == " " else character)
        await pilot.press("down")
    await press(pilot, "enter")


def row_of_chosen(app):
    marks = (">●", ">○", ">■")
    return next(line[line.index(mark) :] for line in lines(app) for mark in marks if mark in line)


async def go_down_to(pilot, words):
    """Choose the field whose row holds some words."""
    for _ in range(60):
        if words in row_of_chosen(pilot.app):
            return
        await press(pilot, "down")
    raise AssertionError(words)


def work(app):
    return app.session.bench.work


# The whole way


async def test_from_an_unknown_capture_to_a_map_that_shows_the_weak_cell(tmp_path):
    log = tmp_path / "boat.log"
    frames = read_capture(ROOT / "captures" / "harbour_shuttle.log.xz", to_s=DEMO_S)
    async with shown(unknown(frames, log), (120, 40)) as (app, pilot):
        assert "b: what is" in text(app)
        await open_bench(pilot, "310")
        assert "16 bits, big-endian, unsigned" in text(app)
        await press(pilot, "y")
        await type_in(pilot, "cell v")
        await press(pilot, "e")
        await fill_in(pilot, place="m1 c1", module="14")
        assert "42 fields: 310 7|16@0+ is M1 C01 … 31A 23|16@0+ is M3 C14" in text(app)
        await press(pilot, "slash")
        await type_in(pilot, "330")
        await go_down_to(pilot, "10|8@0+ =0")
        await press(pilot, "shift+tab", *["left"] * 5, "y")
        await type_in(pilot, "cell v")
        await press(pilot, "e")
        await fill_in(pilot, place="m4 c1", module="14", anew="yes")
        assert "42 fields: 330 15|13@0+ =0 is M4 C01 … 330 18|13@0+ =14 is M6 C14" in text(app)
        await press(pilot, "S", "enter")
        assert "84 channels written to boat.log.dbc" in text(app)
        assert len(app.session.channels.of("cell voltage")) == 84
        await press(pilot, "escape", "escape", "escape")
        assert isinstance(app.screen, PagesScreen)
        assert "Cell_1_01_V" in text(app)
        await press(pilot, "f")
        assert "M4 C11" in text(app)
    by_map = decode(frames, load_map(f"{log}.dbc"), load_sheet(f"{log}.sheet.toml"))
    truth = decode(
        frames,
        load_map(ROOT / "signal_maps" / "harbour_shuttle.dbc"),
        load_sheet(ROOT / "signal_maps" / "harbour_shuttle.toml"),
    )
    mine = {one.channel.place: one for one in by_map.of("cell voltage")}
    theirs = {one.channel.place: one for one in truth.of("cell voltage") if not one.channel.is_assembled}
    assert mine.keys() == theirs.keys()
    assert all((mine[place].raw == theirs[place].raw).all() for place in mine)
    weak = [one.place for one in judge(by_map).findings if one.code == "module-spread"]
    assert Place(4, 11) in weak


async def test_pages_of_a_multiplexor_become_cells_by_keys_alone(tmp_path):
    log = tmp_path / "pages.log"
    async with shown(unknown(paged_frames(), log)) as (app, pilot):
        await open_bench(pilot, "330")
        await press(pilot, "a", "tab", *["left_square_bracket"] * 8, "j")
        assert work(app).meaning.multiplexor
        assert work(app).at.field == Field(7, 8, "big")
        await press(pilot, "a", "shift+tab", *["right"] * 5, "enter")
        await fill_in(pilot, under="0")
        await press(pilot, "y")
        await type_in(pilot, "cell v")
        await press(pilot, "e")
        await fill_in(pilot, place="m1 c1", count="3", module="5", most="10")
        assert [one.place.cell for one in work(app).meanings[1:]] == [1, 2, 3, 4, 5] * 2
        await press(pilot, "S", "enter")
        assert "11 channels written" in text(app)
    channels = decode(paged_frames(), load_map(f"{log}.dbc"))
    assert channels["Cell_1_01_V"].number[0] == pytest.approx(3.700)
    assert channels["Cell_2_05_V"].number[0] == pytest.approx(3.730)


# Keys


async def test_a_found_field_becomes_mine_by_any_edit_and_undo_gives_it_back(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        assert "○ found" in row_of_chosen(app)
        before = row_of_chosen(app)
        await press(pilot, "s")
        assert "● mine" in row_of_chosen(app)
        assert work(app).at.field.signed
        await press(pilot, "u")
        assert row_of_chosen(app) == before
        assert "undone; U does it again" in text(app)
        await press(pilot, "u")
        assert "nothing to undo" in text(app)
        await press(pilot, "U")
        assert "● mine" in row_of_chosen(app)
        await press(pilot, "U")
        assert "nothing to do again" in text(app)


async def test_ends_move_by_bits_and_bytes_with_plain_keys_and_with_shift(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "home", "a")
        field = work(app).at.field
        assert "a new field" in text(app)
        await press(pilot, "right", "right", "left")
        assert work(app).at.field.length == field.length + 1
        await press(pilot, "right_square_bracket")
        assert work(app).at.field.length == field.length + 9
        await press(pilot, "shift+left", "left")
        assert work(app).at.field == field
        await press(pilot, "tab")
        assert "the arrows move: whole field" in text(app)
        await press(pilot, "right")
        assert work(app).at.field.length == field.length
        await press(pilot, "tab")
        assert "the arrows move: begin" in text(app)
        await press(pilot, "left_square_bracket", "left_square_bracket", "left_square_bracket")
        assert work(app).at.field.length > field.length
        await press(pilot, *["left"] * 20, *["left_square_bracket"] * 9)
        assert work(app).at.field.last_byte < 8
        before = work(app).at.field.byte_order
        await press(pilot, "o")
        assert work(app).at.field.byte_order != before


async def test_the_channel_shown_is_that_of_the_field_as_it_is_now(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        frames = app.session.channels.frames
        payload = frames.payload(int(np.flatnonzero(frames.can_id == 0x311)[-1]))
        await press(pilot, "enter", "y")
        await type_in(pilot, "pack v")
        for key in ("right", "right_square_bracket", "o", "s", "tab", "right", "left"):
            await press(pilot, key)
            assert f"now {field_of_frame(payload, work(app).at.field) * 0.1:.1f} V" in text(app)
        await press(pilot, "k")
        one = work(app).meaning
        assert one.scale != 0.1
        assert "(2 of " in text(app)
        assert f"now {field_of_frame(payload, one.at.field) * one.scale:.1f} V" in text(app)


async def test_what_a_field_means_is_asked_in_one_form_that_says_what_is_wrong(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "enter")
        assert "taken as yours" in text(app)
        await press(pilot, "enter")
        await fill_in(pilot, name="Hull", place="m2 c3", scale="5/4096", offset="-1,5", unit="V")
        one = work(app).meaning
        assert (one.name, one.place, one.scale, one.offset, one.unit) == ("Hull", Place(2, 3), 5 / 4096, -1.5, "V")
        assert "Hull" in row_of_chosen(app)
        await press(pilot, "enter")
        await fill_in(pilot, labels="7=here, 77=there")
        assert work(app).meaning.labels == {7: "here", 77: "there"}
        await press(pilot, "enter")
        for answers, words in (
            ({"scale": "x"}, "is no number"),
            ({"scale": "0"}, "every value would be the same"),
            ({"scale": "1/0"}, "is no number"),
            ({"scale": "1", "place": "m0"}, "is no place"),
            ({"place": "m1", "labels": "x=1"}, "no word for a raw value"),
            ({"labels": "", "under": "3"}, "no multiplexor that is known"),
        ):
            await fill_in(pilot, **answers)
            assert isinstance(app.screen, Form)
            assert words in " ".join(text(app).split())
        await press(pilot, "escape")
        assert work(app).meaning.name == one.name


async def test_a_multiplexor_is_said_with_a_key_and_fields_put_under_its_values(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "120")
        await press(pilot, "home", "a", "j")
        index = work(app).at.field
        await press(pilot, "a", "enter")
        await fill_in(pilot, under="3")
        selector = work(app).at.multiplexor
        assert (selector.field, selector.value) == (index, 3)
        assert "=3" in row_of_chosen(app)
        await press(pilot, "enter")
        await fill_in(pilot, under="any")
        assert work(app).at.multiplexor.value is None
        await press(pilot, "enter")
        await fill_in(pilot, under="")
        assert work(app).at.multiplexor is None


async def test_fields_are_deleted_and_a_proposal_comes_back(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        found = row_of_chosen(app)
        await press(pilot, "d")
        assert "only a field of yours" in text(app)
        await press(pilot, "enter", "d")
        assert row_of_chosen(app) == found
        await press(pilot, "enter", "delete", "u")
        assert "● mine" in row_of_chosen(app)


async def test_a_field_of_the_map_is_shown_and_left_alone(tmp_path):
    async with shown(open_session(tmp_path)) as (app, pilot):
        await open_bench(pilot, "311")
        assert "■ map" in text(app)
        await press(pilot, "s")
        assert "already; the bench adds to a map" in " ".join(text(app).split())
        assert not work(app).meanings
        await press(pilot, "escape")
        assert isinstance(app.screen, SurveyScreen)
        await press(pilot, "enter")
        assert isinstance(app.screen, DetailScreen)


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"every": "x"}, "distance in bits 'x' is no count"),
        ({"count": "0"}, "is no count"),
        ({"streams": "7FF"}, "names no identifier"),
        ({"values": "1"}, "under no multiplexor"),
        ({"anew": "maybe"}, "neither yes nor no"),
        ({"module": "-1"}, "number in a module '-1' is no count"),
    ],
)
async def test_a_series_that_cannot_be_is_told_while_it_is_typed(tmp_path, answers, words):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "e")
        await fill_in(pilot, **answers)
        assert isinstance(app.screen, Form)
        assert words in " ".join(text(app).split())
        await press(pilot, "escape")
        assert not work(app).meanings


async def test_identifiers_are_gone_through_and_chosen_from_a_list(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "120")
        await press(pilot, "pagedown")
        assert "311 · 200 frames" in text(app)
        await press(pilot, "pagedown", "pagedown")
        assert "312 · 200 frames" in text(app)
        await press(pilot, "slash")
        assert isinstance(app.screen, Choose)
        await pilot.press("1", "2", "0", "x")
        assert "nothing fits" in text(app)
        await press(pilot, "enter", "backspace", "enter")
        assert "120 · 150 frames" in text(app)


async def test_enter_in_the_survey_opens_what_no_channel_comes_from(tmp_path):
    async with shown(open_session(tmp_path, talk=True)) as (app, pilot):
        await press(pilot, "b", "slash")
        await type_in(pilot, "6EA")
        await press(pilot, "enter")
        assert isinstance(app.screen, BenchScreen)
        assert "iso-tp" in text(app)


async def test_a_vehicle_identification_number_is_not_shown(tmp_path):
    channels = decode(small_frames(talk=True), SignalMap())
    async with shown(Session(channels, judge(channels)), (120, 40)) as (app, pilot):
        await open_bench(pilot, "6EA")
        await press(pilot, "slash")
        await type_in(pilot, "62 F1 90")
        await press(pilot, "a")
        assert "not shown: holds a vehicle" in text(app)
        assert "not shown" in row_of_chosen(app)
        assert "TESTV1N" not in text(app)


# Its file


async def test_closed_and_opened_again_the_work_is_the_same_with_all_its_steps(tmp_path):
    log = tmp_path / "a.log"
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "enter", "y")
        await type_in(pilot, "cell v")
        await press(pilot, "down", "s", "u")
        left = app.session.bench.history
    assert (tmp_path / "a.log.bench.json").exists()
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "120")
        await press(pilot, "slash")
        await type_in(pilot, "311")
        again = app.session.bench.history
        assert [one.meanings for one in again.states] == [one.meanings for one in left.states]
        assert app.session.bench.history.now == left.now
        await press(pilot, "U")
        assert work(app).at.field.signed
        await press(pilot, "u", "u", "u")
        assert work(app).meanings == ()


async def test_each_step_is_saved_before_the_next_key(tmp_path):
    log = tmp_path / "a.log"
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "311")
        for number, key in enumerate(("enter", "s", "o", "right", "left"), start=1):
            await press(pilot, key)
            record = json.loads((tmp_path / "a.log.bench.json").read_text())
            assert record["now"] == len(record["steps"]) == number
        assert app.session.bench.is_saved


async def test_keys_without_a_pause_are_all_saved_when_the_screens_close(tmp_path):
    log = tmp_path / "a.log"
    async with shown(unknown(path=log)) as (_, pilot):
        await open_bench(pilot, "311")
        await pilot.press("enter", *["s"] * 20, "q")
    assert len(WorkFile(tmp_path / "a.log.bench.json").read()[0].states) == 22


@pytest.mark.parametrize("mine", [True, False])
async def test_a_file_that_another_program_changed_is_asked_about(tmp_path, mine):
    log, path = tmp_path / "a.log", tmp_path / "a.log.bench.json"
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "enter")
        record = json.loads(path.read_text())
        record["steps"][0]["new"][0]["name"] = "Theirs"
        path.write_text(json.dumps(record))
        await press(pilot, "s")
        assert isinstance(app.screen, Choose)
        assert "another program changed the file" in text(app)
        await press(pilot, "escape")
        assert "not saved; the next step asks again" in text(app)
        await press(pilot, "o")
        await press(pilot, *([] if mine else ["down"]), "enter")
        if mine:
            assert work(app).at.field.signed
            assert WorkFile(path).read()[0].work.meanings == work(app).meanings
        else:
            assert work(app).meanings[0].name == "Theirs"
            assert "Theirs" in text(app)


async def test_work_that_cannot_be_read_is_told_and_kept(tmp_path):
    (tmp_path / "a.log.bench.json").write_text("{ not JSON")
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        assert "the file is not JSON" in text(app)
        await press(pilot, "s")
        assert isinstance(app.screen, Choose)
        await press(pilot, "escape")
    assert (tmp_path / "a.log.bench.json").read_text() == "{ not JSON"


async def test_without_a_file_the_work_is_kept_until_the_screens_close():
    async with shown(unknown()) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "s")
        assert "kept only until you close" in text(app)
        await press(pilot, "k")
        assert "kept only until" not in text(app)


async def test_saving_to_a_map_twice_changes_what_was_changed_and_nothing_else(tmp_path):
    log, saved = tmp_path / "a.log", tmp_path / "a.log.dbc"
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "S")
        assert "no field of yours to save" in text(app)
        await press(pilot, "enter", "y")
        await type_in(pilot, "cell v")
        await press(pilot, "S", "enter")
        assert "1 channel written to a.log.dbc" in text(app)
        first = saved.read_text()
        await press(pilot, "S", "enter")
        assert saved.read_text() == first
        await press(pilot, "k", "S", "enter")
        assert "kept as a.log.dbc.bak" in text(app)
        assert saved.read_text() != first
        await press(pilot, "S", "end")
        await press(pilot, *["backspace"] * len(app.focused.value))
        await type_in(pilot, "/dev/null/x")
        assert "!" in text(app)
        assert len(app.session.channels) == 1


# Readings


@pytest.mark.parametrize("typed", ["", "cell 3.6 V", "t=x cell 3.6 V", "t=5 V", "t=5 cell V"])
async def test_a_bad_reading_is_told_and_not_kept(tmp_path, typed):
    async with shown(unknown(path=tmp_path / "a.log"), (120, 40)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "r", *["backspace"] * 30)
        await type_in(pilot, typed)
        assert isinstance(app.screen, BenchScreen)
        assert not work(app).readings
        if typed:
            assert "expected: a reading such as" in " ".join(text(app).split())
        await press(pilot, "R")
        assert "no reading yet" in text(app)


async def test_readings_lead_to_the_field_that_carries_them_and_it_is_taken_as_it_was_read(tmp_path):
    async with shown(unknown(moving_cells(), tmp_path / "a.log"), (120, 40)) as (app, pilot):
        await open_bench(pilot, "320")
        for time_s, volts in READ:
            await press(pilot, "r")
            assert "t=" in app.focused.value
            await press(pilot, "end", *["backspace"] * len(app.focused.value))
            await type_in(pilot, f"t={time_s} module 2 cell 3 {volts} V")
            assert isinstance(app.screen, Choose)
            assert "module 2 cell 3:" in text(app)
            await press(pilot, "escape")
        assert len(work(app).readings) == len(READ)
        await press(pilot, "R")
        await press(pilot, "enter")
        one = work(app).meaning
        assert one.at.stream.can_id == 0x311
        assert set(one.at.field.bit_numbers()) >= set(Field(7 + 16, 16, "big").bit_numbers()[:8])
        assert one.at.field.byte_order == "big"
        assert (one.scale, one.offset, one.unit, one.place) == (0.001, 0, "V", Place(2, 3))
        assert "agrees with 4 readings of module 2 cell 3" in one.comment
        assert "● mine" in row_of_chosen(app)
        await press(pilot, "u")
        assert work(app).meaning is None


# Any terminal, any capture


@pytest.mark.parametrize("size", [*SIZES, (60, 15), (110, 12), (40, 10), (20, 6), (300, 80)])
async def test_every_size_is_filled_exactly_and_all_keys_are_safe(tmp_path, size):
    async with shown(unknown(path=tmp_path / "a.log"), size) as (app, pilot):
        await press(pilot, "b", "o")
        keys = (
            "down",
            "enter",
            "v",
            "right",
            "v",
            "tab",
            "v",
            "o",
            "a",
            "j",
            "k",
            "K",
            "s",
            "d",
            "u",
            "U",
            "pagedown",
            "t",
        )
        for key in keys:
            await press(pilot, key)
            assert len(lines(app)) == size[1]
            assert all(cell_len(line) == size[0] for line in lines(app))
        await press(pilot, "a")
        for key in ("enter", "e", "y", "r", "S", "slash"):
            await press(pilot, key, "escape")
        assert isinstance(app.screen, BenchScreen)


@pytest.mark.parametrize("size", SIZES)
async def test_the_bits_of_the_chosen_field_stand_out_and_are_always_in_sight(tmp_path, size):
    async with shown(unknown(paged_frames(), tmp_path / "a.log"), size) as (app, pilot):
        await open_bench(pilot, "330")
        for _ in range(8):
            marked = [
                line.split("│")[0]
                for line in lines(app)
                if line.startswith(">") and "│" in line and "●" not in line[:3]
            ]
            assert any(mark[1:].strip()[:1].isdigit() for mark in marked), text(app)
            await press(pilot, "down")


@pytest.mark.parametrize(
    "frames", [Frames.empty(("can0",)), capture([(0, 0x100, b"")]), capture([(0, 0x100, b"\x01")])]
)
async def test_a_capture_with_nothing_to_map_does_no_harm(frames):
    async with shown(unknown(frames)) as (app, pilot):
        app.action_open("bench")
        await press(pilot, "down", "right", "enter", "a", "d", "y", "e", "u", "U", "R", "v", "tab", "pagedown")
        assert isinstance(app.screen, BenchScreen)
        await press(pilot, "escape")
        assert isinstance(app.screen, PagesScreen)


async def test_work_on_identifiers_that_this_capture_does_not_have_can_be_left_and_undone(tmp_path):
    log = tmp_path / "a.log"
    async with shown(unknown(path=log)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "enter")
    frames = small_frames()
    async with shown(unknown(frames.take(frames.can_id == 0x312), log)) as (app, pilot):
        app.action_open("bench")
        await press(pilot, "down")
        assert "identifier that is not among these frames" in " ".join(text(app).split())
        await press(pilot, "right", "a", "enter", "y", "e", "d", "v", "v", "v", "u")
        assert not work(app).meanings
        await press(pilot, "U", "slash", "enter", "down")
        assert "312 · 200 frames" in text(app)
        assert len(work(app).meanings) == 1


async def test_keys_that_come_before_all_is_ready_do_no_harm(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        app.session._talk = app.session._wire = app.session._bench = None
        app.action_open("bench")
        await pilot.press("down", "enter", "right", "y", "escape", "e", "escape", "S", "escape", "u", "slash", "escape")
        await press(pilot, "home")
        assert "found" in text(app)


async def test_a_newer_state_of_the_capture_keeps_the_work(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log")) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "s")
        newer = unknown(small_frames(talk=True))
        app.session.replace(newer.channels, newer.judgement)
        await press(pilot, "down", "up")
        assert len(work(app).meanings) == 1
        assert "● mine" in text(app)


async def test_of_very_many_payloads_a_sample_is_shown_and_that_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(bench_module, "sampled", lambda stream, rows=None: sampled(stream, rows, 50))
    monkeypatch.setattr(bench_module, "_AT_ONCE", 10)
    async with shown(unknown(path=tmp_path / "a.log"), (120, 40)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "a", "right", "down")
        assert " of 200 payloads" in text(app)
        assert "looking through" not in text(app)


async def test_help_lists_the_keys_of_the_bench(tmp_path):
    async with shown(unknown(path=tmp_path / "a.log"), (120, 60)) as (app, pilot):
        await open_bench(pilot, "311")
        await press(pilot, "question_mark")
        assert isinstance(app.screen, HelpScreen)
        assert "the mapping bench" in text(app)
        for binding in BenchScreen.BINDINGS:
            assert binding.action.partition("(")[0] in {
                name.removeprefix("action_") for name in dir(BenchScreen) if name.startswith("action_")
            }


async def test_looking_for_garbage_is_as_it_was_before_when_the_screens_close(tmp_path):
    before = gc.get_threshold()
    async with shown(unknown(path=tmp_path / "a.log")) as (_, pilot):
        await open_bench(pilot, "311")
    assert gc.isenabled()
    assert gc.get_threshold() == before
