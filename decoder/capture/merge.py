"""Several files as one capture in time order, without holding more than a block of each.

A file's frames keep their order: where time jumps back inside a file, the latest time so far is what counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.frames import Frames, concatenate

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.account import TimeBase
    from decoder.capture.tally import Tally

_OWN_ZEROS = "the files do not count time from the same zero: they stand one after the other, as given"
_OWN: frozenset[TimeBase] = frozenset(("summed", "counted"))


class _File:
    """One file: the frames that were read but not given out, and their order keys."""

    def __init__(self, blocks: Iterator[Frames]) -> None:
        self._blocks = blocks
        self._latest = np.iinfo(np.int64).min
        self.frames: Frames | None = None
        self.keys: NDArray[np.int64] = np.empty(0, np.int64)
        self.refill()

    def refill(self) -> None:
        """Take the next block with frames; `frames` is ``None`` at the end."""
        for frames in self._blocks:
            if len(frames):
                self.keys = np.maximum(np.maximum.accumulate(frames.time_ns), self._latest)
                self._latest = int(self.keys[-1])
                self.frames = frames
                return
        self.frames = None

    def take_until(self, key: int) -> tuple[Frames, NDArray[np.int64]] | None:
        """Give the frames up to `key` and keep the others."""
        if self.frames is None:
            return None
        count = int(np.searchsorted(self.keys, key, side="right"))
        taken = self.frames.take(slice(0, count)), self.keys[:count]
        if count == len(self.keys):
            self.refill()
        else:
            self.frames, self.keys = (self.frames.take(slice(count, None)), self.keys[count:])
        return taken if count else None


def merged(files: Sequence[Iterator[Frames]], tally: Tally) -> Iterator[Frames]:
    """Give the frames of all files in time order, block by block; as given, if each file has a zero of its own."""
    opened = [_File(blocks) for blocks in files]
    if _have_zeros_of_their_own(opened, tally):
        tally.said[_OWN_ZEROS] = None
        for file in opened:
            while file.frames is not None:
                frames = file.frames
                file.refill()
                yield frames
        return
    while any(file.frames is not None for file in opened):
        frontier = min(int(file.keys[-1]) for file in opened if file.frames is not None)
        parts = [part for file in opened if (part := file.take_until(frontier)) is not None]
        keys = np.concatenate([part_keys for _, part_keys in parts])
        together = concatenate([frames for frames, _ in parts], tally.account())
        yield together.take(np.argsort(keys, kind="stable"))


def _have_zeros_of_their_own(files: Sequence[_File], tally: Tally) -> bool:
    """Tell whether the files cannot be put in time order: other time bases, or each counts from its own beginning."""
    if len(tally.bases) > 1 or not _OWN.isdisjoint(tally.bases):
        return True
    begin_at_zero = [file for file in files if file.frames is not None and file.frames.time_ns[0] == 0]
    return len(begin_at_zero) > 1
