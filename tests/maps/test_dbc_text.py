"""Bytes of DBC files as text."""

import gzip

import pytest

from decoder.errors import MapError
from decoder.maps import dbc_text, load_map
from decoder.maps.dbc_text import decode_text

MAP = 'BO_ 100 Heat: 8 X\n SG_ Temp : 0|8@1+ (1,-40) [0|0] "°C" X\n'


def written(path, raw):
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize(
    ("raw", "encoding"),
    [
        (MAP.encode("utf-8"), "utf-8"),
        (MAP.encode("cp1252"), "cp1252"),
        (MAP.replace("°", "").encode("ascii"), "utf-8"),
        (MAP.encode("utf-8-sig"), "utf-8"),
        (b"\xff\xfe" + MAP.encode("utf-16-le"), "utf-16-le"),
        (b"\xfe\xff" + MAP.encode("utf-16-be"), "utf-16-be"),
    ],
)
def test_the_encoding_is_found_and_named(tmp_path, raw, encoding):
    found = load_map(written(tmp_path / "m.dbc", raw))
    assert found.encodings == (encoding,)
    assert found.messages[0].signals[0].unit in {"°C", "C"}


@pytest.mark.parametrize("raw", [MAP.encode("utf-8-sig"), b"\xff\xfe" + MAP.encode("utf-16-le")])
def test_a_byte_order_mark_is_reported_and_refused_only_when_strict(tmp_path, raw):
    path = written(tmp_path / "m.dbc", raw)
    (fault,) = load_map(path).faults
    assert fault.where.line == 1
    assert "byte-order mark" in fault.what
    with pytest.raises(MapError, match="byte-order mark"):
        load_map(path, strict=True)


@pytest.mark.parametrize("character", ["€", "é", "Ω", "日", "\U0001f50b"])
def test_utf_8_is_never_taken_for_cp1252(character):
    assert decode_text(f'"{character}"'.encode()).text == f'"{character}"'


def test_every_defined_byte_of_cp1252_is_read_as_python_reads_it():
    defined = bytes(b for b in range(1, 256) if b not in {0x0D, 0x81, 0x8D, 0x8F, 0x90, 0x9D})
    found = decode_text(defined)
    assert found.text == defined.decode("cp1252")
    assert found.faults == ()


def test_bytes_that_cp1252_leaves_undefined_are_kept_and_reported_with_line_and_byte():
    found = decode_text(b"ab\r\nx\x81\xe9\n\x90\n", "m.dbc")
    assert found.text == "ab\nx\x81é\n\x90\n"
    assert [(f.where.line, f.where.byte) for f in found.faults] == [(2, 2), (3, 1)]
    assert "81" in found.faults[0].what


def test_a_file_marked_as_utf_8_that_is_none_is_read_as_cp1252():
    found = decode_text(b"\xef\xbb\xbf\xb0C")
    assert (found.text, found.encoding) == ("°C", "cp1252")


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_with_every_line_end(tmp_path, line_end):
    text = MAP.replace("°", "") + '\nVAL_ 5 x 0 "a" ;\n'
    found = load_map(written(tmp_path / "m.dbc", text.replace("\n", line_end).encode()))
    assert len(found.messages[0].signals) == 1
    assert [fault.where.line for fault in found.faults] == [4]


def test_nul_characters_are_read_as_blanks(tmp_path):
    found = load_map(written(tmp_path / "m.dbc", MAP.encode().replace(b"\n SG_", b"\n\0SG_") + b"\0" * 20))
    assert len(found.messages[0].signals) == 1
    assert ["NUL" in fault.what for fault in found.faults] == [True]


def test_files_that_cannot_be_read_are_refused_with_their_path(tmp_path):
    for path in (tmp_path, tmp_path / "absent.dbc", str(tmp_path) + "/\0.dbc"):
        with pytest.raises(MapError, match="cannot be read"):
            load_map(path)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "empty"),
        (b" \r\n\t", "empty"),
        (bytes(range(256)), "no message"),
        (b"(1436509052.249713) can0 123#11223344\n", "capture"),
        (b"  can0  123   [4]  11 22 33 44\n", "capture"),
        (b'[pack]\nname = "shuttle"\n', "TOML"),
        (b'VERSION "1"\nBU_: A\n', "no message"),
        (gzip.compress(MAP.encode()), "packed"),
    ],
)
def test_a_file_without_messages_is_refused_and_told_what_it_looks_like(tmp_path, raw, says):
    with pytest.raises(MapError, match=says) as caught:
        load_map(written(tmp_path / "m.dbc", raw))
    assert str(tmp_path / "m.dbc") in str(caught.value)


def test_a_file_larger_than_any_map_is_refused_without_reading_it_all(tmp_path, monkeypatch):
    monkeypatch.setattr(dbc_text, "MOST_BYTES", 50)
    with pytest.raises(MapError, match="larger than"):
        load_map(written(tmp_path / "m.dbc", MAP.encode() * 2))
