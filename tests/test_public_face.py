"""The package's face is what it lists, and costs nothing until it is used."""

import subprocess
import sys

import decoder


def loaded(code):
    heavy = "('numpy', 'pandas', 'textual', 'cantools', 'can', 'pyarrow', 'rich', 'matplotlib', 'jinja2')"
    program = f"import sys\n{code}\nprint([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    return done.stdout.strip().splitlines()[-1]


def test_every_public_name_is_there():
    for name in decoder.__all__:
        assert getattr(decoder, name) is not None
    assert set(decoder.__all__) == set(decoder._HOME)
    assert set(decoder.__all__) <= set(dir(decoder))


def test_an_unknown_name_is_an_attribute_error():
    assert not hasattr(decoder, "no_such_thing")


def test_importing_the_package_loads_nothing_heavy():
    assert loaded("import decoder") == "[]"


def test_help_loads_nothing_heavy():
    assert loaded("from decoder.commands.main import parser; parser().format_help()") == "[]"


def test_decoding_never_loads_textual():
    names = "carve, compare, coverage, decode, draft, exchanges, identity, judge, load_map, load_sheet, read_capture"
    assert "textual" not in loaded(f"from decoder import {names}, survey, write_report")
