"""Adding to a pack sheet puts lines between its lines; what the sheet said it still says."""

import difflib
from dataclasses import replace

import pytest

from decoder.errors import SheetError
from decoder.maps.pack_sheet import ChannelRule
from decoder.maps.sheet_add import PackFacts, read_or_new, with_additions
from decoder.maps.sheet_file import parse_sheet

RULES = (ChannelRule("Cell_{module}_{cell}_V", "cell voltage"), ChannelRule("Top", "contactor", sensor="positive"))
FACTS = PackFacts(84, 6, 14)
SHEETS = {
    "rules": '# ours\n[pack]\nname = "x"  # y\n\n# the cells\n[[channels]]\nmatch = "A"\nlow = 1\n# end\n\n[limits]\n'
    "module_spread_v = 0.04\n",
    "only limits": "# top\n\n# limits\n[limits]\nmodule_spread_v = 0.04",
    "rules last": '[[channels]]\nmatch = "A"',
    "apart": '[[channels]]\nmatch = "A"\n[limits]\n[[channels]]\nmatch = "B"\n[case]\nfront = "f"\n',
    "comment": "# only this\n",
    "empty": "",
    "text": "text = 1\n".replace("text = 1", "[pack]") + 'name = """\n[x]\n# y\n"""\n[limits]\n',
}  # fmt: skip
INLINE = {
    "list": 'channels = [{match = "A", low = 1.0}]  # all\n\n[limits]\nmodule_spread_v = 0.04\n',
    "table": 'pack = {name = "x"}\n# c\n[limits]\n',
    "dotted": 'pack.name = "x"\n[limits]\n',
}


def added(text, rules=RULES, facts=FACTS):
    sheet = parse_sheet(text, "p.toml")
    return sheet, with_additions(sheet, text.encode(), rules, facts.missing_in(sheet))


def without_lines(rules):
    return [replace(rule, line=None) for rule in rules]


def says_both(old, new):
    sheet = parse_sheet(new)
    assert without_lines(sheet.rules) == [*without_lines(old.rules), *RULES]
    assert (sheet.cells_in_series, sheet.modules, sheet.cells_per_module) == (84, 6, (14,) * 6)
    assert (sheet.name, sheet.limits, sheet.front) == (old.name, old.limits, old.front)


@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_only_lines_are_added(name, ending, mark):
    text = mark + SHEETS[name].replace("\n", ending)
    old, new = added(text)
    says_both(old, new.text)
    bare = [one.removeprefix("\ufeff").splitlines() for one in (text, new.text)]
    matcher = difflib.SequenceMatcher(None, *bare, autojunk=False)
    assert {code for code, *_ in matcher.get_opcodes()} <= {"equal", "insert"}
    assert new.text.startswith(mark)
    if "\n" in text:
        assert ("\r\n" in new.text) == (ending == "\r\n")
        assert new.text.count(ending) == new.text.count("\n")
    assert len(bare[1]) == len(bare[0]) + len(new.lines)


@pytest.mark.parametrize("name", INLINE)
def test_a_sheet_that_writes_tables_in_line_keeps_all_it_says(name):
    old, new = added(INLINE[name])
    says_both(old, new.text)
    assert all(line.split("#")[-1] in new.text for line in INLINE[name].splitlines() if "#" in line)


def test_new_rules_stand_behind_those_that_are_there():
    _, new = added(SHEETS["rules"])
    lines = new.text.splitlines()
    assert lines.index('match = "A"') < lines.index('match = "Cell_{module}_{cell}_V"') < lines.index("[limits]")
    assert lines.index("modules = 6") < lines.index("# the cells")
    assert lines.index("# end") > lines.index('match = "Top"')


def test_what_a_sheet_says_of_the_pack_stays():
    _, new = added("[pack]\nmodules = 7\n", rules=(), facts=PackFacts(84, 6))
    assert new.text == "[pack]\nmodules = 7\ncells_in_series = 84\n"
    assert new.lines == ("cells_in_series = 84",)


def test_a_sheet_that_is_wrong_or_cannot_be_added_to_is_left(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text("[pack]\nmodule = 3\n")
    with pytest.raises(SheetError, match="module"):
        read_or_new(path)
    assert read_or_new(tmp_path / "new.toml")[1] is None
    with pytest.raises(SheetError):
        read_or_new(tmp_path)
    with pytest.raises(SheetError, match="left as it was"):
        added("", rules=(ChannelRule("A", "no quantity"),))
