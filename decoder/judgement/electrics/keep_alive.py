"""The battery inside the pack that keeps controller and contactors alive."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.electrics.lasting import lasting
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import duration, spans
from decoder.maps.default_limits import limit_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.channels import Channels, Series
    from decoder.maps.default_limits import DefaultLimit

# A dip while contactors pull in is shorter. Common practice, no source.
_WEAK_S: Final = 1.0
# Between dead and this, it is no weak battery of 12 V but another one. Common practice, no source.
_OTHER_KIND_V: Final = (2.0, 6.0)


def keep_alive_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each keep-alive voltage against its limit; reasons for not judging go to `not_judged`."""
    those = [series for series in channels.of("keep-alive voltage") if series.present]
    if not those:
        not_judged["keep-alive-weak"] = "no channel for the keep-alive voltage has a value"
    limit = limit_of(channels.sheet, "keep_alive_low_v")
    by_sheet = channels.sheet is not None and channels.sheet.limits.keep_alive_low_v is not None
    for series in those:
        largest = float(np.nanmax(series.in_quantity_unit))
        if not by_sheet and _OTHER_KIND_V[0] < largest < _OTHER_KIND_V[1]:
            not_judged["keep-alive-weak"] = (
                f"{printable(series.channel.name)} is at {largest:.1f} V at most: no battery of 12 V; "
                "keep_alive_low_v in the pack sheet would give its limit"
            )
        else:
            yield from _weak(series, limit)


def _weak(series: Series, limit: DefaultLimit) -> Iterator[Finding]:
    volt = series.in_quantity_unit
    dust = 1e-6  # so that 11.000 V is not below 11 V, in 32-bit floats neither
    with np.errstate(invalid="ignore"):
        low, good = volt < limit.value - dust, volt >= limit.value - dust
    time_ns = series.rising_ns
    for span in spans(time_ns, lasting(time_ns, low, _WEAK_S, good=good)):
        worst = span.first + int(np.argmin(np.where(low, volt, np.inf)[span.first : span.last + 1]))
        yield Finding(
            code="keep-alive-weak",
            severity=Severity.CAUTION,
            place=series.channel.place,
            value=float(volt[worst]),
            limit=limit.value,
            unit="V",
            from_ns=span.from_ns,
            to_ns=span.to_ns,
            worst_ns=int(time_ns[worst]),
            channel=series.channel.name,
            channels=(series.channel.name,),
            explanation=(
                f"{printable(series.channel.name)} falls to {volt[worst]:.2f} V, {duration(span)} below its limit. "
                "When the vehicle's supply fails, the pack cannot watch itself, nor let go of its contactors in order"
            ),
            source=limit.source,
        )
