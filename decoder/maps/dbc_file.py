"""DBC files as signal maps.

A file is read statement by statement by the readers of this package, so that one bad line costs that line and no
more, and each fault has its line. What a file gives is what cantools gives for it: that is what the tests compare
with, over every file that cantools accepts.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from typing import TYPE_CHECKING

from decoder.errors import Fault, MapError, Where
from decoder.maps.dbc_mend import cycle_s, describes_whole, frame_format, mend
from decoder.maps.dbc_pages import (
    free_names,
    report_outside,
    report_overlaps,
    settle_pages,
    settled_names,
)
from decoder.maps.dbc_text import DbcText, read_text
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from decoder.maps.dbc_draft import DraftMap, DraftMessage, DraftSignal

# How many faults an error lists.
FAULTS_LISTED = 20

_FLOAT_BITS = {1: 32, 2: 64}

# What says a received or sent frame, and its flags, stands between bus and identifier where it is written at all.
_DIRECTION = r"(?:[RT]X\s+[-B]\s+[-E]\s+)?"
_CAPTURE_LINE = re.compile(
    rf"^[ \t]*(?:\([-\d.: ]+\)\s+\S+\s+(?:[0-9A-F]+##?|{_DIRECTION}[0-9A-F]{{3,8}}\s+\[)"
    rf"|\S+\s+{_DIRECTION}[0-9A-F]{{3,8}}\s+\[\d+\])",
    re.MULTILINE,
)
_TOML_LINE = re.compile(r"^\s*(?:\[\[?[\w. -]+\]\]?|[\w-]+\s*=\s*\S.*)\s*(?:#.*)?$", re.MULTILINE)


def load_map(paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]], *, strict: bool = False) -> SignalMap:
    """Read one DBC file or several as one signal map.

    Faults that leave a statement or its meaning in doubt are mended or the statement is left out, and each is listed
    in `faults` with its line and what was done.

    Parameters
    ----------
    paths : the file or files, in the order in which their messages count
    strict : refuse files with any fault

    Raises
    ------
    MapError
        where a file cannot be read or holds no message; with `strict`, where there is a fault
    """
    names = [paths] if isinstance(paths, (str, os.PathLike)) else list(paths)
    files = [_load(os.fspath(name)) for name in dict.fromkeys(names)]
    if not files:
        raise MapError("no signal map is given", expected="the path of a DBC file")
    maps = [one for one, _ in files]
    joined = SignalMap(
        messages=tuple(message for one in maps for message in one.messages),
        faults=tuple(fault for one in maps for fault in one.faults) + tuple(_shared_identifiers(files)),
        paths=tuple(path for one in maps for path in one.paths),
        encodings=tuple(encoding for one in maps for encoding in one.encodings),
    )
    if strict and joined.faults:
        raise _refused(joined)
    return joined


def _load(path: str) -> tuple[SignalMap, list[int]]:
    """Give the map of one file, and the line of each message."""
    text = read_text(path)
    signal_map, lines = _parse(text, path)
    if not signal_map.messages:
        raise _no_message(text, signal_map, path)
    return signal_map, lines


def parse_map(text: str, path: str = "") -> SignalMap:
    """Read the text of a DBC file; `path` is what faults name. Never fails; there may be no message in it."""
    return _parse(DbcText(text.replace("\r\n", "\n").replace("\r", "\n"), "utf-8"), path)[0]


def _parse(source: DbcText, path: str) -> tuple[SignalMap, list[int]]:
    draft = mend(source.text, path or None)
    found = [message for message in draft.messages if not message.left_out]
    _tell_names_apart(draft, found)
    _report_shared_identifiers(draft, found)
    messages = tuple(_message(draft, message, path) for message in found)
    faults = sorted((*source.faults, *draft.faults), key=lambda fault: fault.where.line or 0)
    return SignalMap(messages, tuple(faults), (path,), (source.encoding,)), [message.line for message in found]


def _message(draft: DraftMap, message: DraftMessage, path: str) -> Message:
    undecided = settle_pages(draft, message)
    passed_over = set(undecided)
    signals = [signal for signal in message.signals if signal not in passed_over]
    for signal in signals:
        _settle_float(draft, signal)
    report_overlaps(draft, message, signals)
    report_outside(draft, message, signals)
    names = settled_names(draft, message, signals)
    format_word = frame_format(draft, message) or ""
    return Message(
        name=message.shown_name,
        can_id=message.can_id,
        extended=message.extended,
        length=message.length,
        signals=tuple(_signal(signal, names) for signal in signals),
        cycle_s=cycle_s(draft, message),
        is_fd=format_word.endswith("CAN_FD"),
        is_j1939=format_word == "J1939PG",
        is_reassembled=describes_whole(draft, message),
        undecided=tuple(signal.shown_name for signal in undecided),
        comment=message.comment,
        path=path,
    )


def _signal(signal: DraftSignal, names: dict[DraftSignal, str]) -> Signal:
    scale, offset = _conversion(signal)
    return Signal(
        name=names[signal],
        field=signal.field,
        scale=scale,
        offset=offset,
        unit=signal.unit,
        minimum=signal.minimum,
        maximum=signal.maximum,
        is_float=signal.is_float,
        labels=signal.labels,
        is_multiplexor=signal.is_multiplexor,
        page=Page(names[signal.parent], signal.pages) if signal.parent is not None else None,
        comment=signal.comment,
    )


def _conversion(signal: DraftSignal) -> tuple[int | float, int | float]:
    """Give scale and offset as whole numbers where both are, so that whole raw values give whole values."""
    scale, offset = signal.scale, signal.offset
    if scale == int(scale) and offset == int(offset) and not (signal.is_float and (scale, offset) != (1, 0)):
        return int(scale), int(offset)
    return scale, offset


def _settle_float(draft: DraftMap, signal: DraftSignal) -> None:
    """Decide by SIG_VALTYPE_ and the length whether the raw value is a float."""
    if signal.float_type is None:
        return
    kind, line = signal.float_type
    length, shown = signal.field.length, f"signal '{printable(signal.name, 60)}' (line {signal.line})"
    if kind not in _FLOAT_BITS:
        if kind != 0:
            draft.note(line, f"SIG_VALTYPE_ gives {shown} the unknown type {kind}", "read as an integer")
        return
    signal.is_float = length in {16, 32, 64}
    if length == _FLOAT_BITS[kind]:
        return
    what = f"SIG_VALTYPE_ says that {shown} is a float of {_FLOAT_BITS[kind]} bits, but it has {length}"
    done = f"read as a float of {length} bits" if signal.is_float else "read as an integer"
    draft.note(line, what, f"{done}; correct line {line}, or the length in line {signal.line}")


def _tell_names_apart(draft: DraftMap, messages: list[DraftMessage]) -> None:
    holders: dict[str, DraftMessage] = {}
    free_name = free_names(message.shown_name for message in messages)
    for message in messages:
        name = message.shown_name
        if name in holders:
            new = free_name(name)
            what = f"a second message '{printable(name, 60)}' (the first in line {holders[name].line})"
            draft.note(message.line, what, f"called '{printable(new, 60)}'")
            message.long_name = name = new
        holders[name] = message


def _report_shared_identifiers(draft: DraftMap, messages: list[DraftMessage]) -> None:
    first: dict[tuple[int, bool], DraftMessage] = {}
    for message in messages:
        other = first.setdefault((message.can_id, message.extended), message)
        if other is not message:
            names = f"'{printable(message.shown_name, 60)}' and '{printable(other.shown_name, 60)}' (line {other.line})"
            draft.note(message.line, f"{names} have one identifier, 0x{message.can_id:X}", "both are decoded")


def _shared_identifiers(files: Iterable[tuple[SignalMap, list[int]]]) -> Iterable[Fault]:
    """Report messages of different files that have one identifier."""
    first: dict[tuple[int, bool], tuple[Message, int]] = {}
    for one, lines in files:
        for message, line in zip(one.messages, lines, strict=True):
            other, its_line = first.setdefault((message.can_id, message.extended), (message, line))
            if other.path != message.path:
                there = f"'{printable(other.name, 60)}' ({Where(printable(other.path), its_line)})"
                what = f"'{printable(message.name, 60)}' and {there} have one identifier, 0x{message.can_id:X}"
                yield Fault(Where(message.path, line), what, "both are decoded")


def _refused(signal_map: SignalMap) -> MapError:
    faults = signal_map.faults
    listed = [f"  {fault}" for fault in faults[:FAULTS_LISTED]]
    if len(faults) > FAULTS_LISTED:
        listed.append(f"  and {len(faults) - FAULTS_LISTED} more")
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    return MapError(
        "\n".join([f"{count}, and strict reading allows none", *listed]),
        where=Where(", ".join(signal_map.paths)),
        advice="correct these lines, or read without strict",
    )


def _no_message(text: DbcText, signal_map: SignalMap, path: str) -> MapError:
    """Say why there is no message: what the file looks like, or the first fault in it."""
    sample = text.text[:20_000]
    if not sample.strip():
        return MapError("the file is empty", where=Where(path), expected="a DBC file")
    expected = "at least one message, such as 'BO_ 288 Pack_State: 8 Pack'"
    if _CAPTURE_LINE.search(sample):
        return MapError("no message in it; it looks like a capture", where=Where(path), expected=expected)
    fault = signal_map.faults[0] if signal_map.faults else None
    if _TOML_LINE.search(sample) and "BO_" not in sample:
        what = "no message in it; it looks like TOML, such as a pack sheet"
        return MapError(what, where=Where(path), expected=expected)
    if fault is None:
        return MapError("no message in it", where=Where(path), expected=expected)
    return MapError(
        f"no message in it; the first fault: {fault.what}",
        where=replace(fault.where, path=path),
        expected=expected,
        advice="is it a DBC file? If so, correct this line",
    )
