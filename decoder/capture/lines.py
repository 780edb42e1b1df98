"""One line of a candump text, read carefully.

Two layouts, told apart line by line; grammar of can-utils (lib.c, candump.c, log2asc.c at commit 95aae6b, 2026-05-12):

    log     (1700000000.123456) can0 123#0A1B2C          id 3 or 8 digits, `##` and a flags nibble for CAN FD,
                                                         `R` remote, `_9`..`_F` raw DLC, ` R` or ` T` direction
    screen   (1700000000.123456)  can0  RX - -  123   [3]  0A 1B 2C      stamp, direction cells and more as asked for

Accepted beyond the letter: any amount of blanks between words, and blanks, carriage returns or NULs after a frame. A
lone carriage return elsewhere, and a NUL before or within a frame, make a line that cannot be read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from decoder.capture.stamps import Stamp, stamp_of
from decoder.frames import (
    BIT_RATE_SWITCH,
    CLASSIC_BYTES,
    ERROR,
    ERROR_STATE,
    EXTENDED,
    FD,
    FD_BYTES,
    FD_SIZES,
    RAW_DLC_SHIFT,
    RECEIVED,
    REMOTE,
    TRANSMITTED,
)

LONGEST_BUS_NAME: Final = 21  # characters that the readers of the format accept
_ERROR_BIT: Final = 0x2000_0000
_ID_BITS: Final = 0x1FFF_FFFF
_STANDARD_MAX: Final = 0x7FF

# Remarks on frames that are read but odd; the account counts them.
WIDE_STANDARD = "frames with a 3-digit identifier above 7FF, kept as they are"
TOO_MANY_BYTES = "classic frames with more than 8 bytes, the first 8 kept"
TOO_MANY_FD_BYTES = "CAN FD frames with more than 64 bytes, the first 64 kept"
ODD_FD_SIZE = "CAN FD frames with a length that the standard does not know"

NOTE_XL = "CAN XL frame, not decoded"
NOTE_DROPS = "notice of dropped frames"
NOTE_DOWN = "notice of an interface that went down"
NOTE_DETAIL = "detail line of an error frame"
NOTE_COMMENT = "comment"

_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_HEX = r"[0-9A-Fa-f]"
_HEAD = re.compile(r"^\s*(?:\((?P<stamp>[^)]*)\)\s+)?(?P<bus>[^\s()]+)\s+(?P<rest>\S.*)$")
_LOG_BEGINNING = re.compile(rf"^{_HEX}+#")
_LOG_FRAME = re.compile(rf"^(?P<id>{_HEX}+)#(?P<body>\S*)(?:\s+(?P<direction>[RTrt]))?$")
_XL_LOG = re.compile(rf"^{_HEX}{{5}}#{_HEX}{{2}}:{_HEX}{{2}}:{_HEX}{{8}}#(?:{_HEX}{{2}}){{1,2048}}(?:\s+[RT])?$")
_XL_SCREEN = re.compile(
    rf"^(?:[RT]X [S-] [R-]\s+)?{_HEX}{{3}}\s+\[\d{{4}}\] \({_HEX}{{2}}\|{_HEX}{{2}}:{_HEX}{{2}}:{_HEX}{{8}}\)"
)
_BYTES = re.compile(rf"^(?:\.?{_HEX}{{2}})*\.?$")
_DATA = re.compile(r"^(?P<data>[^_]*)(?:_(?P<dlc>.))?$")
_REMOTE = re.compile(r"^[Rr](?:(?P<length>[0-8])(?:_(?P<dlc>.))?|9)?$")
_SCREEN_FRAME = re.compile(
    rf"^(?:(?P<way>[RT])X (?P<brs>[B-]) (?P<esi>[E-])\s+)?(?P<id>{_HEX}+)\s+"
    r"(?:\[(?P<length>\d{1,2})\]|\{(?P<dlc>[0-9A-Fa-f])\})(?:\s+(?P<rest>.*))?$"
)
_SCREEN_END = re.compile(r"\s*(?:(?P<quote>['`])(?P<text>.*)(?P=quote))?\s*(?:ERRORFRAME)?\s*$")
_DETAIL = re.compile(r"^\t[a-z]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_REMOTE_REQUEST = re.compile(r"^remote request\s*$")
_DROPS = re.compile(r"^\s*DROPCOUNT: dropped \d+ CAN frames? on '")
_DOWN = re.compile(r"^\s*\S+: interface down\s*$")


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame as read from one line.

    `id_at` and `data_at` (a place for each byte) tell where in the line the hex digits stand, `text_at` where its
    column of text does.
    """

    stamp: Stamp
    bus: str
    can_id: int
    flags: int
    length: int
    data: bytes
    id_at: tuple[int, int]
    data_at: tuple[int, ...]
    text_at: tuple[int, int] | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NoFrame:
    """A line without a frame: a note by design, a blank line, or one that cannot be read, and why."""

    kind: Literal["note", "skipped", "blank"]
    why: str = ""


BLANK: Final = NoFrame("blank")


def read_line(text: str) -> Frame | NoFrame:
    """Read one line without its line end (bytes decoded as Latin-1)."""
    trimmed = text.rstrip("\r\n\t\x0b\x0c \x00")
    if not trimmed:
        return NoFrame("skipped", "only NUL bytes") if "\x00" in text else BLANK
    if "\x1b" in trimmed:
        trimmed = _COLOUR.sub("", trimmed).rstrip()
        if not trimmed:
            return BLANK
    note = _note(trimmed)
    if note:
        return NoFrame("note", note)
    read = _read_frame(trimmed)
    if isinstance(read, NoFrame) and _DETAIL.match(trimmed):
        return NoFrame("note", NOTE_DETAIL)
    return read


def _read_frame(trimmed: str) -> Frame | NoFrame:
    """Read a line that is neither blank nor a note by its beginning."""
    head = _HEAD.match(trimmed)
    if head is None:
        return _skip("no bus name and frame", trimmed)
    stamp = stamp_of(head["stamp"])
    if isinstance(stamp, str):
        return NoFrame("skipped", stamp)
    stamp = stamp.moved(head.start("stamp"))
    if len(head["bus"]) > LONGEST_BUS_NAME:
        return NoFrame("skipped", f"the bus name has more than {LONGEST_BUS_NAME} characters")
    if _CONTROL.search(head["bus"]):
        return _skip("control characters in the bus name", trimmed)
    rest = head["rest"]
    if _XL_LOG.match(rest) or _XL_SCREEN.match(rest):
        return NoFrame("note", NOTE_XL)
    log = _LOG_FRAME.match(rest)
    if log is not None and head["stamp"] is not None:
        return _log_frame(log, stamp.in_log(), head["bus"], head.start("rest"))
    screen = _SCREEN_FRAME.match(rest)
    if screen is not None:
        return _screen_frame(screen, stamp, head["bus"], head.start("rest"))
    if _LOG_BEGINNING.match(rest):
        return _skip("no time stamp" if head["stamp"] is None else "something stands behind the frame", trimmed)
    return _skip("no frame after the bus name", trimmed)


def _note(text: str) -> str | None:
    """Name the note, for a line that by its words carries no frame."""
    if text.lstrip().startswith(("#", ";", "//")):
        return NOTE_COMMENT
    if _DROPS.match(text):
        return NOTE_DROPS
    return NOTE_DOWN if _DOWN.match(text) else None


def _skip(why: str, text: str) -> NoFrame:
    return NoFrame("skipped", "NUL bytes within the line" if "\x00" in text else why)


def _identifier(digits: str) -> tuple[int, int, str | None] | str:
    """Give identifier, flags and a remark; or why not."""
    value = int(digits, 16)
    if len(digits) == 3:
        return value, 0, WIDE_STANDARD if value > _STANDARD_MAX else None
    if len(digits) != 8:
        return f"the identifier has {len(digits)} hex digits, not 3 or 8"
    if value & _ERROR_BIT:
        return value & _ID_BITS, ERROR, None
    if value > _ID_BITS:
        return "the identifier has more than 29 bits"
    return value, EXTENDED, None


def _log_frame(match: re.Match[str], stamp: Stamp, bus: str, begin: int) -> Frame | NoFrame:
    identifier = _identifier(match["id"])
    if isinstance(identifier, str):
        return NoFrame("skipped", identifier)
    can_id, flags, remark = identifier
    direction = (match["direction"] or "").upper()
    flags |= {"R": RECEIVED, "T": TRANSMITTED, "": 0}[direction]
    body = _body(match["body"], flags)
    if isinstance(body, str):
        return NoFrame("skipped", body)
    more_flags, length, data, remarks = body
    at = begin + match.start("body")
    return Frame(
        stamp=stamp,
        bus=bus,
        can_id=can_id,
        flags=flags | more_flags,
        length=length,
        data=data,
        id_at=(begin + match.start("id"), begin + match.end("id")),
        data_at=tuple(at + place for place in _byte_places(match["body"], len(data))),
        remarks=(*([remark] if remark else ()), *remarks),
    )


def _byte_places(body: str, count: int) -> list[int]:
    """Give where the first `count` bytes begin in the text behind the first ``#``."""
    begin = 2 if body.startswith("#") else 0
    pairs = re.finditer(rf"{_HEX}{{2}}", body[begin:].split("_", maxsplit=1)[0])
    return [match.start() + begin for match in pairs][:count]


def _body(body: str, flags: int) -> tuple[int, int, bytes, tuple[str, ...]] | str:
    """Give flags, length, payload and remarks of what stands behind the first ``#``; or why not."""
    if body.startswith("#"):
        return _fd_body(body[1:])
    remote = _REMOTE.match(body)
    if remote is not None:
        if flags & ERROR:
            return "an error frame cannot be a remote frame"
        length = int(remote["length"] or 0)
        return (REMOTE | _raw_dlc(remote["dlc"] if length == CLASSIC_BYTES else None), length, b"", ())
    parts = _DATA.match(body)
    if parts is None or not _BYTES.match(parts["data"]):
        return _why_not_bytes(body)
    data = bytes.fromhex(parts["data"].replace(".", ""))
    if parts["dlc"] is not None and len(data) < CLASSIC_BYTES:
        return "a raw DLC stands behind fewer than 8 bytes"
    remarks = (TOO_MANY_BYTES,) if len(data) > CLASSIC_BYTES else ()
    data = data[:CLASSIC_BYTES]
    return _raw_dlc(parts["dlc"]), len(data), data, remarks


def _fd_body(body: str) -> tuple[int, int, bytes, tuple[str, ...]] | str:
    """Read what stands behind ``##``: a flags nibble (1 bit rate switch, 2 error state) and the payload."""
    if not body or not re.match(_HEX, body[0]):
        return "no flags digit behind ##"
    nibble = int(body[0], 16)
    if not _BYTES.match(body[1:]):
        return _why_not_bytes(body[1:])
    data = bytes.fromhex(body[1:].replace(".", ""))
    remarks = (TOO_MANY_FD_BYTES,) if len(data) > FD_BYTES else ()
    data = data[:FD_BYTES]
    if len(data) not in FD_SIZES:
        remarks = (ODD_FD_SIZE,)
    flags = FD | (BIT_RATE_SWITCH if nibble & 1 else 0) | (ERROR_STATE if nibble & 2 else 0)
    return flags, len(data), data, remarks


def _why_not_bytes(text: str) -> str:
    digits = text.replace(".", "").split("_")[0]
    if re.fullmatch(rf"{_HEX}*", digits) and len(digits) % 2:
        return "an odd count of hex digits in the payload"
    return "the payload is not hex digits"


def _raw_dlc(digit: str | None) -> int:
    """Give the flag bits of a raw DLC; only 9..F say more than the length does."""
    value = int(digit, 16) if digit and re.match(_HEX, digit) else 0
    return value << RAW_DLC_SHIFT if value > CLASSIC_BYTES else 0


def _screen_frame(match: re.Match[str], stamp: Stamp, bus: str, begin: int) -> Frame | NoFrame:
    identifier = _identifier(match["id"])
    if isinstance(identifier, str):
        return NoFrame("skipped", identifier)
    can_id, flags, remark = identifier
    flags |= {"R": RECEIVED, "T": TRANSMITTED, None: 0}[match["way"]]
    is_fd = match["length"] is not None and len(match["length"]) == 2
    if is_fd:
        flags |= FD
    if match["brs"] == "B":
        flags |= BIT_RATE_SWITCH
    if match["esi"] == "E":
        flags |= ERROR_STATE
    dlc = None if match["dlc"] is None else int(match["dlc"], 16)
    length = int(match["length"]) if dlc is None else min(dlc, CLASSIC_BYTES)
    flags |= _raw_dlc(match["dlc"])
    rest = match["rest"] or ""
    if _REMOTE_REQUEST.match(rest):
        if flags & (ERROR | FD):
            return NoFrame("skipped", "an error frame or a CAN FD frame cannot be a remote frame")
        flags |= REMOTE
        read: _Payload | str = _Payload(b"")
    else:
        read = _screen_payload(rest, length)
    if length > (FD_BYTES if is_fd else CLASSIC_BYTES):
        return NoFrame("skipped", f"a length of {length}, more than {FD_BYTES if is_fd else CLASSIC_BYTES} bytes")
    if isinstance(read, str):
        return NoFrame("skipped", read)
    remarks = [remark] if remark else []
    if is_fd and length not in FD_SIZES:
        remarks.append(ODD_FD_SIZE)
    at = begin + (match.start("rest") if match["rest"] else 0)
    return Frame(
        stamp=stamp,
        bus=bus,
        can_id=can_id,
        flags=flags,
        length=length,
        data=read.data,
        id_at=(begin + match.start("id"), begin + match.end("id")),
        data_at=tuple(at + place for place in read.data_at),
        text_at=None if read.text_at is None else (at + read.text_at[0], at + read.text_at[1]),
        remarks=tuple(remarks),
    )


@dataclass(frozen=True, slots=True)
class _Payload:
    """The bytes behind a length on a screen, the places of their hex digits (none if binary) and of the text."""

    data: bytes
    data_at: tuple[int, ...] = ()
    text_at: tuple[int, int] | None = None


def _screen_payload(rest: str, length: int) -> _Payload | str:
    """Read the payload bytes (hex or binary, plain or with back-ticks and swapped) and what follows; or why not."""
    if not length:
        return _Payload(b"") if _SCREEN_END.match(rest) else "bytes behind a length of 0"
    for group, base in ((rf"{_HEX}{{2}}", 16), ("[01]{8}", 2)):
        for between in (" ", "`"):
            found = re.match(rf"({group}(?:{between}{group}){{{length - 1}}})(?![0-9A-Fa-f`])(.*)$", rest)
            end = found and _SCREEN_END.match(rest, found.start(2))
            if not found or not end:
                continue
            order = -1 if between == "`" and length > 1 else 1
            data = bytes(int(word, base) for word in found[1].split(between)[::order])
            places = tuple(range(0, 3 * length, 3))[::order] if base == 16 else ()
            return _Payload(data, places, None if end["quote"] is None else end.span("text"))
    return f"not the {length} bytes that the length says"
