import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.maps.toml_lines import header_lines, key_lines

SHEET = '''# a comment with [brackets] = "quotes
[pack]
name = "a ] } # not a comment"
"quoted key" = 'it''
'quoted.too' = """
[no]
a = 1 \\""" still ""text"""
dotted . "key" = {x = 1, y = [1, 2]}
[[channels]]  # one
match = "a"
absent = [  # first
  1,
  # between
  [2,
   3],
]
[[channels]]
match = \'\'\'
[[channels]]\'\'\'
[channels.inner]
z = 1979-05-27T07:32:00Z
[case]
rows = [[1, 2],
        [3, 4]]
'''.replace("'it''", "'it'")


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("pack",), 2),
        (("pack", "name"), 3),
        (("pack", "quoted key"), 4),
        (("pack", "quoted.too"), 5),
        (("pack", "dotted", "key", "x"), 8),
        (("pack", "dotted", "key", "y", 1), 8),
        (("channels", 0), 9),
        (("channels", 0, "absent"), 11),
        (("channels", 0, "absent", 0), 12),
        (("channels", 0, "absent", 1, 0), 14),
        (("channels", 0, "absent", 1, 1), 15),
        (("channels", 1), 17),
        (("channels", 1, "match"), 18),
        (("channels", 1, "inner", "z"), 21),
        (("case", "rows", 1, 0), 24),
    ],
)
def test_where_each_key_stands(path, line):
    tomllib.loads(SHEET)
    assert key_lines(SHEET)[path] == line


def test_headers_inside_texts_are_none():
    assert header_lines(SHEET) == [2, 9, 17, 20, 22]


@st.composite
def documents(draw):
    """TOML text in which each value is the number of the line that it stands on."""
    lines = []

    def value(depth, *, breaks):
        kind = draw(st.sampled_from(["number", "number", "text", "array", "table"])) if depth < 3 else "number"
        if kind == "number":
            lines[-1] += str(len(lines))
        elif kind == "text":
            lines[-1] += draw(st.sampled_from(['"{0} # ]"', "'{0} }}'", '"{0} \\" ,"'])).format(len(lines))
        else:
            opening, closing = "[]" if kind == "array" else "{}"
            breaks = breaks and kind == "array"
            lines[-1] += opening
            for number in range(draw(st.integers(0, 3))):
                lines[-1] += ", " if number else ""
                if breaks and draw(st.booleans()):
                    lines[-1] += draw(st.sampled_from(["", " # ] }"]))
                    lines.append("  ")
                if kind == "table":
                    lines[-1] += f"k{number} = "
                value(depth + 1, breaks=breaks)
            lines[-1] += closing

    for table in range(draw(st.integers(1, 4))):
        if table:
            lines.append(draw(st.sampled_from(["[[list]]", f"[t{table}]"])))
        for key in range(draw(st.integers(0, 4))):
            lines += draw(st.sampled_from([[], ["# x = 1"], ["", '# [x] """']]))
            lines.append(draw(st.sampled_from(["k{0} = ", '"k{0}"=', "  a.k{0}\t= "])).format(key))
            value(0, breaks=True)
    return draw(st.sampled_from(["\n", "\r\n"])).join([*lines, ""])


def leaves(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*path, number))
    else:
        yield path, int(str(value).split()[0])


@settings(max_examples=300)
@given(documents())
def test_every_value_of_any_document_is_found_on_its_line(text):
    found = key_lines(text)
    for path, line in leaves(tomllib.loads(text)):
        assert found[path] == line
