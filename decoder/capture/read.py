"""Reading captures: files to `Frames`, whole or block by block."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from decoder.capture.blocks import Block, BusNames, parse_block
from decoder.capture.merge import merged
from decoder.capture.sources import BLOCK_BYTES, Source
from decoder.capture.tally import Tally
from decoder.capture.timing import Clock
from decoder.errors import CaptureError, UsageError, Where
from decoder.frames import Frames, concatenate
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from decoder.account import Account

_CUT_OFF = "the line is cut off at the end of the file"
_EXPECTED = "lines such as (1700000000.123456) can0 123#0A1B2C, or (000.010020)  can0  123   [3]  0A 1B 2C"


def read_capture(
    paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    bus: str | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    progress: Callable[[int, int | None], None] | None = None,
) -> Frames:
    """Read candump text into columns.

    Parameters
    ----------
    paths : one file or several (then one capture in time order); plain, gzip, xz or bzip2; ``-`` is standard input
    bus : keep only the frames of this bus
    from_s, to_s : keep only frames from this second on and before that one, counted from the first frame
    progress : is told bytes read and the file's size (``None`` where it is not known)

    Every line of the files is accounted for in ``frames.account``, also where only some frames are kept. Raises
    `CaptureError` for a file that cannot be read or holds nothing readable, `UsageError` for a bus that is not there.
    """
    parts = list(read_blocks(paths, bus=bus, from_s=from_s, to_s=to_s, progress=progress))
    account = parts[-1].account
    names = parts[-1].bus_names
    kept = [part for part in parts if len(part)]
    return replace(concatenate(kept, account), bus_names=names)


def read_blocks(
    paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    bus: str | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    progress: Callable[[int, int | None], None] | None = None,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[Frames]:
    """Read candump text block by block, so that memory does not grow with the files; see `read_capture`.

    Buses keep their numbers over all blocks. Each block carries the account so far, the last one (which may be empty
    of frames) the whole.
    """
    if from_s is not None and to_s is not None and from_s >= to_s:
        raise UsageError(f"from {from_s:g} s to {to_s:g} s is no range", expected="an end after the beginning")
    names = [os.fspath(path) for path in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
    if not names:
        raise UsageError("no capture is named")
    tally = Tally(tuple(names))
    buses = BusNames()
    sources = [Source(name, progress) for name in names]
    files = [_file_blocks(source, number, tally, buses, block_bytes) for number, source in enumerate(sources)]
    stream = files[0] if len(files) == 1 else merged(files, tally)
    first_ns: int | None = None
    for part in stream:
        source = [names[number] for number in part.source.tolist()] if len(names) > 1 else names
        tally.check.take(part.time_ns, part.bus, part.line, source)
        if first_ns is None and len(part):
            first_ns = int(part.time_ns[0])
        yield replace(_chosen(part, first_ns or 0, bus, from_s, to_s), account=tally.account())
    account = tally.account()
    if not account.frames:
        raise _nothing_readable(names, account)
    last = Frames.empty(tuple(buses.numbers))
    if bus is not None:
        last.bus_number(bus)
    yield replace(last, account=account)


def _file_blocks(source: Source, number: int, tally: Tally, buses: BusNames, block_bytes: int) -> Iterator[Frames]:
    """Read one file and add it to the tally."""
    clock = Clock()
    line = 1
    ended = True
    for text in source.blocks(block_bytes):
        block = parse_block(text, line, buses)
        ended = text.endswith(b"\n")
        if not ended:
            _explain_the_end(block)
        line += block.lines
        tally.take(block, source.path)
        time_ns = clock.times(block.stamp_ns, block.kind)
        tally.bases.update(clock.bases)
        yield _frames(block, time_ns, number, buses)
    if not ended:
        tally.said[f"{source.path}: the last line has no line end, it may be cut off"] = None
    if source.cut_short:
        tally.said[f"{source.path}: the compressed file is damaged or cut off; what came before is read"] = None


def _explain_the_end(block: Block) -> None:
    """Say of a last line without line end that cannot be read that it was cut off."""
    if block.skipped and not (len(block.line) and block.line[-1] > block.skipped[-1][0]):
        line, _ = block.skipped[-1]
        block.skipped[-1] = (line, _CUT_OFF)


def _frames(block: Block, time_ns: np.ndarray[tuple[int], np.dtype[np.int64]], number: int, buses: BusNames) -> Frames:
    return Frames(
        time_ns=time_ns,
        bus=block.bus,
        can_id=block.can_id,
        flags=block.flags,
        length=block.length,
        data=block.data,
        line=block.line,
        source=np.full(len(time_ns), number, np.uint8),
        bus_names=tuple(buses.numbers),
    )


def _chosen(part: Frames, first_ns: int, bus: str | None, from_s: float | None, to_s: float | None) -> Frames:
    """Keep the frames that are asked for."""
    if bus is None and from_s is None and to_s is None:
        return part
    keep = np.ones(len(part), np.bool_)
    if bus is not None:
        keep &= part.bus == (part.bus_names.index(bus) if bus in part.bus_names else len(part.bus_names))
    if from_s is not None:
        keep &= part.time_ns >= first_ns + round(from_s * 1e9)
    if to_s is not None:
        keep &= part.time_ns < first_ns + round(to_s * 1e9)
    return part.take(keep)


def _nothing_readable(names: Sequence[str], account: Account) -> CaptureError:
    if not account.lines:
        what = account.remarks[0] if account.remarks else "the capture is empty"
        return CaptureError(what, where=Where(", ".join(names)), expected=_EXPECTED)
    if account.skipped_lines:
        first = account.skipped_lines[0]
        quoted = _quote(first.path, first.line)
        return CaptureError(
            f"no line can be read as a frame ({first.reason}); the first one is: {quoted}",
            where=Where(first.path, first.line),
            expected=_EXPECTED,
        )
    return CaptureError("the capture holds no frame", where=Where(", ".join(names)), expected=_EXPECTED)


def _quote(path: str, wanted: int) -> str:
    """Give a line of a file, made safe for a terminal."""
    if path == "-":
        return "(standard input)"
    line = 1
    for text in Source(path).blocks():
        lines = text.split(b"\n")
        if line + len(lines) > wanted:
            return printable(lines[wanted - line].decode("utf-8", "replace").rstrip("\r"), 80)
        line += len(lines) - 1
    return ""
