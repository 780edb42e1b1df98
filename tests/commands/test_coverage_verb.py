"""The verb coverage: table, JSON, two maps on one capture."""

import json

import pytest

from decoder.commands.main import main

VOLTS = ' SG_ Pack_V : 7|16@0+ (0.1,0) [300|400] "V" X\n'
MAP = f"BO_ 291 Pack: 8 X\n{VOLTS}"
STREAM = ["bus", "id", "extended", "transport"]


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "a.log"
    lines = []
    for n in range(60):
        frames = ("123", f"{3500 + n:04X}0000{n % 2:02X}000000"), ("1ABCDEF0", f"{n % 16:02X}"), ("124", "00")
        lines += [f"({1 + n / 10:.6f}) can0 {can_id}#{payload}\n" for can_id, payload in frames]
    path.write_text("".join(lines))
    return str(path)


@pytest.fixture
def dbc(tmp_path):
    path = tmp_path / "a.dbc"
    path.write_text(MAP)
    return path


def whole(capsys, *arguments):
    assert main(["coverage", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


def test_the_json_object_has_its_documented_shape(log, dbc, capsys):
    found = whole(capsys, log, "--map", str(dbc))
    assert list(found) == ["schema", "changing_bits", "explained_bits", "identifiers", "misfits"]
    assert found["schema"] == "cellglean.coverage/1"
    # DAC to DE7 hex: 7 bits; one flag; a counter of 4 bits
    assert (found["changing_bits"], found["explained_bits"]) == (7 + 1 + 4, 7)
    keys = [*STREAM, "messages", "payloads", "changing_bits", "explained_bits", "moves", "parts"]
    assert [list(one) for one in found["identifiers"]] == [keys] * 3
    assert [(one["id"], one["extended"]) for one in found["identifiers"]] == [
        (0x1ABCDEF0, True),
        (0x123, False),
        (0x124, False),
    ]
    pack = found["identifiers"][1]
    assert (pack["messages"], pack["transport"], pack["moves"]) == (["Pack"], None, 1.0)
    assert pack["parts"] == [
        {"page": [], "payloads": 60, "changing_bits": 8, "explained_bits": 7, "left": [32], "moves": 1.0}
    ]
    assert found["misfits"] == []


def test_misfits_have_their_documented_shape(log, dbc, capsys):
    dbc.write_text(MAP.replace("300|400", "0|100"))
    (one,) = whole(capsys, log, "--map", str(dbc), "--quick")["misfits"]
    assert list(one) == ["kind", *STREAM, "message", "channel", "text", "share", "time_ns"]
    assert (one["kind"], one["channel"], one["share"], one["time_ns"]) == ("range", "Pack_V", 1.0, 1_000_000_000)


def test_the_table_says_what_is_left_and_fits_80_columns(log, dbc, capsys):
    assert main(["coverage", log, "--map", str(dbc), "--quick"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "7 of 12 changing bits explained, 58.3%"
    rows = [line.split() for line in lines]
    assert ["1ABCDEF0", "-", "60", "4", "0", "1.85", "0-3"] in rows
    assert ["123", "Pack", "60", "8", "7", "1.00", "32"] in rows
    assert "and 1 more in which nothing changes" in lines
    assert lines[-1] == "What the map says fits the capture: ranges and counters fit."
    assert max(map(len, lines)) <= 80


def test_what_was_looked_at_is_said_in_80_columns(log, dbc, capsys):
    assert main(["coverage", log, "--map", str(dbc)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert " ".join(lines[-2:]).endswith("ranges, counters, checks and carved borders fit.")
    assert max(map(len, lines)) <= 80


def test_long_names_and_many_bits_still_fit(tmp_path, capsys):
    log, dbc = tmp_path / "a.log", tmp_path / "a.dbc"
    log.write_text("".join(f"({n}.000000) can0 123#{'FF00' * 4 if n % 2 else 'AA55' * 4}\n" for n in range(9)))
    name = "A_message_with_quite_a_long_name"
    dbc.write_text(f'BO_ 291 {name}: 8 X\n SG_ {name} : 0|8@1+ (1,0) [0|3] "" X\n')
    assert main(["coverage", str(log), "--map", str(dbc), "--quick"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert any("..." in line for line in lines)
    assert any("leaves its range 0 to 3" in line for line in lines)


def test_two_maps_are_compared(log, dbc, tmp_path, capsys):
    other = tmp_path / "b.dbc"
    other.write_text(MAP.replace("Pack_V", "U").replace("0.1", "0.2") + ' SG_ Lamp : 32|1@1+ (1,0) [0|0] "" X\n')
    found = whole(capsys, log, "--map", str(dbc), "--against", str(other))
    assert list(found) == ["schema", "maps", "same", "differing", "only_first", "only_second"]
    assert found["schema"] == "cellglean.coverage-against/1"
    assert found["maps"] == [[str(dbc)], [str(other)]]
    assert found["differing"] == [
        {
            "bus": "can0", "id": 0x123, "extended": False, "channel": "Pack_V", "other": "U", "samples": 60,
            "differing": 60, "time_ns": 1_000_000_000, "value": 350.0, "other_value": 700.0, "unit": "V",
            "other_unit": "V", "how": "scale",
        }
    ]  # fmt: skip
    assert [one["other"] for one in found["only_second"]] == ["Lamp"]
    assert main(["coverage", log, "--map", str(dbc), "--against", str(other)]) == 0
    out = capsys.readouterr().out
    assert "0 channels the same, 1 different, 0 only in A, 1 only in B" in out
    assert "Pack_V / U" in out
    assert "350 V / 700 V" in out
    assert "only in B: Lamp" in out


def test_it_can_be_written_to_a_file(log, dbc, tmp_path, capsys):
    assert main(["coverage", log, "--map", str(dbc), "--quick", "--json", "--out", str(tmp_path / "c.json")]) == 0
    assert capsys.readouterr().out == ""
    assert json.loads((tmp_path / "c.json").read_text())["changing_bits"] == 12


def test_a_checked_message_is_carved(tmp_path, capsys):
    log, dbc = tmp_path / "a.log", tmp_path / "a.dbc"
    rows = []
    for n in range(400):
        body = bytes([n % 16, n * 37 % 256, n * n % 251])
        rows.append(f"({n / 100:.6f}) can0 123#{body.hex()}{sum(body) & 0xFF:02x}\n")
    log.write_text("".join(rows))
    dbc.write_text('BO_ 291 M: 4 X\n SG_ M_Check : 8|8@1+ (1,0) [0|0] "" X\n')
    found = whole(capsys, str(log), "--map", str(dbc))
    assert [one["text"] for one in found["misfits"]] == ["no checksum or CRC that is known holds there"]
    dbc.write_text('BO_ 291 M: 4 X\n SG_ M_Check : 24|8@1+ (1,0) [0|0] "" X\n')
    assert whole(capsys, str(log), "--map", str(dbc))["misfits"] == []


def test_a_part_without_frames(log, dbc, capsys):
    part = [log, "--from", "100", "--map", str(dbc)]
    assert main(["coverage", *part]) == 0
    assert "0 of 0 changing bits explained" in capsys.readouterr().out
    assert main(["coverage", *part, "--against", str(dbc)]) == 0
    assert "0 channels the same" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ([], "no signal map is given"),
        (["--map", "none.dbc"], "cannot be read"),
        (["--against", "b.dbc"], "no signal map"),
    ],
)
def test_what_cannot_be_done_says_so(log, arguments, what, capsys):
    assert main(["coverage", log, *arguments]) == 2
    assert what in capsys.readouterr().err


def test_buses_answers_and_many_misfits_in_words(tmp_path, capsys):
    log, dbc = tmp_path / "a.log", tmp_path / "a.dbc"
    lines = []
    for n in range(30):
        lines.append(f"({n}.000000) can0 123#{n:02X}{255 - n:02X}0000000000FF")
        lines.append(f"({n}.100000) can1 6E2#0322010455555555")
        lines.append(f"({n}.200000) can1 6EA#1009620104{n:02X}{n % 3:02X}00")
        lines.append(f"({n}.300000) can1 6E2#3000000000000000")
        lines.append(f"({n}.400000) can1 6EA#21000000AAAAAAAA")
    log.write_text("\n".join(lines) + "\n")
    dbc.write_text("BO_ 291 M: 8 X\n" + "".join(f' SG_ S{k} : {k}|2@1+ (1,9) [0|1] "" X\n' for k in range(64)))
    assert main(["coverage", str(log), "--map", str(dbc), "--quick"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    rows = [line.split() for line in lines]
    assert any(row[:2] == ["bus", "identifier"] for row in rows)
    assert any(row[:5] == ["can1", "6EA", "62", "01", "04"] for row in rows)
    assert any(line.strip() == "and 23 more" for line in lines)
