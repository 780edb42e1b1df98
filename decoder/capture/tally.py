"""The account of a capture while it is read."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from decoder.account import Account, SkippedLine
from decoder.capture.timing import TimeCheck

if TYPE_CHECKING:
    from decoder.account import TimeBase
    from decoder.capture.rows import Block

_MOST_LISTED = 1000
# From this share of equal stamps on, the recorder's clock is said to have coarse steps.
_COARSE_SHARE = 0.05


@dataclass(slots=True)
class Tally:
    """Adds up what the blocks of all files hold."""

    paths: tuple[str, ...]
    lines: int = 0
    frames: int = 0
    notes: int = 0
    blank: int = 0
    skipped: int = 0
    notes_by_kind: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    listed: list[SkippedLine] = field(default_factory=list)
    remarks: Counter[str] = field(default_factory=Counter)
    said: dict[str, None] = field(default_factory=dict)
    bases: dict[TimeBase, None] = field(default_factory=dict)
    check: TimeCheck = field(default_factory=TimeCheck)
    first_skipped: str = ""  # the text of the first skipped line

    def take(self, block: Block, path: str) -> None:
        """Add one block."""
        self.lines += block.lines
        self.frames += len(block.line)
        self.blank += block.blank
        self.notes += block.notes.total()
        self.notes_by_kind.update(block.notes)
        self.remarks.update(block.remarks)
        self.skipped += len(block.skipped)
        self.reasons.update(why for _, why in block.skipped)
        self.first_skipped = self.first_skipped or block.first_skipped
        room = _MOST_LISTED - len(self.listed)
        self.listed.extend(SkippedLine(path, line, why) for line, why in block.skipped[:room])

    def account(self) -> Account:
        """Give the account so far."""
        backwards, gaps, faults = self.check.faults(self.paths)
        return Account(
            paths=self.paths,
            lines=self.lines,
            frames=self.frames,
            notes=self.notes,
            skipped=self.skipped,
            blank=self.blank,
            notes_by_kind=dict(self.notes_by_kind),
            skipped_reasons=dict(self.reasons),
            skipped_lines=tuple(self.listed),
            time_bases=tuple(self.bases),
            backwards=backwards,
            gaps=gaps,
            duplicate_stamps=self.check.duplicates,
            time_faults=faults,
            remarks=tuple(self._all_remarks()),
        )

    def _all_remarks(self) -> list[str]:
        counted = [f"{count:,} {what}" for what, count in self.remarks.items()]
        if "counted" in self.bases:
            counted.append("no time stamps: times are frame counts at 1 ms a frame")
        if "local" in self.bases:
            counted.append("dates without a zone: taken as if UTC")
        if self.frames and self.check.duplicates > _COARSE_SHARE * self.frames:
            counted.append("many frames share one stamp: the recorder's clock has coarse steps")
        return [*self.said, *counted]
