"""The bytes of a DBC file as text: byte-order mark, encoding, line ends.

The format names no encoding. A byte-order mark decides; else the text is UTF-8 if all of it is valid UTF-8, which
other text practically never is (RFC 3629, section 1); else it is cp1252, the usual one (common practice, no source).
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from decoder.errors import Fault, MapError, Where

# Far larger than any signal map; what is larger is another file given by mistake.
MOST_BYTES = 64_000_000

_MARKS = (  # in the order in which they must be looked for
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16, little-endian"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16, big-endian"),
)
_PACKED = {b"\x1f\x8b": "gzip", b"\xfd7zXZ": "xz", b"BZh": "bzip2", b"PK\x03\x04": "zip", b"\x28\xb5\x2f\xfd": "zstd"}

# The five bytes that cp1252 leaves undefined. 'surrogateescape' carries them as U+DCxx; they become U+00xx.
_UNDEFINED = {0xDC00 + byte: byte for byte in (0x81, 0x8D, 0x8F, 0x90, 0x9D)}
_UNDEFINED_BYTES = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
_LINE_END = re.compile(rb"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class DbcText:
    """The text of a file with LF line ends, the encoding it was read with, and what was wrong with its bytes."""

    text: str
    encoding: str
    faults: tuple[Fault, ...] = ()


def read_text(path: str) -> DbcText:
    """Read the file at `path`. Raises `MapError` if that cannot be done."""
    try:
        with open(path, "rb") as file:  # noqa: PTH123  (a path may hold NUL, which only open reports as it should)
            raw = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise MapError(f"cannot be read: {reason}", where=Where(path), advice="check the path") from error
    if len(raw) > MOST_BYTES:
        raise MapError(
            f"is larger than {MOST_BYTES // 1_000_000} MB, and no signal map is",
            where=Where(path),
            expected="a DBC file",
            advice="was a capture given in place of the map?",
        )
    for magic, kind in _PACKED.items():
        if raw.startswith(magic):
            raise MapError(
                f"is packed ({kind})", where=Where(path), expected="a DBC file", advice="unpack it, and give that file"
            )
    return decode_text(raw, path)


def decode_text(raw: bytes, path: str | None = None) -> DbcText:
    """Turn the bytes of a file into text. Never fails: what does not fit the encoding is replaced and reported."""
    faults: list[Fault] = []
    text, encoding = _decoded(raw, path, faults)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\0" in text:
        text = _without_nul(text, path, faults)
    return DbcText(text, encoding, tuple(faults))


def _decoded(raw: bytes, path: str | None, faults: list[Fault]) -> tuple[str, str]:
    for mark, encoding, name in _MARKS:
        if not raw.startswith(mark):
            continue
        faults.append(Fault(Where(path, 1), f"the file begins with a byte-order mark ({name})", f"read as {name}"))
        raw = raw.removeprefix(mark)
        if encoding == "utf-8":
            break
        return _wide(raw, encoding, path, faults), encoding
    try:
        return raw.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return _western(raw, path, faults), "cp1252"


def _wide(raw: bytes, encoding: str, path: str | None, faults: list[Fault]) -> str:
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].decode(encoding, "replace").count("\n") + 1
        what = f"from byte {error.start + 3} of the file on, bytes are not UTF-16"
        faults.append(Fault(Where(path, line), what, "shown as replacement characters"))
        return raw.decode(encoding, "replace")


def _western(raw: bytes, path: str | None, faults: list[Fault]) -> str:
    """Read `raw` as cp1252; its undefined bytes become the characters of the same number, one fault each line."""
    if _UNDEFINED_BYTES.search(raw):
        for number, line in enumerate(_LINE_END.split(raw), start=1):
            if found := _UNDEFINED_BYTES.search(line):
                what = f"byte {found[0].hex().upper()} stands for nothing in cp1252"
                faults.append(
                    Fault(Where(path, number, found.start() + 1), what, "kept as the character of that number")
                )
    return raw.decode("cp1252", "surrogateescape").translate(_UNDEFINED)


def _without_nul(text: str, path: str | None, faults: list[Fault]) -> str:
    line = text.count("\n", 0, text.index("\0")) + 1
    faults.append(Fault(Where(path, line), f"{text.count(chr(0))} NUL characters in the text", "read as blanks"))
    return text.replace("\0", " ")
