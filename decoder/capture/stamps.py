"""Time stamps of single lines, as integers: a fraction never passes through a float."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import IntEnum

NANO = 1_000_000_000
# Smaller numbers of seconds cannot be a date: they count from some zero. (1e8 s: spring of 1973.)
FIRST_DATE_S = 100_000_000
# Seconds beyond this do not fit into 63 bits of nanoseconds.
MOST_S = 9_000_000_000
# Absolute times are padded to so many digits of seconds, times since the first line and differences are not
# (can-utils, candump.c and lib.c at commit 95aae6b).
_ABSOLUTE_DIGITS = 10

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER = re.compile(r"^(\d{1,20})\.(\d+)$")
_DATE = re.compile(r"^(\d{4})-(\d\d)-(\d\d) (\d\d):(\d\d):(\d\d)\.(\d+)$")


class StampKind(IntEnum):
    """What kind of stamp a line has.

    NUMBER: seconds that are a time as they stand; SCREEN: seconds on a screen, where they may also be differences
    between lines; DATE: a date and a time of day without zone.
    """

    NONE = 0
    NUMBER = 1
    SCREEN = 2
    DATE = 3


@dataclass(frozen=True, slots=True)
class Stamp:
    """A stamp: its kind and the nanoseconds that it says.

    `at` is where the digits of its seconds and decimals stand (begin, dot, end); `base_ns` is what stands before them
    (the minute of a date).
    """

    kind: StampKind
    ns: int = 0
    at: tuple[int, int, int] | None = None
    base_ns: int = 0

    def in_log(self) -> Stamp:
        """Give the same stamp as one of the log layout."""
        return replace(self, kind=StampKind.NUMBER) if self.kind is StampKind.SCREEN else self

    def moved(self, by: int) -> Stamp:
        """Give the same stamp, its digits standing `by` characters further on."""
        if self.at is None:
            return self
        begin, dot, end = self.at
        return replace(self, at=(begin + by, dot + by, end + by))


def stamp_of(text: str | None) -> Stamp | str:
    """Read what stands between the brackets (``None``: no brackets); or tell why not."""
    if text is None:
        return Stamp(StampKind.NONE)
    number = _NUMBER.match(text)
    if number is not None:
        decimals = _decimals(number[2])
        if isinstance(decimals, str):
            return decimals
        if int(number[1]) > MOST_S:
            return "the time stamp is too large"
        kind = StampKind.NUMBER if len(number[1]) >= _ABSOLUTE_DIGITS else StampKind.SCREEN
        return Stamp(kind, int(number[1]) * NANO + decimals, (0, number.start(2) - 1, number.end()))
    date = _DATE.match(text)
    if date is None:
        return "the time stamp is neither seconds nor a date"
    decimals = _decimals(date[7])
    if isinstance(decimals, str):
        return decimals
    try:
        year, month, day, hour, minute, second = (int(date[part]) for part in range(1, 7))
        moment_s = (datetime(year, month, day, hour, minute, second, tzinfo=UTC) - _EPOCH) // timedelta(seconds=1)
    except ValueError:
        return "the time stamp is no date"
    if abs(moment_s) > MOST_S:
        return "the time stamp is too far from today"
    ns = moment_s * NANO + decimals
    return Stamp(StampKind.DATE, ns, (date.start(6), date.end(6), date.end()), (moment_s - second) * NANO)


def _decimals(digits: str) -> int | str:
    if len(digits) not in {6, 9}:
        return f"the time stamp has {len(digits)} decimals, not 6 or 9"
    return int(digits) * (1000 if len(digits) == 6 else 1)
