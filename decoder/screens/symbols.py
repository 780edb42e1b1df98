"""How states, severities, numbers, ages and times are written: a symbol and a word, never colour alone."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Final

from decoder.channels import State
from decoder.errors import UsageError
from decoder.judgement.finding import SEVERITY_SYMBOLS, Severity

if TYPE_CHECKING:
    from decoder.channels import Channel
    from decoder.maps.pack_sheet import Place

# Each symbol is one column wide in every terminal that draws the box characters of Unicode.
STATE_SYMBOLS: Final = {
    State.OK: "·",
    State.STUCK: "≡",
    State.LOW: "▼",
    State.HIGH: "▲",
    State.STALE: "◷",
    State.ABSENT: "∅",
}
NOTHING: Final = "—"
_LONGEST_FIXED = 1e7
_MOST_DIGITS = 6


def state_words(state: State) -> str:
    """Give symbol and word of a state."""
    return f"{STATE_SYMBOLS[state]} {state.word}"


def severity_words(severity: Severity) -> str:
    """Give symbol and word of a severity."""
    return f"{SEVERITY_SYMBOLS[severity]} {severity.word}"


def number_words(value: float | None, digits: int) -> str:
    """Write a value with `digits` decimals; a dash where there is none."""
    if value is None or math.isnan(value):
        return NOTHING
    if abs(value) >= _LONGEST_FIXED or math.isinf(value):
        return f"{value:.5g}"
    return f"{value:.{digits}f}"


def digits_of(channel: Channel) -> int:
    """Give the decimals to show: those of the quantity, or as many as one raw step needs."""
    from decoder.maps.quantities import quantity  # noqa: PLC0415

    if channel.quantity and channel.factor is not None:
        return quantity(channel.quantity).digits
    step = abs(float(channel.signal.scale))
    if channel.signal.is_float or step == 0:
        return 3
    for digits in range(_MOST_DIGITS):
        if abs(round(step, digits) - step) <= step * 1e-6:
            return digits
    return _MOST_DIGITS


def age_words(age_s: float | None) -> str:
    """Write how old something is, in at most seven characters."""
    if age_s is None:
        return NOTHING
    if age_s < 0.9995:
        return f"{age_s * 1e3:.0f} ms"
    if age_s < 99.95:
        return f"{age_s:.1f} s"
    if age_s < 5970:
        return f"{age_s / 60:.0f} min"
    return f"{age_s / 3600:.1f} h"


def time_words(time_s: float) -> str:
    """Write a time from the capture's first frame: seconds, or h:mm:ss from ten minutes on."""
    if abs(time_s) < 600:
        return f"{round(time_s, 3) + 0.0:.3f} s"
    sign = "-" if time_s < 0 else ""
    whole = round(abs(time_s) * 1000)
    minutes, millis = divmod(whole, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{sign}{hours}:{minutes:02d}:{millis / 1000:06.3f}"


_CLOCK = re.compile(r"^(?:(\d+):)?(\d+):(\d+(?:\.\d*)?)$")


def time_from_words(text: str, now_s: float, total_s: float) -> float:
    """Read a time to go to, in seconds from the first frame: 41.2, 1:02.5, 1:02:03, 50%, +5, -5.

    A sign counts from `now_s`, a percent sign from the whole. Raises `UsageError`.
    """
    words = text.strip().removesuffix("s").strip().replace(",", ".")
    try:
        if words.endswith("%"):
            return _finite(float(words[:-1]) / 100 * total_s)
        clock = _CLOCK.match(words)
        if clock:
            hours, minutes, seconds = clock.groups()
            return _finite(int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds))
        if words[:1] in {"+", "-"}:
            return _finite(now_s + float(words))
        return _finite(float(words))
    except ValueError:
        raise UsageError(
            f"{text.strip()[:40]!r} is no time", expected="seconds such as 41.2, 1:02:03, 50 %, +5 or -5"
        ) from None


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError
    return value


def place_words(place: Place) -> str:
    """Write a place in few characters: M4 C07, M2 S1, S3, or the sensor's name; the whole pack is 'pack'."""
    parts = []
    if place.module is not None:
        parts.append(f"M{place.module}")
    if place.cell is not None:
        parts.append(f"C{place.cell:02d}")
    if place.sensor is not None:
        parts.append(f"S{place.sensor}" if isinstance(place.sensor, int) else place.sensor)
    return " ".join(parts) or "pack"
