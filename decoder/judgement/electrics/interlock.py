"""The interlock loop: where the map's labels say that it is open."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.electrics.lasting import lasting
from decoder.judgement.electrics.state_words import CLOSED, INTERLOCK_WORDS, OPEN, state_values, states_of
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import duration, spans
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.channels import Channels, Series

# A shorter one is a damaged sample, or the loop's filter. Common practice, no source.
_OPEN_S: Final = 0.2
# What a controller says before it has looked. Common practice, no source.
_WAKE_UP_S: Final = 1.0


def interlock_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each interlock by the words that the map has for its values; without words it is not judged."""
    those = channels.of("interlock")
    if not those:
        not_judged["interlock-open"] = "no channel for an interlock"
    for series in those:
        values = state_values(series, INTERLOCK_WORDS, labels_only=True)
        if OPEN not in values.values():
            not_judged["interlock-open"] = f"{printable(series.channel.name)}: the map does not say which value is open"
        else:
            yield from _open(series, values)


def _open(series: Series, values: dict[int, int]) -> Iterator[Finding]:
    time_ns = series.rising_ns
    state = states_of(series, values)
    is_open, closed = state == OPEN, state == CLOSED
    if is_open[0] and closed.any() and time_ns[int(np.argmax(closed))] - time_ns[0] <= _WAKE_UP_S * 1e9:
        is_open[: int(np.argmax(closed))] = False
    for span in spans(time_ns, lasting(time_ns, is_open, _OPEN_S, good=closed)):
        raw = int(series.raw[span.first])
        yield Finding(
            code="interlock-open",
            severity=Severity.WARNING,
            place=series.channel.place,
            value=None,
            limit=None,
            unit="",
            from_ns=span.from_ns,
            to_ns=span.to_ns,
            channel=series.channel.name,
            channels=(series.channel.name,),
            explanation=(
                f"{printable(series.channel.name)} says '{printable(series.channel.signal.labels[raw], 40)}' "
                f"{duration(span)}. A high-voltage plug or cover is open, or the loop's wire is: parts may be "
                "touchable that are live"
            ),
            source="the signal map's labels",
        )
