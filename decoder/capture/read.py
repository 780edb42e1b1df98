"""Reading captures: files to `Frames`, whole or block by block."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.capture.columns import Columns
from decoder.capture.merge import merged
from decoder.capture.one_file import OneFile
from decoder.capture.rows import BusNames
from decoder.capture.sources import BLOCK_BYTES, Progress, Source
from decoder.capture.stamps import MOST_S, NANO
from decoder.capture.tally import Tally
from decoder.errors import CaptureError, UsageError, Where
from decoder.frames import Frames
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from decoder.account import Account

_KEPT_BYTES: Final = 4 << 20
_MOST_FILES: Final = 256  # their numbers fill a byte
_MOST_QUOTED: Final = 80  # characters of a line in a message
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
    """Read one file and add it to the tally."""
    file = OneFile(source.path, number, tally, buses)
    for text in source.blocks(block_bytes):
        yield from file.take(text)
    yield from file.finish(cut_short=source.cut_short)


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
