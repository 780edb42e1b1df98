"""Time stamps of single lines, as integers: a fraction never passes through a float."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntEnum

NANO = 1_000_000_000
# Smaller numbers of seconds cannot be a date: they count from some zero. (1e8 s: spring of 1973.)
FIRST_DATE_S = 100_000_000
# Seconds beyond this do not fit into 63 bits of nanoseconds.
_MOST_S = 9_000_000_000

_NUMBER = re.compile(r"^(\d{1,20})\.(\d+)$")
_DATE = re.compile(r"^(\d{4})-(\d\d)-(\d\d) (\d\d):(\d\d):(\d\d)\.(\d+)$")


class StampKind(IntEnum):
    """What kind of stamp a line has; numbers in a log are never differences, on a screen they may be."""

    NONE = 0
    LOG = 1
    SCREEN = 2
    DATE = 3


@dataclass(frozen=True, slots=True)
class Stamp:
    """A stamp: its kind, the nanoseconds that it says, and where its digits stand (begin, dot, end)."""

    kind: StampKind
    ns: int = 0
    at: tuple[int, int, int] | None = None

    def in_log(self) -> Stamp:
        """Give the same stamp as one of the log layout."""
        return Stamp(StampKind.LOG, self.ns, self.at) if self.kind is StampKind.SCREEN else self

    def moved(self, by: int) -> Stamp:
        """Give the same stamp, its digits standing `by` characters further on."""
        if self.at is None:
            return self
        begin, dot, end = self.at
        return Stamp(self.kind, self.ns, (begin + by, dot + by, end + by))


def stamp_of(text: str | None) -> Stamp | str:
    """Read what stands between the brackets (``None``: no brackets); or tell why not."""
    if text is None:
        return Stamp(StampKind.NONE)
    number = _NUMBER.match(text)
    if number is not None:
        decimals = _decimals(number[2])
        if isinstance(decimals, str):
            return decimals
        if int(number[1]) > _MOST_S:
            return "the time stamp is too large"
        return Stamp(StampKind.SCREEN, int(number[1]) * NANO + decimals, (0, number.start(2) - 1, number.end()))
    date = _DATE.match(text)
    if date is None:
        return "the time stamp is neither seconds nor a date"
    decimals = _decimals(date[7])
    if isinstance(decimals, str):
        return decimals
    try:
        year, month, day, hour, minute, second = (int(date[part]) for part in range(1, 7))
        moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return "the time stamp is no date"
    return Stamp(StampKind.DATE, round(moment.timestamp()) * NANO + decimals)


def _decimals(digits: str) -> int | str:
    if len(digits) not in {6, 9}:
        return f"the time stamp has {len(digits)} decimals, not 6 or 9"
    return int(digits) * (1000 if len(digits) == 6 else 1)
