import os
from dataclasses import replace

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.errors import OutputError, SheetError, UsageError
from decoder.maps.pack_sheet import ChannelRule
from decoder.maps.patterns import literal
from decoder.maps.roles import Named, assign_roles
from decoder.maps.sheet_file import load_sheet, parse_sheet, set_channel_limit

SHEET = """\
# our sheet
[pack]
modules = 2   # two

# the cells
# of all modules
[[channels]]  # cells
match = "Cell_{module}_{cell}_V"
quantity = "cell voltage"
low = 2.8   # low end
absent = [ 65535 ]

[limits]
module_spread_v = 0.04

# one of them
[[channels]]
match = "MainPlus"
quantity = "contactor"
sensor = "positive"
# the end
"""


@pytest.fixture
def path(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text(SHEET)
    return file


def test_a_new_rule_stands_before_the_first_and_says_what_the_pattern_said(path):
    set_channel_limit(path, "Cell_1_03_V", None, 4.1)
    block = """[[channels]]
match = "Cell_1_03_V"
quantity = "cell voltage"
low = 2.8
high = 4.1
absent = [65535]

"""
    assert path.read_text() == SHEET.replace("# the cells\n", block + "# the cells\n")


def test_a_rule_for_exactly_this_name_is_changed(path):
    set_channel_limit(path, "MainPlus", 0, 1)
    assert path.read_text() == SHEET.replace('sensor = "positive"\n', 'sensor = "positive"\nlow = 0.0\nhigh = 1.0\n')


def test_a_value_that_stands_there_keeps_its_comment(path):
    path.write_text(SHEET.replace("{module}_{cell}", "1_3"))
    set_channel_limit(path, "Cell_1_3_V", 2.9, None)
    assert path.read_text() == SHEET.replace("{module}_{cell}", "1_3").replace("low = 2.8 ", "low = 2.9 ")


def test_an_exact_rule_behind_a_pattern_that_fits_has_no_say_so_a_new_one_goes_first(path):
    path.write_text('[[channels]]\nmatch = "A*"\nlow = 1\n\n[[channels]]\nmatch = "A1"\nlow = 2\n')
    set_channel_limit(path, "A1", None, 9)
    rules = load_sheet(path).rules
    assert [(rule.match, rule.low, rule.high) for rule in rules] == [("A1", 1, 9), ("A*", 1, None), ("A1", 2, None)]


def test_a_missing_sheet_is_made(tmp_path):
    set_channel_limit(tmp_path / "new.toml", "A{1}*", 1, 2)
    (rule,) = load_sheet(tmp_path / "new.toml").rules
    assert rule == ChannelRule("A{{}1{}}{*}", low=1, high=2, line=1)


def test_a_sheet_without_rules_gets_one_at_its_end(path):
    path.write_text("[pack]\nmodules = 2")
    set_channel_limit(path, "A", 1, None)
    assert path.read_text() == '[pack]\nmodules = 2\n\n[[channels]]\nmatch = "A"\nlow = 1.0\n'


@pytest.mark.parametrize("name", ["A", "B", "C"])
def test_rules_written_as_a_list_are_edited_too(path, name):
    text = 'channels = [ # rules\n  {match = "A", low = 1}, # a\n  {match = "B*"},\n]\n[pack]\nmodules = 2\n'
    path.write_text(text)
    set_channel_limit(path, name, None, 5)
    assert next(rule for rule in load_sheet(path).rules if rule.match == name).high == 5
    assert "# rules" in path.read_text()
    assert "# a" in path.read_text()


def test_nothing_given_changes_nothing(path):
    set_channel_limit(path, "MainPlus", None, None)
    assert path.read_text() == SHEET


def test_line_ends_and_byte_order_mark_stay(path):
    path.write_bytes(("\ufeff" + SHEET).replace("\n", "\r\n").encode())
    set_channel_limit(path, "MainPlus", 0, None)
    set_channel_limit(path, "New", 0, None)
    text = path.read_bytes().decode()
    assert text.startswith("\ufeff")
    assert text.count("\n") == text.count("\r\n") == SHEET.count("\n") + 5


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("A", 2, 1),
        ("Cell_1_1_V", None, 2.0),
        ("A", float("nan"), None),
        ("A", None, float("inf")),
        ("", 1, 2),
        ("\ud800", 1, 2),
    ],
)
def test_what_cannot_be_written_leaves_the_file_as_it_was(path, name, low, high):
    with pytest.raises(UsageError):
        set_channel_limit(path, name, low, high)
    assert path.read_text() == SHEET


@pytest.mark.parametrize("tail", ['"""', '""" # end\n# more\n'])
def test_a_rule_that_cannot_be_edited_safely_leaves_the_file_as_it_was(path, tail):
    text = '[[channels]]\nmatch = "A"\nform = """\n# not a comment' + tail
    path.write_text(text)
    with pytest.raises(SheetError, match="by hand"):
        set_channel_limit(path, "A", 1, None)
    assert path.read_text() == text


def test_a_wrong_sheet_is_not_edited(path):
    path.write_text("[pak]\n")
    with pytest.raises(SheetError, match="pak"):
        set_channel_limit(path, "A", 1, None)
    assert path.read_text() == "[pak]\n"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(path):
    path.parent.chmod(0o500)
    try:
        with pytest.raises(OutputError):
            set_channel_limit(path, "A", 1, None)
        assert path.read_text() == SHEET
    finally:
        path.parent.chmod(0o700)


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(OutputError):
        set_channel_limit(tmp_path / "none" / "pack.toml", "A", 1, None)


def test_no_file_is_left_beside_the_sheet(path):
    set_channel_limit(path, "A", 1, None)
    assert [each.name for each in path.parent.iterdir()] == [path.name]


NAMES = [f"Cell_{m}_{c:02}_V" for m in (0, 1) for c in (0, 1, 2)]
NAMES += ["Temp_1", "Temp_2", "MainPlus", "PackVoltage", "A*{x}", "CellMin_V", "Q7"]
UNITS = {"Temp_1": "°C", "Temp_2": "°C", "MainPlus": ""}
CHANNELS = [Named(name, UNITS.get(name, "V")) for name in NAMES]

patterns = st.sampled_from(
    ["Cell_{module}_{cell}_V", "Cell_0_{cell}_V", "Cell_*", "*", "*_V", "*{sensor}", "Temp_{sensor}", "*{cell}*"]
) | st.sampled_from(NAMES).map(literal)
optional = st.none() | st.sampled_from([0.5, 1.0, 2.8])


@st.composite
def rule_tables(draw):
    match = draw(st.none() | patterns)
    quantity = draw(st.sampled_from([None, "cell voltage", "module temperature", "other"]))
    if match is None:
        quantity = draw(st.sampled_from(["cell voltage", "pack voltage"]))
    table = {
        "match": match,
        "quantity": quantity,
        "low": draw(optional),
        "high": draw(st.sampled_from([None, 3.0, 4.2])),
        "absent": draw(st.sampled_from([None, [], [255, 65535]])),
        "cycle_s": draw(optional),
        "modulus": draw(st.sampled_from([None, 15])),
    }
    if match is not None:
        for key in ("module", "cell", "sensor"):
            if f"{{{key}}}" not in match:
                table[key] = draw(st.sampled_from([None, None, 1, 2]))
    return {key: value for key, value in table.items() if value is not None}


@st.composite
def sheets(draw):
    """Text of a sheet with rules, comments, and other tables between them."""
    parts = ["# top\n", draw(st.sampled_from(["", "[pack]\ncells_per_module = [3, 3]\n", "\n[pack] # p\n"]))]
    for number, table in enumerate(draw(st.lists(rule_tables(), max_size=4))):
        parts.append(draw(st.sampled_from(["", "\n", "# note\n", "\n# note\n# [x]\n\n"])))
        parts.append("[[channels]] # rule\n" + tomlkit.dumps(table))
        if number == 1:
            parts.append(draw(st.sampled_from(["", "\n[limits]\nmodule_spread_v = 0.1 # own\n"])))
    return "".join(parts)


def meaning(role):
    """What a role says, without the sheet's line numbers, which move."""
    return replace(role, rule="", limits_from=None)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=sheets(), name=st.sampled_from(NAMES), low=st.none() | st.just(1.5), high=st.none() | st.just(3.5))
def test_a_limit_set_changes_that_limit_and_nothing_else(tmp_path, text, name, low, high):
    path = tmp_path / "pack.toml"
    path.write_text(text)
    before = assign_roles(CHANNELS, parse_sheet(text))
    try:
        set_channel_limit(path, name, low, high)
    except UsageError:
        assert path.read_text() == text
        return
    after = assign_roles(CHANNELS, load_sheet(path))
    for channel, old, new in zip(CHANNELS, before, after, strict=True):
        expected = old
        if channel.name == name:
            expected = replace(old, low=old.low if low is None else low, high=old.high if high is None else high)
        assert meaning(new) == meaning(expected)
    kept = iter(path.read_text().splitlines())
    old_lines = [line for line in text.splitlines() if not line.startswith(("low", "high"))]
    assert all(line in kept for line in old_lines), "comments and order stay"
