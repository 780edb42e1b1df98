"""The command line: status, complaints, output that is whole or not there."""

import io
import json

import pandas as pd
import pytest

from decoder.commands.main import main
from tests.commands.test_demo_verb import FILES


def status(*arguments):
    try:
        return main(list(arguments))
    except SystemExit as stop:
        return stop.code


def test_help_names_the_verbs_and_the_caution(capsys):
    assert status("--help") == 0
    text = capsys.readouterr().out
    assert "High voltage kills" in text
    for verb in ("demo", "open", "exchanges", "decode", "judge"):
        assert verb in text


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("nonsense",),
        ("decode",),
        ("judge", "no-such-file.log"),
        ("decode", FILES[0]),
        ("decode", *FILES, "--shape", "wide"),
        ("decode", *FILES, "--shape", "wide", "--every", "0"),
        ("decode", *FILES, "--every", "1"),
        ("decode", *FILES, "--only", "nothing*"),
        ("judge", *FILES, "--from", "5", "--to", "1"),
        ("judge", *FILES, "--from", "x"),
        ("judge", *FILES, "--bus", "can9"),
        ("judge", FILES[0], "--map", FILES[0]),
        ("judge", FILES[0], "--sheet", FILES[2]),
    ],
)
def test_what_cannot_be_used_ends_with_2_and_says_what_to_do(arguments, capsys):
    assert status(*arguments) == 2
    complaint = capsys.readouterr().err
    assert complaint.startswith("cellglean: ")
    assert "Traceback" not in complaint
    assert "expected: " in complaint or "to do: " in complaint


def test_an_output_folder_that_is_not_there(tmp_path, capsys):
    out = tmp_path / "none" / "x.csv"
    assert status("decode", *FILES, "--out", str(out)) == 2
    assert "cannot write" in capsys.readouterr().err


def test_decode_writes_a_long_table(tmp_path):
    out = tmp_path / "long.csv"
    assert status("decode", *FILES, "--only", "Cell_4_0*", "--only", "Pack_A", "--out", str(out)) == 0
    table = pd.read_csv(out, dtype={"id": str})
    assert list(table.columns) == ["time_s", "bus", "id", "message", "channel", "raw", "value", "unit", "state"]
    assert set(table["channel"]) == {f"Cell_4_0{n}_V" for n in range(1, 10)} | {"Pack_A"}
    assert table["time_s"].is_monotonic_increasing
    absent = table["state"] == "absent"
    assert absent.any()
    assert table.loc[absent, "value"].isna().all()
    assert table.loc[~absent, "value"].notna().all()


def test_decode_writes_a_wide_table_and_parquet_keeps_units(tmp_path):
    from pyarrow import parquet

    out = tmp_path / "wide.parquet"
    wide = ("--shape", "wide", "--every", "0.5", "--only", "Cell_4_1*")
    assert status("decode", *FILES, *wide, "--out", str(out)) == 0
    schema = parquet.read_schema(out)
    assert schema.field("Cell_4_11_V [V]").metadata[b"unit"] == b"V"
    csv = tmp_path / "wide.csv"
    assert status("decode", *FILES, *wide, "--out", str(csv)) == 0
    pd.testing.assert_frame_equal(pd.read_parquet(out), pd.read_csv(csv), check_exact=False, rtol=0, atol=1e-9)


def test_labels_are_a_column_of_their_own(capsys):
    assert status("decode", *FILES, "--only", "Contactor_Positive", "--labels", "--to", "1") == 0
    table = pd.read_csv(io.StringIO(capsys.readouterr().out))
    assert set(table.loc[table["raw"] == 1, "label"]) <= {"closed"}


def test_standard_input(monkeypatch, capsys):
    text = b"(1700000000.000000) can0 120#0DAC0DAC00000000\n"

    class Pipe:
        buffer = io.BufferedReader(io.BytesIO(text))

        def isatty(self):
            return False

    monkeypatch.setattr("sys.stdin", Pipe())
    assert status("decode", "-", "--map", FILES[2], "--only", "Pack_V") == 0
    assert ",Pack_V,3500,350,V,ok" in capsys.readouterr().out


def test_an_interrupt_leaves_no_half_file(tmp_path, monkeypatch, capsys):
    def interrupted(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("decoder.channels.export.long_table", interrupted)
    assert status("decode", *FILES, "--out", str(tmp_path / "x.csv")) == 130
    assert list(tmp_path.iterdir()) == []
    assert "interrupted" in capsys.readouterr().err


def test_judge_as_json_has_its_documented_shape(capsys):
    assert status("judge", *FILES, "--json", "--to", "20") == 0
    whole = json.loads(capsys.readouterr().out)
    assert set(whole) == {"schema", "findings", "not_judged"}
    keys = {"code", "severity", "channel", "channels", "place", "value", "limit", "unit", "from_ns", "to_ns", "also"}
    assert set(whole["findings"][0]) == keys | {"explanation", "advice", "source"}


def test_open_prints_text_where_there_is_no_terminal(capsys):
    assert status("open", *FILES) == 0
    assert "module-spread" in capsys.readouterr().out


def test_without_a_map_open_still_says_what_the_capture_is(capsys):
    assert status("open", FILES[0]) == 0
    assert "50,836 lines" in capsys.readouterr().out


def test_roles_say_what_each_channel_is_and_by_which_rule(capsys):
    assert status("open", *FILES, "--roles") == 0
    (row,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Cell_4_11_V")]
    assert "cell voltage" in row
    assert "module 4 cell 11" in row
    assert "the sheet's line" in row
    assert status("open", *FILES[:3], "--roles") == 0
    (row,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Cell_4_11_V")]
    assert "unit" in row


def test_a_sheet_and_notes_kept_beside_the_capture_are_used(tmp_path, capsys):
    capture = tmp_path / "bench.log"
    capture.write_text("".join(f"({1_700_000_000 + i}.000000) can0 120#0DAC0DAC00000000\n" for i in range(5)), "utf-8")
    (tmp_path / "bench.log.sheet.toml").write_text('[[channels]]\nmatch = "Pack_V"\nhigh = 300\n', "utf-8")
    (tmp_path / "bench.log.notes.toml").write_text('[[notes]]\ntext = "smells odd"\n', "utf-8")
    assert status("judge", str(capture), "--map", FILES[2]) == 0
    said = capsys.readouterr()
    assert "channel-high" in said.out
    assert "smells odd" in said.out
    assert "bench.log.sheet.toml" in said.err


def test_a_unit_of_the_map_cannot_act_on_the_terminal(tmp_path, capsys):
    log, dbc = tmp_path / "a.log", tmp_path / "a.dbc"
    log.write_text("".join(f"({n}.000000) can0 123#FF00\n" for n in range(1, 30)))
    dbc.write_text('BO_ 291 M: 2 X\n SG_ Supply_V : 0|8@1+ (1,0) [0|100] "V\x1b[2J" X\n')
    for arguments in (["judge", str(log)], ["open", str(log), "--text"], ["open", str(log), "--roles"]):
        assert main([*arguments, "--map", str(dbc)]) == 0
        assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize("verb", ["judge", "survey", "exchanges", "carve", "decode", "infer", "coverage", "report"])
def test_a_capture_that_is_read_is_not_written_over(verb, tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("(0.000000) can0 123#00\n", "utf-8")
    assert main([verb, str(path), "--out", str(tmp_path / "." / "a.csv")]) == 2
    assert "is read here" in capsys.readouterr().err
    assert path.read_text("utf-8") == "(0.000000) can0 123#00\n"


@pytest.mark.parametrize("at", [0, 1])
def test_neither_side_of_a_comparison_is_written_over(at, tmp_path, capsys):
    paths = [tmp_path / "a.log", tmp_path / "b.log"]
    for path in paths:
        path.write_text("(0.000000) can0 123#00\n", "utf-8")
    assert main(["compare", *map(str, paths), "--out", str(paths[at])]) == 2
    assert "is read here" in capsys.readouterr().err
    assert paths[at].read_text("utf-8") == "(0.000000) can0 123#00\n"
