"""What matching readings with fields gives: for each label the fields that may carry what was read.

`clock_offset_s` is the meter's clock minus the capture's at the middle of the readings: subtract it from a reading's
time. Likelihoods of all matches of a label add up to at most 1; what is missing is the chance that none of these
fields carries it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.discovery.field_at import FieldAt


@dataclass(frozen=True, slots=True)
class Match:
    """A field that may carry what was read: value = scale x raw + offset, in the unit of the readings.

    residual : root mean square of reading minus value, without readings that are far off, in that unit
    likelihood : the chance that it is this field, 0..1
    same_as : fields of the same capture that carry the same raw values throughout
    quantity : that the scale is natural for, one of `decoder.maps.quantities`; ``None`` for a fitted scale
    """

    at: FieldAt
    scale: float
    offset: float
    residual: float
    likelihood: float
    same_as: tuple[FieldAt, ...] = ()
    quantity: str | None = None


@dataclass(frozen=True, slots=True)
class NextReading:
    """What to measure next, and when, so that the matches that are left differ most.

    label : what of
    time_s : the moment of the capture, in seconds from its first frame by its own clock, at which the matches differ
        most; ``None`` where they never differ in this capture by more than a meter tells
    differ_by : by how much they differ then, in the unit
    advice : the same in words
    """

    label: str
    time_s: float | None
    differ_by: float
    advice: str


@dataclass(frozen=True, slots=True)
class Pinned:
    """One label.

    used : how many readings lie in the capture
    clock_offset_s, clock_unsure_s : the meter's clock minus the capture's, and the standard deviation of that (s)
    drift_ppm : how much faster the meter's clock runs; ``None`` where the readings cannot tell
    matches : the likeliest first, at most 50
    tied : how many of them fit equally
    next_reading : ``None`` where there is nothing left to tell apart
    """

    label: str
    unit: str
    used: int
    clock_offset_s: float
    drift_ppm: float | None
    matches: tuple[Match, ...]
    next_reading: NextReading | None = None
    clock_unsure_s: float = 0.0
    tied: int = 0
