"""The verb carve: pictures, tables, JSON and SVG."""

import json
import sys
import types
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from decoder.bits import Field
from decoder.commands.main import main
from decoder.discovery.proposal import Carrier, Carving, Proposal, Selector
from tests.discovery.carvings import carving, number, stream

FIELD_KEYS = ["bus", "id", "extended", "transport", "multiplexor", "start", "length", "byte_order", "signed"]
VIN = b"CGHARBRSHTL000001"


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "a.log"
    path.write_text("".join(f"({1 + n / 10:.6f}) can0 123#{n % 256:02X}0A\n" for n in range(300)))
    return str(path)


@pytest.fixture
def carved(monkeypatch):
    """Let carving give what a test puts into this list."""
    found: list[Carving] = []
    carve_with(monkeypatch, lambda _streams, _progress: tuple(found))
    return found


def carve_with(monkeypatch, function):
    module = types.ModuleType("decoder.discovery.carve")
    module.carve_streams = function
    monkeypatch.setitem(sys.modules, "decoder.discovery.carve", module)


def counting(**more):
    return carving(
        [bytes([n % 256, 10]) for n in range(300)], number(Field(7, 8, "big"), 0.97, kind="counter", step=1), **more
    )


def identity(payload=b"\x62\xf1\x90" + VIN):
    carrier = Carrier("iso-tp", payload[:3])
    text = number(
        Field(31, 64, "big"), kind="text", text=payload[3:].decode("latin-1"), certain={"start": 31, "length": 64}
    )
    return carving([payload] * 4, text, carrier=carrier, can_id=0x123)


def whole(capsys, *arguments):
    assert main(["carve", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


def test_the_json_object_has_its_documented_shape(log, carved, capsys):
    carved.append(counting(damaged=[3]))
    found = whole(capsys, log)
    assert found == {
        "schema": "cellglean.carve/1",
        "fields": [
            {
                "bus": "can0", "id": 0x123, "extended": False, "transport": None, "multiplexor": None, "start": 7,
                "length": 8, "byte_order": "big", "signed": False, "kind": "counter", "detail": {"step": 1},
                "confidence": 0.97,
            }
        ],
    }  # fmt: skip
    assert list(found["fields"][0]) == [*FIELD_KEYS, "kind", "detail", "confidence"]


def test_transports_and_nested_multiplexors_are_named(log, carved, capsys):
    selector = Selector(Field(15, 8, "big"), None, within=Selector(Field(0, 8), 2))
    carved.append(
        carving(
            [b"\x62\x01\x04\x00"], number(Field(16, 8), selector=selector), carrier=Carrier("iso-tp", b"\x62\x01\x04")
        )
    )
    carved.append(carving([b"\x00"], number(Field(0, 8)), carrier=Carrier("j1939-tp", pgn=65360), extended=True))
    first, second = whole(capsys, log)["fields"]
    assert first["transport"] == {"kind": "iso-tp", "prefix": "620104"}
    assert first["multiplexor"] == {
        "start": 15, "length": 8, "byte_order": "big", "value": None,
        "within": {"start": 0, "length": 8, "byte_order": "little", "value": 2, "within": None},
    }  # fmt: skip
    assert second["transport"] == {"kind": "j1939-tp", "pgn": 65360}


def test_details_of_any_kind_are_json(log, carved, capsys):
    detail = {
        "lowest": np.int64(-3), "highest": np.uint64(2**63), "raw": b"\x01\xff", "odd": float("nan"),
        "far": np.float64("inf"), "share": np.float32(0.5), "yes": np.bool_(True), "many": np.arange(3),
        "pair": (1, 2), "inner": {1: {"value": np.uint8(7)}}, "none": None,
    }  # fmt: skip
    carved.append(carving([b"\x00"], Proposal(Field(0, 8), "number", np.float64(0.5), None, detail)))
    (field,) = whole(capsys, log)["fields"]
    assert field["detail"] == {
        "lowest": -3, "highest": 2**63, "raw": "01FF", "odd": None, "far": None, "share": 0.5, "yes": True,
        "many": [0, 1, 2], "pair": [1, 2], "inner": {"1": {"value": 7}}, "none": None,
    }  # fmt: skip
    assert field["confidence"] == 0.5


def test_a_picture_and_a_table_are_printed(log, carved, capsys):
    carved.append(counting())
    assert main(["carve", log]) == 0
    out = capsys.readouterr().out
    assert "123, 300 frames, 2 bytes, period 100.0 ms" in out
    assert "┐ counter 7|8@0+  97 %" in out
    (row,) = (line for line in out.splitlines() if line.split()[:1] == ["7"])
    assert row.split()[:6] == ["7", "8", "big-endian", "unsigned", "counter", "97"]
    assert row.endswith("counts up by 1")


def test_a_table_alone_has_no_picture(log, carved, capsys):
    carved.append(counting())
    assert main(["carve", log, "--table"]) == 0
    out = capsys.readouterr().out
    assert "counter" in out
    assert not set("│┐┘┄▒█") & set(out)


def test_a_stream_without_fields_is_its_value(log, carved, capsys):
    carved.append(carving([b"\x10\x03"], carrier=Carrier("iso-tp", b"\x10")))
    assert main(["carve", log]) == 0
    out = capsys.readouterr().out
    assert "123 iso-tp 10, 1 message, 2 bytes" in out
    assert "┄ 10 03 ┄" in out
    assert "No fields." not in out
    assert main(["carve", log, "--table"]) == 0
    assert "No fields." in capsys.readouterr().out


def test_fields_under_a_multiplexor_stand_below_a_line_that_says_so(log, carved, capsys):
    payloads = [bytes([n % 2, n]) for n in range(40)]
    under = [
        number(Field(8, 8), selector=Selector(Field(0, 8), value), highest=value + 70, lowest=0) for value in (0, 1)
    ]
    carved.append(carving(payloads, number(Field(0, 8), kind="multiplexor"), *under))
    assert main(["carve", log, "--table"]) == 0
    lines = capsys.readouterr().out.splitlines()
    at = lines.index("under 0|8@1+ = 1")
    assert lines[at + 1].endswith("0 to 71")
    assert lines[at - 1].endswith("0 to 70")
    assert lines[at - 2] == "under 0|8@1+ = 0"


def test_buses_are_named_where_there_are_several(log, carved, capsys):
    carved += [counting(), counting(bus="can\x1b1")]
    assert main(["carve", log, "--table"]) == 0
    out = capsys.readouterr().out
    assert "can0 123, 300 frames" in out
    assert "can\\x1b1 123, 300 frames" in out
    assert "\x1b" not in out


@pytest.mark.parametrize(("asked", "carved_ids"), [
    ([], [0x123, 0x124, 0x456]),
    (["--id", "0x124"], [0x124]),
    (["--id", "456", "--id", "123"], [0x123, 0x456]),
])  # fmt: skip
def test_only_the_identifiers_asked_for_are_carved(tmp_path, monkeypatch, asked, carved_ids):
    path = tmp_path / "a.log"
    path.write_text("".join(f"({n + 1}.000000) can0 {can_id}#0{n}\n" for n in range(4) for can_id in (123, 124, 456)))
    given = []
    carve_with(monkeypatch, lambda streams, _progress: given.extend(streams) or ())
    assert main(["carve", str(path), *asked]) == 0
    assert [one.can_id for one in given] == carved_ids


@pytest.mark.parametrize(("arguments", "said"), [
    (("--id", "7"), "no frame has the identifier 7\nexpected: one of 123"),
    (("--table", "--out", "a.svg"), "an SVG document holds pictures"),
    (("--json", "--out", "a.SVG"), "an SVG document holds pictures"),
])  # fmt: skip
def test_what_cannot_be_done_is_said(log, carved, capsys, arguments, said):
    assert main(["carve", log, *arguments]) == 2
    assert said in capsys.readouterr().err


def test_json_and_table_exclude_each_other(log, carved, capsys):
    with pytest.raises(SystemExit) as stop:
        main(["carve", log, "--json", "--table"])
    assert stop.value.code == 2


def test_a_range_without_frames_is_said(log, carved, capsys):
    assert main(["carve", log, "--from", "500"]) == 0
    assert capsys.readouterr().out == "No frames.\n"


def test_nothing_carved_is_said(log, carved, capsys):
    assert main(["carve", log]) == 0
    assert capsys.readouterr().out == "No payload that could be carved.\n"


def test_a_name_that_ends_in_svg_gets_the_pictures(log, carved, tmp_path, capsys):
    carved.append(counting())
    out = tmp_path / "fields.svg"
    assert main(["carve", log, "--out", str(out)]) == 0
    said = [text.text for text in ET.parse(out).iter("{http://www.w3.org/2000/svg}text")]
    assert "Fields of a.log" in said
    assert "counter 7|8@0+  97 %" in said
    assert capsys.readouterr().out == ""


def test_text_goes_to_any_other_file(log, carved, tmp_path):
    carved.append(counting())
    out = tmp_path / "fields.txt"
    assert main(["carve", log, "--out", str(out)]) == 0
    assert "counter 7|8@0+" in out.read_text("utf-8")


def test_an_interrupted_run_leaves_the_old_file(log, tmp_path, monkeypatch):
    def interrupted(streams, progress):
        raise KeyboardInterrupt

    carve_with(monkeypatch, interrupted)
    out = tmp_path / "fields.txt"
    out.write_text("old")
    assert main(["carve", log, "--out", str(out)]) == 130
    assert out.read_text() == "old"


@pytest.mark.parametrize("form", [[], ["--table"], ["--json"], ["--out", "x.svg"]])
def test_a_vehicle_identification_number_is_hidden_unless_asked_for(log, carved, tmp_path, capsys, form, monkeypatch):
    monkeypatch.chdir(tmp_path)
    carved.append(identity())

    def said(*more):
        assert main(["carve", log, *form, *more]) == 0
        path = tmp_path / "x.svg"
        return path.read_text("utf-8") if path.exists() else capsys.readouterr().out

    secrets = [VIN.decode(), VIN.hex(" ").upper(), VIN[:8].hex(" ").upper()]
    assert not any(secret in said() for secret in secrets)
    assert any(secret in said("--show-vin") for secret in secrets)


def test_other_answers_are_not_hidden(log, carved, capsys):
    carved.append(identity(b"\x62\x01\x04\xf1\x90" + bytes(range(40, 55))))
    (field,) = whole(capsys, log)["fields"]
    assert "hidden" not in field["detail"]


def test_certain_bits_are_a_column_of_their_own(log, carved, capsys):
    carved.append(identity(b"\x62\xf1\x87HS-PK-062-0417"))
    assert main(["carve", log, "--table"]) == 0
    out = capsys.readouterr().out
    assert '31|64    "HS-PK-062-0417"' in out
    assert "123 iso-tp 62 F1 87, 4 messages" in out


@pytest.mark.parametrize("columns", [80, 120, 200])
def test_lines_fit_the_terminal(log, carved, capsys, monkeypatch, columns):
    noise = np.random.default_rng(1).integers(0, 256, (300, 8), np.uint8)
    values = [{"value": n, "frames": 10**5, "dwell_ms": 123.4} for n in range(4)]
    places = {"certain": {"start": 4, "length": 13}, "likely": {"start": 7, "length": 16}}
    selector = Selector(Field(23, 8, "big"), int(noise[0, 2]))
    proposals = (
        number(Field(7, 16, "big"), lowest=0, highest=60000, **places),
        number(Field(23, 8, "big"), kind="multiplexor", values=values),
        number(Field(31, 8, "big"), kind="state", values=values, selector=selector),
    )
    carved.append(Carving(stream([bytes(row) for row in noise]), proposals, np.array([1])))
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["carve", log]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= columns


def test_what_is_done_is_told_only_where_somebody_watches(log, capsys, monkeypatch):
    def halves(_streams, progress):
        for share in (0.5, 1.0):
            if progress is not None:
                progress(share)
        return (counting(),)

    carve_with(monkeypatch, halves)
    assert main(["carve", log]) == 0
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert main(["carve", log]) == 0
    said = capsys.readouterr().err
    assert said.replace("\x1b[K", "").split("\r") == ["", "carving ...", "carving: 50%", "carving: 100%", ""]
    assert said.endswith("\r\x1b[K")
