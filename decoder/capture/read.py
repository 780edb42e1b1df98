"""Reading captures: files to `Frames`, whole or block by block."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.capture.blocks import parse_block
from decoder.capture.columns import Columns
from decoder.capture.merge import merged
from decoder.capture.rows import BusNames
from decoder.capture.sources import BLOCK_BYTES, Progress, Source
from decoder.capture.stamps import MOST_S, NANO, StampKind
from decoder.capture.tally import Tally
from decoder.capture.timing import Clock
from decoder.errors import CaptureError, UsageError, Where
from decoder.frames import Frames
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.account import Account
    from decoder.capture.rows import Block

_KEPT_BYTES: Final = 4 << 20
_MOST_FILES: Final = 256  # their numbers fill a byte
_MOST_QUOTED: Final = 80  # characters of a line in a message
# Blocks are held no longer than for so many lines.
_MOST_HELD_LINES: Final = 200_000
_CUT_BEGINNING: Final = "the line is cut off at the beginning of the file"
_CUT_OFF: Final = "the line is cut off at the end of the file"
_EXPECTED: Final = "lines such as (1700000000.123456) can0 123#0A1B2C, or (000.010020)  can0  123   [3]  0A 1B 2C"


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
    progress : is told bytes read and the size of all files (``None`` where it is not known)

    Every line of the files is accounted for in ``frames.account``, also where only some frames are kept:
    ``account.frames`` is then more than ``len(frames)``. Frames that are not kept take no memory. Raises
    `CaptureError` for a file that cannot be read or holds nothing readable, `UsageError` for a bus that is not there.
    """
    columns = Columns()
    share = 0.0

    def note(done: int, total: int | None) -> None:
        nonlocal share
        share = done / total if total else 0.0
        if progress is not None:
            progress(done, total)

    for part in read_blocks(paths, bus=bus, from_s=from_s, to_s=to_s, progress=note):
        columns.append(part, share)
    return columns.frames(part.bus_names, part.account)


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
    from_ns, to_ns = _range_ns(from_s, to_s)
    names = [os.fspath(path) for path in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
    if not names:
        raise UsageError("no capture is named")
    if len(names) > _MOST_FILES:
        raise UsageError(f"{len(names)} captures at once", expected=f"at most {_MOST_FILES}")
    _keep_freed_memory()
    tally = Tally(tuple(names))
    buses = BusNames()
    told = None if progress is None else Progress(progress, names)
    sources = [Source(name, None if told is None else partial(told.note, at)) for at, name in enumerate(names)]
    files = [_file_blocks(source, number, tally, buses, block_bytes) for number, source in enumerate(sources)]
    stream = files[0] if len(files) == 1 else merged(files, tally)
    first_ns: int | None = None
    for part in stream:
        tally.check.take(part.time_ns, part.bus, part.line, part.source)
        if first_ns is None and len(part):
            first_ns = int(part.time_ns[0])
        yield replace(_chosen(part, first_ns or 0, bus, from_ns, to_ns), account=tally.account())
    account = tally.account()
    if not account.frames:
        raise _nothing_readable(names, account, tally.first_skipped)
    last = Frames.empty(tuple(buses.numbers))
    if bus is not None:
        last.bus_number(bus)
    yield replace(last, account=account)


def _keep_freed_memory() -> None:
    """Let the work on each block use the memory of the block before, not get its pages from the system anew.

    The allocator of glibc learns it from a large piece that is freed (mallopt(3), M_MMAP_THRESHOLD).
    """
    np.empty(_KEPT_BYTES, np.uint8)


def _range_ns(from_s: float | None, to_s: float | None) -> tuple[int | None, int | None]:
    """Give the range in nanoseconds; an endless end is none. Raises `UsageError` for a range that is none."""
    ends = [None if end is None or math.isinf(end) else end for end in (from_s, to_s)]
    if any(end is not None and math.isnan(end) for end in ends):
        raise UsageError("an end of the range is not a number", expected="seconds from the capture's first frame")
    if from_s is not None and to_s is not None and from_s >= to_s:
        raise UsageError(f"from {from_s:g} s to {to_s:g} s is no range", expected="an end after the beginning")
    if from_s == math.inf or to_s == -math.inf:
        raise UsageError("the range holds no time", expected="seconds from the capture's first frame")
    from_ns, to_ns = (None if end is None else round(min(max(end, -MOST_S), MOST_S) * NANO) for end in ends)
    return from_ns, to_ns


def _file_blocks(source: Source, number: int, tally: Tally, buses: BusNames, block_bytes: int) -> Iterator[Frames]:
    """Read one file and add it to the tally; blocks are held until the clock can tell their times."""
    clock = Clock()
    held: list[Block] = []
    line = 1
    ended = True
    for text in source.blocks(block_bytes):
        block = parse_block(text, line)
        ended = text.endswith(b"\n")
        if not ended:
            _explain_the_end(block)
        line += block.lines
        held.append(block)
        clock.look_at(block)
        held_lines = line - held[0].line_begin
        if held_lines < _MOST_HELD_LINES and (clock.waits or _may_begin_cut(held)):
            continue
        yield from _released(held, clock, source, number, tally, buses)
    yield from _released(held, clock, source, number, tally, buses)
    path = printable(source.path)
    if not ended:
        tally.said[f"{path}: the last line has no line end, it may be cut off"] = None
    if source.cut_short:
        tally.said[f"{path}: the compressed file is damaged or cut off; what came before is read"] = None


def _released(
    held: list[Block], clock: Clock, source: Source, number: int, tally: Tally, buses: BusNames
) -> Iterator[Frames]:
    """Give the blocks that are held, and hold none any more."""
    clock.decide()
    _drop_cut_beginning(held)
    for block in held:
        bus = buses.number(block)
        tally.take(block, source.path)
        time_ns = clock.times(block.stamp_ns, block.kind)
        tally.bases.update(clock.bases)
        yield _frames(block, time_ns, bus, number, buses)
    held.clear()


def _may_begin_cut(held: list[Block]) -> bool:
    """Tell whether the file begins with a frame without a stamp, and it is not known what the next frame has."""
    first = held[0]
    if first.line_begin != 1 or not len(first.line) or first.line[0] != 1 or first.kind[0] != StampKind.NONE:
        return False
    return sum(len(block.line) for block in held) < 2


def _drop_cut_beginning(held: list[Block]) -> None:
    """Take out the frame of a first line that begins behind its stamp: the lines that follow have one."""
    kinds = [int(kind) for block in held for kind in block.kind[:2]][:2]
    if len(kinds) == 2 and kinds[0] == StampKind.NONE != kinds[1] and len(held[0].line) and held[0].line[0] == 1:
        held[0].skip(held[0].line == 1, _CUT_BEGINNING)


def _explain_the_end(block: Block) -> None:
    """Say of a last line without line end that cannot be read that it was cut off."""
    if block.skipped and block.skipped[-1][0] == block.line_begin + block.lines - 1:
        block.skipped[-1] = (block.skipped[-1][0], _CUT_OFF)


def _frames(block: Block, time_ns: NDArray[np.int64], bus: NDArray[np.uint8], number: int, buses: BusNames) -> Frames:
    return Frames(
        time_ns=time_ns,
        bus=bus,
        can_id=block.can_id,
        flags=block.flags,
        length=block.length,
        data=block.data,
        line=block.line,
        source=np.full(len(time_ns), number, np.uint8),
        bus_names=tuple(buses.numbers),
    )


def _chosen(part: Frames, first_ns: int, bus: str | None, from_ns: int | None, to_ns: int | None) -> Frames:
    """Keep the frames that are asked for."""
    if bus is None and from_ns is None and to_ns is None:
        return part
    keep = np.ones(len(part), np.bool_)
    if bus is not None:
        keep &= part.bus == (part.bus_names.index(bus) if bus in part.bus_names else len(part.bus_names))
    if from_ns is not None:
        keep &= part.time_ns >= first_ns + from_ns
    if to_ns is not None:
        keep &= part.time_ns < first_ns + to_ns
    return part.take(keep)


def _nothing_readable(names: Sequence[str], account: Account, first_skipped: str) -> CaptureError:
    if not account.lines:
        return CaptureError("the capture is empty", where=Where(", ".join(names)), expected=_EXPECTED)
    if not account.skipped_lines:
        return CaptureError("the capture holds no frame", where=Where(", ".join(names)), expected=_EXPECTED)
    first = account.skipped_lines[0]
    quoted = printable(first_skipped.encode("latin-1").decode("utf-8", "replace"), _MOST_QUOTED)
    is_utf_16 = first_skipped.startswith(("\xff\xfe", "\xfe\xff"))
    return CaptureError(
        f"no line can be read as a frame ({first.reason}); the first one is: {quoted}",
        where=Where(first.path, first.line),
        expected=_EXPECTED,
        advice="the text is UTF-16: save it as UTF-8 or plain text" if is_utf_16 else None,
    )
