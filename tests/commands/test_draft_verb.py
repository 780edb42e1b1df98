"""The verb draft: takes results, writes map and sheet, says what it did and what not."""

import json
from pathlib import Path

import cantools
import pytest

from decoder.bits import Field
from decoder.commands.main import main
from decoder.discovery.field_at import FieldAt, StreamKey, to_record
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member, as_record
from decoder.discovery.proposal import Carrier
from decoder.maps import load_map, load_sheet
from decoder.maps.pack_sheet import Place

KEY = StreamKey("can0", 0x123, False)
CELLS = tuple(Member(FieldAt(KEY, Field(7 + 16 * at, 16, "big")), at + 1) for at in range(4))
PACK = ChannelClaim(
    FieldAt(StreamKey("can0", 0x124, False), Field(7, 16, "big")), "pack voltage", "V", 0.1, 0, Place(), 0.92
)
EVIDENCE = (Evidence("sum", text="the sum is the pack's voltage"),)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "bench.log"
    lines = []
    for n in range(60):
        cells = [3700 + n % 9 + 3 * at for at in range(4)]
        lines.append(f"({1 + n / 10:.6f}) can0 123#{''.join(f'{one:04X}' for one in cells)}\n")
        lines.append(f"({1 + n / 10:.6f}) can0 124#{round(sum(cells) / 100):04X}{n % 16:02X}\n")
    path.write_text("".join(lines))
    return str(path)


@pytest.fixture
def paths(tmp_path):
    return str(tmp_path / "new.dbc"), str(tmp_path / "new.toml")


@pytest.fixture
def inferred(tmp_path):
    path = tmp_path / "infer.json"
    array = ArrayClaim("cell voltage", "V", 0.001, 0, CELLS, 0.97, EVIDENCE)
    path.write_text(json.dumps(as_record(Inference((array,), (PACK,)))))
    return str(path)


def drafted(capsys, *arguments):
    assert main(["draft", *arguments]) == 0
    return capsys.readouterr().out


def test_results_become_a_map_and_a_sheet(log, paths, inferred, capsys):
    out = drafted(capsys, log, "--map", paths[0], "--sheet", paths[1], "--take", inferred, "--cells-per-module", "2")
    assert "M_123: Cell_1_01_V, Cell_1_02_V, Cell_2_01_V, Cell_2_02_V" in out
    assert "M_124: Pack_V" in out
    assert max(map(len, out.splitlines())) <= 80
    theirs = cantools.database.load_file(paths[0], strict=True)
    assert {m.name: m.length for m in theirs.messages} == {"M_123": 8, "M_124": 3}
    comment = theirs.get_message_by_name("M_123").get_signal_by_name("Cell_2_01_V").comment
    assert comment == "one of 4 fields as cell voltage, likelihood 0.97: the sum is the pack's voltage; from bench.log"
    sheet = load_sheet(paths[1])
    assert (sheet.cells_in_series, sheet.modules, sheet.cells_per_module) == (4, 2, (2, 2))
    assert main(["coverage", log, "--map", paths[0], "--sheet", paths[1], "--quick"]) == 0
    assert "What the map says fits the capture" in capsys.readouterr().out


def test_modules_that_differ_are_said_one_by_one(log, paths, inferred, capsys):
    drafted(capsys, log, "--map", paths[0], "--sheet", paths[1], "--take", inferred, "--cells-per-module", "1,3")
    names = [s.name for m in load_map(paths[0]).messages for s in m.signals]
    assert names[:4] == ["Cell_1_01_V", "Cell_2_01_V", "Cell_2_02_V", "Cell_2_03_V"]
    sheet = load_sheet(paths[1])
    assert (sheet.modules, sheet.cells_per_module) == (2, (1, 3))


def test_show_prints_the_lines_and_writes_nothing(log, paths, inferred, tmp_path, capsys):
    before = sorted(one.name for one in tmp_path.iterdir())
    arguments = (log, "--map", paths[0], "--sheet", paths[1], "--take", inferred)
    shown = drafted(capsys, *arguments, "--show")
    assert sorted(one.name for one in tmp_path.iterdir()) == before
    drafted(capsys, *arguments)
    for path in paths:
        assert Path(path).read_text() in shown


def test_nothing_is_written_twice(log, paths, inferred, tmp_path, capsys):
    arguments = (log, "--map", paths[0], "--take", inferred)
    drafted(capsys, *arguments)
    out = drafted(capsys, *arguments)
    assert "Nothing to add: nothing was written." in out
    assert "already there: 5 channels" in out
    assert not list(tmp_path.glob("*.bak"))


def test_the_old_map_is_kept(log, paths, inferred, tmp_path, capsys):
    old = b'VERSION "mine"\r\n\r\nBO_ 291 Mine: 8 Me\r\n SG_ First : 7|16@0+ (1,0) [0|0] "" Me\r\nCM_ "\xb0";\r\n'
    (tmp_path / "new.dbc").write_bytes(old)
    out = drafted(capsys, log, "--map", paths[0], "--take", inferred)
    assert (tmp_path / "new.dbc.bak").read_bytes() == old
    assert "new.dbc.bak" in out
    assert "already there: 1 channel\n" in out
    assert [m.name for m in load_map(paths[0]).messages] == ["Mine", "M_124"]


def test_what_is_left_out_is_told(log, paths, inferred, capsys):
    out = drafted(capsys, log, "--map", paths[0], "--take", inferred, "--at-least", "0.95")
    assert "Left out, 1" in out
    assert "124 7|16@0+ as pack voltage: likelihood 0.92, below 0.95" in out
    assert "cells sits in which module is open" in " ".join(out.split())


def test_entries_taken_out_by_hand_are_not_drafted(log, paths, inferred, tmp_path, capsys):
    whole = json.loads(Path(inferred).read_text())
    whole["channels"] = []
    (tmp_path / "less.json").write_text(json.dumps(whole))
    assert "Pack_V" not in drafted(capsys, log, "--map", paths[0], "--take", str(tmp_path / "less.json"))


def test_carved_fields_are_taken_as_carve_writes_them(log, paths, tmp_path, capsys):
    carve = str(tmp_path / "carve.json")
    assert main(["carve", log, "--json", "--out", carve]) == 0
    drafted(capsys, log, "--map", paths[0], "--take", carve, "--at-least", "0.5")
    names = [s.name for m in load_map(paths[0], strict=True).messages for s in m.signals]
    assert "M_124_Alive" in names


def test_readings_place_what_physics_found(log, paths, inferred, tmp_path, capsys):
    matches = [{**to_record(CELLS[2].at), "scale": 0.001, "offset": 0, "residual": 0, "likelihood": 0.6, "same_as": []}]
    reading = {"label": "module 2 cell 1", "used": 3, "clock_offset_s": 0, "drift_ppm": None, "matches": matches}
    pin = tmp_path / "pin.json"
    pin.write_text(json.dumps({"schema": "cellglean.pin/1", "readings": [reading]}))
    out = drafted(capsys, log, "--map", paths[0], "--take", inferred, "--take", str(pin))
    assert "Cell_2_01_V" in out
    assert "Left out" not in out


def test_file_names_are_shown_safely(paths, inferred, log, tmp_path, capsys):
    odd = tmp_path / 'a"\x1b[1m.log'
    odd.write_bytes(Path(log).read_bytes())
    drafted(capsys, str(odd), "--map", paths[0], "--take", inferred)
    assert b"\x1b" not in Path(paths[0]).read_bytes()
    (m, *_) = load_map(paths[0], strict=True).messages
    assert m.comment == 'Drafted from a"\\x1b[1m.log'


@pytest.mark.parametrize(
    ("more", "what"),
    [
        (["--take", "none.json"], "cannot be read"),
        (["--at-least", "2"], "no likelihood from 0 to 1"),
        (["--cells-per-module", "0"], "no number of cells"),
        (["--cells-per-module", "2,x"], "no number of cells"),
        (["--take", "x", "--reading", "t=1 pack 3 V"], "do not go together"),
        (["--sheet", "none/a.toml", "--take", "TAKE"], "cannot write"),
        (["--map", "/dev/null/a.dbc", "--take", "TAKE"], "cannot"),
    ],
)
def test_what_cannot_be_done_says_so(log, paths, inferred, more, what, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    arguments = ["draft", log, "--map", paths[0], *(inferred if one == "TAKE" else one for one in more)]
    try:
        assert main(arguments) == 2
    except SystemExit as ended:
        assert ended.code == 2
    assert what in capsys.readouterr().err


def test_results_of_another_capture_are_refused(log, paths, tmp_path, capsys):
    other = FieldAt(StreamKey("can7", 0x6EA, False, Carrier("iso-tp", b"b\x01\x04")), Field(31, 16, "big"))
    claim = ChannelClaim(other, "pack voltage", "V", 0.1, 0, Place(), 0.95)
    (tmp_path / "other.json").write_text(json.dumps(as_record(Inference((), (claim,)))))
    assert main(["draft", log, "--map", paths[0], "--take", str(tmp_path / "other.json")]) == 2
    assert "nothing that these results speak of is in the capture" in capsys.readouterr().err


def test_without_results_the_capture_is_searched_here(log, paths, tmp_path, capsys):
    readings = tmp_path / "meter.csv"
    readings.write_text("time_s,label,value,unit\n1.0,pack voltage,14.8,V\n")
    typed = ("--reading", "t=2.5 pack voltage 14.9 V", "--readings", str(readings))
    out = drafted(capsys, log, "--map", paths[0], "--at-least", "0.5", *typed)
    names = [s.name for m in load_map(paths[0], strict=True).messages for s in m.signals]
    assert "M_124_Alive" in names
    assert "pack voltage" in out or "Pack_V" in names


def test_a_reading_that_cannot_be_read_is_told(log, paths, tmp_path, capsys):
    assert main(["draft", log, "--map", paths[0], "--reading", "pack voltage"]) == 2
    assert "reading" in capsys.readouterr().err
    assert not (tmp_path / "new.dbc").exists()
