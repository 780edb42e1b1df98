import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import decoder.maps
from decoder.errors import SheetError
from decoder.maps.pack_sheet import ChannelRule, Limits, PackSheet
from decoder.maps.sheet_file import MOST_BYTES, load_sheet, parse_sheet
from decoder.printable import printable

GOOD = """\
[pack]
name = "Harbour shuttle"
chemistry = "NMC"
charge_curve = "NMC532"
capacity_ah = 62
current_positive = "charge"
cells_in_series = 84
modules = 6
cells_per_module = 14

[[channels]]
match = "Cell_{module}_{cell}_V"
quantity = "cell voltage"
low = 2.8
high = 4.2
absent = [65535, -1]
cycle_s = 0.1

[[channels]]
match = "MainPlusClosed"
quantity = "contactor"
sensor = "positive"

[[channels]]
match = "*_Crc"
quantity = "check"
form = "CRC-8/SAE-J1850"
constant = 0x27

[[channels]]
quantity = "pack voltage"
high = 350

[limits]
module_spread_v = 0.040
temperature_spread_c = 8

[case]
front = "connector side"
rows = [[1, 2], [3, 4], [5, 6]]
"""


def test_a_whole_sheet():
    assert parse_sheet(GOOD, "pack.toml") == PackSheet(
        name="Harbour shuttle",
        chemistry="NMC",
        charge_curve="NMC532",
        capacity_ah=62,
        current_positive="charge",
        cells_in_series=84,
        modules=6,
        cells_per_module=(14,) * 6,
        rules=(
            ChannelRule("Cell_{module}_{cell}_V", "cell voltage", 2.8, 4.2, absent=(65535, -1), cycle_s=0.1, line=11),
            ChannelRule("MainPlusClosed", "contactor", sensor="positive", line=19),
            ChannelRule("*_Crc", "check", form="CRC-8/SAE-J1850", constant=0x27, line=24),
            ChannelRule("", "pack voltage", high=350, line=30),
        ),
        limits=Limits(module_spread_v=0.04, temperature_spread_c=8),
        front="connector side",
        rows=((1, 2), (3, 4), (5, 6)),
        path="pack.toml",
    )


def test_everything_is_optional(tmp_path):
    (tmp_path / "pack.toml").write_text("")
    assert load_sheet(tmp_path / "pack.toml") == PackSheet(path=str(tmp_path / "pack.toml"))


def test_the_loader_is_found_in_the_package(tmp_path):
    (tmp_path / "pack.toml").write_text(GOOD)
    assert decoder.maps.load_sheet(tmp_path / "pack.toml").modules == 6


@pytest.mark.parametrize(
    ("pack", "cells", "in_series"),
    [
        ("modules = 2\ncells_per_module = 3", (3, 3), 6),
        ("cells_per_module = [3, 4]", (3, 4), 7),
        ("cells_in_series = 6\ncells_per_module = 3", (3, 3), 6),
        ("modules = 2\ncells_in_series = 7\ncells_per_module = [3, 4]", (3, 4), 7),
        ("modules = 2\ncells_in_series = 6", None, 6),
    ],
)
def test_modules_and_cells_are_brought_together(pack, cells, in_series):
    sheet = parse_sheet(f"[pack]\n{pack}\n")
    assert (sheet.cells_per_module, sheet.cells_in_series) == (cells, in_series)
    assert sheet.modules == (len(cells) if cells else 2)


# text, line, what is named, what is allowed, the nearest right spelling
WRONG = [
    ('[pack]\nchemistri = "NMC"\n', 2, "chemistri", "chemistry", "chemistry"),
    ('[pack]\n\nchemistry = "NCM"\n', 3, "NCM", "NMC, NCA, LFP, LTO, NiMH", "NMC"),
    ('[pack]\nchemistry = "nimh"\n', 2, "nimh", "NiMH", "NiMH"),
    ("[pack]\nchemistry = 3\n", 2, "chemistry", "NMC", None),
    ('[pack]\ncharge_curve = "NMC53"\n', 2, "NMC53", ".csv", "NMC532"),
    ('[pack]\ncurrent_positive = "discharging"\n', 2, "discharging", "discharge, charge", "discharge"),
    ("[pack]\nmodules = 1.5\n", 2, "modules", "whole number", None),
    ("[pack]\nmodules = true\n", 2, "true", "whole number", None),
    ("[pack]\nmodules = 1000000000000\n", 2, "modules", "1 to 1000", None),
    ("[pack]\ncapacity_ah = 0\n", 2, "capacity_ah", "above 0", None),
    ("[pack]\ncapacity_ah = inf\n", 2, "inf", "number", None),
    ("[pack]\ncells_per_module = 14\n", 2, "cells_per_module", "modules", None),
    ("[pack]\ncells_per_module = []\n", 2, "empty", "one number", None),
    ('[pack]\ncells_per_module = [1, "2"]\n', 2, "cells_per_module", "whole number", None),
    ("[pack]\nmodules = 3\ncells_per_module = [\n 14, 14]\n", 3, "2 numbers", "3 numbers", None),
    ("[pack]\nmodules = 3\ncells_per_module = 14\ncells_in_series = 41\n", 3, "42", "41", "correct one"),
    ("pack = 3\n", 1, "pack", "[pack]", None),
    ("[pak]\n", 1, "pak", "[pack], [channels]", "pack"),
    ('[channels]\nmatch = "A"\n', 1, "channels", "[[channels]]", "[[channels]]"),
    ("[[channels]]\nlow = 1\n", 1, "which channels", "match", None),
    ('[[channels]]\nquantity = "other"\n', 1, "which channels", "match", None),
    ('[[channels]]\nquantity = "cell voltage"\ncell = 3\n', 3, "cell", "match", None),
    ('[[channels]]\nmatch = "A"\nquantity = "cel voltage"\n', 3, "cel voltage", "cell voltage", "cell voltage"),
    ('[[channels]]\nmatch = ""\n', 2, "match", "1 to 500", None),
    ('[[channels]]\nmatch = "C{cel}"\n', 2, "C{cel}", "nearest is {cell}", None),
    ('[[channels]]\nmatch = "C{cell}"\ncell = 4\n', 3, "{cell}", "one of the two", None),
    ('[[channels]]\nmatch = "A"\nlow = 4.2\nhigh = 2.8\n', 3, "4.2", "below", None),
    ('[[channels]]\nmatch = "A"\n\n[[channels]]\nmatch = "B"\nhi = 2\n', 6, "hi", "high", "high"),
    ('[[channels]]\nmatch = "A"\nlow = "3"\n', 3, "'3'", "a number", None),
    ('[[channels]]\nmatch = "A"\nabsent = 255\n', 3, "255", "list", None),
    ('[[channels]]\nmatch = "A"\nabsent = [1.5]\n', 3, "absent", "whole number", None),
    ('[[channels]]\nmatch = "A"\nsensor = []\n', 3, "sensor", "text", None),
    ('[[channels]]\nmatch = "A"\nquantity = "contactor"\nsensor = "positiv"\n', 4, "positiv", "negative", "positive"),
    ("[limits]\nmodule_spread = 0.04\n", 2, "module_spread", "module_spread_v", "module_spread_v"),
    ("[limits]\nsupply_low_v = 16\nsupply_high_v = 9\n", 2, "16", "below", None),
    ("[pack]\nmodules = 2\n[case]\nrows = [[1],\n [2, 3]]\n", 5, "module 3", "1 to 2", None),
    ("[case]\nrows = [[1, 2],\n\n [2]]\n", 4, "twice", "one place", None),
    ("[case]\nrows = [1, 2]\n", 2, "rows", "list of module numbers", None),
    ("[case]\nfront = 1\nrows = [[1]]\n", 2, "front", "text in quotes", None),
    ('[pack]\nname = "a\n', 2, "column", "key =", None),
    ("[pack]\nname = 1\nname = 2\n", 3, "overwrite", "key =", None),
    ("x = " + "[" * 5000, None, "nested", "rows", None),
    ("x = " + "9" * 5000, None, "digits", "key =", None),
]


@pytest.mark.parametrize(("text", "line", "names", "allowed", "nearest"), WRONG)
def test_a_wrong_sheet_gives_line_key_what_is_allowed_and_the_nearest_spelling(text, line, names, allowed, nearest):
    with pytest.raises(SheetError) as caught:
        parse_sheet(text, "pack.toml")
    error = caught.value
    assert (error.where.path, error.where.line) == ("pack.toml", line)
    assert names in error.what
    assert allowed in error.expected
    if nearest is not None:
        assert nearest in error.advice


def test_a_sheet_that_is_no_utf8_gives_the_line(tmp_path):
    (tmp_path / "pack.toml").write_bytes(b'[pack]\nname = "\xe9"\n')
    with pytest.raises(SheetError, match="UTF-8") as caught:
        load_sheet(tmp_path / "pack.toml")
    assert (caught.value.where.line, caught.value.where.byte) == (2, 16)


def test_a_sheet_that_cannot_be_read(tmp_path):
    for path in (tmp_path, tmp_path / "none.toml", "nul\0byte"):
        with pytest.raises(SheetError, match="cannot read"):
            load_sheet(path)


def test_a_capture_given_as_sheet_is_not_read_to_its_end(tmp_path):
    (tmp_path / "big.toml").write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(SheetError, match="no pack sheet"):
        load_sheet(tmp_path / "big.toml")


def test_a_byte_order_mark_is_no_error():
    assert parse_sheet("\ufeff" + GOOD) == parse_sheet(GOOD)


def test_control_characters_of_a_sheet_never_reach_the_error():
    for text in (
        '[pack]\n"\\u001b[2J" = 1\n',
        '[pack]\nchemistry = "\\u202e"\n',
        '[[channels]]\nmatch = "{\\u001bcell}"\n',
    ):
        with pytest.raises(SheetError) as caught:
            parse_sheet(text, "pack.toml")
        assert all(line.isprintable() for line in str(caught.value).splitlines())


def loads_or_explains(text):
    try:
        parse_sheet(text, "pack.toml")
    except SheetError as error:
        caught = error
    else:
        return
    assert caught.expected
    text = str(caught).replace("\n", "")
    assert printable(text) == text


@given(st.text())
def test_any_text_loads_or_explains(text):
    loads_or_explains(text)


MARKS = ["[", "]", '"', "'", "=", "\n", "#", "{", "}", ",", ".", "\\", '"""', "\r", "\x00", "\u2028", "é"]
WORDS = [
    "nan",
    "-1",
    "1e999",
    "true",
    "1979-05-27",
    "{}",
    "[]",
    "match",
    "rows = [[1]]\n",
    "[pack]\n",
    "[[channels]]\n",
]
PIECES = st.sampled_from([*MARKS, *WORDS])


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(0, len(GOOD)), st.integers(0, 12), PIECES | st.text(max_size=3)), max_size=4))
def test_a_damaged_sheet_loads_or_explains(changes):
    text = GOOD
    for start, length, piece in changes:
        text = text[:start] + piece + text[start + length :]
    loads_or_explains(text)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=2),
)
KEYS = [line.split(" = ")[0] for line in GOOD.splitlines() if " = " in line]


def written(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{written(key)} = {written(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(character):08x}" for character in value) + '"'
    return {None: '"NMC"', True: "true", False: "false"}.get(value) or repr(value)


@given(st.sampled_from(["[pack]", "[[channels]]", "[limits]", "[case]"]), st.sampled_from(KEYS), values)
def test_any_value_of_any_key_loads_or_explains(table, key, value):
    loads_or_explains(f"{table}\n{key} = {written(value)}\n")
