"""What pack it is, what was measured from first to last, what the answerers say they are, and what could be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.quantities import quantity
from decoder.report.texts import NOTHING, Degrees, number_words, short_name, turned, unit_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.channels import Channels, Series

Fact = tuple[str, str]

_MEASURED: Final = (
    "pack voltage",
    "link voltage",
    "pack current",
    "state of charge",
    "state of health",
    "cell voltage",
    "module voltage",
    "cell temperature",
    "module temperature",
    "coolant temperature",
    "swelling pressure",
    "insulation resistance",
    "supply voltage",
    "keep-alive voltage",
)
_AH_PER_A_S: Final = 1 / 3600


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """One quantity: of several channels, first and last are those of the median channel."""

    name: str
    channels: int
    unit: str
    first: str
    last: str
    lowest: str
    lowest_at: str
    highest: str
    highest_at: str


def pack_facts(channels: Channels) -> Iterator[Fact]:
    """Say what the pack sheet says, and what was seen."""
    sheet = channels.sheet
    cells = [one for one in channels.one_a_place("cell voltage") if one.present]
    modules = {one.channel.place.module for one in cells} - {None}
    if sheet is not None:
        yield from ((word, text) for word, text in (("name", sheet.name), ("chemistry", sheet.chemistry)) if text)
        if sheet.capacity_ah is not None:
            yield "capacity when new", f"{sheet.capacity_ah:g} Ah"
        if sheet.cells_in_series is not None:
            yield "cells in series", str(sheet.cells_in_series)
    said = sheet.modules if sheet is not None and sheet.modules is not None else None
    yield "modules", f"{len(modules)} seen" + (f" of {said}" if said is not None else "")
    yield "cells", f"{len(cells)} seen"


def charge_facts(channels: Channels) -> Iterator[Fact]:
    """Say how much charge went out and in, as far as the current was measured."""
    current = next((one for one in channels.of("pack current") if one.present > 1), None)
    if current is None:
        return
    known = np.isfinite(current.in_quantity_unit)
    time_s = current.rising_ns[known] / 1e9
    ampere = current.in_quantity_unit[known]
    step_s = np.minimum(np.diff(time_s), 5 * (current.cycle_s or np.inf))  # over a gap nothing is known
    flowed = ampere[:-1] * step_s * _AH_PER_A_S
    positive, negative = float(flowed[flowed > 0].sum()), -float(flowed[flowed < 0].sum())
    charging = channels.sheet is not None and channels.sheet.current_positive == "charge"
    out, back = (negative, positive) if charging else (positive, negative)
    yield "charge that flowed", f"{number_words(out, 3)} Ah out, {number_words(back, 3)} Ah in"


def measured_rows(channels: Channels, degrees: Degrees) -> list[MeasuredRow]:
    """Give first, last, lowest and highest of every quantity that was measured."""
    rows = []
    for name in _MEASURED:
        those = channels.one_a_place(name) if name == "cell voltage" else channels.of(name)
        those = [one for one in those if one.present and one.channel.factor is not None]
        if those:
            rows.append(_measured(name, those, degrees))
    return rows


def _measured(name: str, those: Sequence[Series], degrees: Degrees) -> MeasuredRow:
    values = [one.in_quantity_unit[np.isfinite(one.in_quantity_unit)] for one in those]
    known = [(one, value) for one, value in zip(those, values, strict=True) if len(value)]
    what = quantity(name)
    if not known:
        return MeasuredRow(name, len(those), unit_words(what.unit), *(NOTHING, NOTHING, NOTHING, "", NOTHING, ""))
    low = min(known, key=lambda pair: float(pair[1].min()))
    high = max(known, key=lambda pair: float(pair[1].max()))
    numbers = (
        float(np.median([value[0] for _, value in known])),
        float(np.median([value[-1] for _, value in known])),
        float(low[1].min()),
        float(high[1].max()),
    )
    first, last, lowest, highest = (number_words(turned(one, what.unit, degrees)[0], what.digits) for one in numbers)
    several = len(known) > 1
    at = tuple(short_name(str(one.channel.place), 40) if several else "" for one in (low[0], high[0]))
    unit = unit_words(turned(None, what.unit, degrees)[1])
    return MeasuredRow(name, len(known), unit, first, last, lowest, at[0], highest, at[1])
