"""`compare` prints what became better and worse; its JSON has the documented shape."""

import json
import lzma
from pathlib import Path

import pytest

from decoder.commands.main import main

HERE = Path(__file__).resolve().parents[2]
CAPTURE = HERE / "captures" / "harbour_shuttle.log.xz"
MEANT = [
    "--map",
    str(HERE / "signal_maps" / "harbour_shuttle.dbc"),
    "--sheet",
    str(HERE / "signal_maps" / "harbour_shuttle.toml"),
]


@pytest.fixture(scope="module")
def halves(tmp_path_factory):
    """The bundled capture cut in two: before the supply is cut, and after."""
    lines = lzma.decompress(CAPTURE.read_bytes()).decode().splitlines(keepends=True)
    folder = tmp_path_factory.mktemp("halves")
    paths = folder / "before.log", folder / "after.log"
    for path, some in zip(paths, (lines[:25_000], lines[25_000:]), strict=True):
        path.write_text("".join(some))
    return [str(path) for path in paths]


def test_text_counts_and_lists_what_differs(halves, capsys):
    assert main(["compare", *halves, *MEANT]) == 0
    text = capsys.readouterr().out
    assert "Figures in B against A" in text
    assert "the same within what can be told" in text
    new = text[text.index("Findings that are new in B") : text.index("Findings in both")]
    assert "contactor-held" in new
    assert "CGH**" in text
    assert "CGH**" not in new


def test_json_has_its_documented_shape(halves, capsys):
    assert main(["compare", *halves, *MEANT, "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert set(whole) == {
        "schema",
        "captures",
        "identity",
        "differences",
        "findings_gone",
        "findings_new",
        "findings_stayed",
    }
    assert whole["schema"] == "cellglean.compare/1"
    assert whole["captures"] == halves
    assert {tuple(sorted(one)) for one in whole["identity"]} == {("differs", "first", "name", "second")}
    keys = {"what", "place", "first", "second", "unsure", "unit", "verdict"}
    assert all(set(one) == keys for one in whole["differences"])
    assert "contactor-held" in [one["code"] for one in whole["findings_new"]]


def test_a_vehicle_number_is_hidden_unless_wanted(halves, capsys):
    main(["compare", *halves, *MEANT, "--show-vin"])
    assert "CGH**" not in capsys.readouterr().out


def test_a_map_of_its_own_for_the_second(halves, capsys, tmp_path):
    empty = tmp_path / "empty.dbc"
    empty.write_text('VERSION ""\nBO_ 1 Nothing: 8 X\n')
    assert main(["compare", *halves, *MEANT, "--second-map", str(empty), "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert {one["verdict"] for one in whole["differences"]} == {"unknown"}


def test_a_capture_that_is_not_there_is_told(capsys):
    assert main(["compare", str(CAPTURE), "nowhere.log", *MEANT]) == 2
    assert "nowhere.log" in capsys.readouterr().err


def test_without_a_map_it_says_so(capsys):
    assert main(["compare", str(CAPTURE), str(CAPTURE)]) == 2
    assert "no signal map is given" in capsys.readouterr().err
