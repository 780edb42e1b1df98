"""Evidence with its numbers, and the same in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.inference import Evidence
from decoder.discovery.physics.weighing import SURE_WEIGHT
from decoder.maps.quantities import quantity as quantity_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.discovery.physics.array_meanings import Meaning
    from decoder.discovery.physics.charges import ChargeLike
    from decoder.discovery.physics.currents import CurrentLike, CurrentMeaning
    from decoder.discovery.physics.extremes import Extreme
    from decoder.discovery.physics.like_fields import LikeFields
    from decoder.discovery.physics.states import Switch
    from decoder.discovery.physics.voltages import Match
    from decoder.discovery.physics.weighing import Findings, Weighed

RIVAL_VOLTAGE: Final = "several numbers equal the sum of the cells; one may be measured behind the contactors"
RIVAL_SCALE: Final = "another natural scale, less usual or less plausible"


def less_likely(rival: Meaning, claim: Meaning) -> str:
    """Say why a meaning is less likely."""
    unit = quantity_of(rival.quantity).unit
    text = f"would mean {rival.value:.4g} {unit}, {rival.spread:.2g} {unit} apart"
    if rival.quantity == claim.quantity:
        return text + ": less usual, or no sum bears it out"
    return text


def of_array(one: Weighed, row: LikeFields, findings: Findings) -> tuple[Evidence, ...]:
    """Give what speaks for an array."""
    meaning = one.meanings[0]
    return tuple(_of_array(one, row, meaning, findings))


def _of_array(one: Weighed, row: LikeFields, meaning: Meaning, findings: Findings) -> Iterator[Evidence]:
    unit = quantity_of(meaning.quantity).unit
    table = row.table
    if table is not None:
        values = np.abs(meaning.scale) * (table.usual - np.median(table.usual))
        spread = float(np.ptp(values))
        yield Evidence(
            "close together",
            {"members": len(row), "value": round(meaning.value, 5), "spread": round(spread, 5), "unit": unit},
            f"{len(row)} fields of {meaning.length} bits lie within {spread:.3g} {unit} of each other, round "
            f"{meaning.value:.4g} {unit}",
        )
        common, rest = float(table.common.std()), float(np.median(table.rest.std(axis=0)))
        if common > rest and common > 1:
            yield Evidence(
                "move together",
                {
                    "common": round(common * abs(meaning.scale), 6),
                    "rest": round(rest * abs(meaning.scale), 6),
                    "unit": unit,
                },
                f"they move together by {common * abs(meaning.scale):.3g} {unit}, and each on its own by "
                f"{rest * abs(meaning.scale):.2g} {unit}",
            )
    if one.sums and one.sums[0].weight > SURE_WEIGHT:
        yield _sum_words(one.sums[0], _beside(one, findings))
    for other in one.same_as:
        known = findings.rows[other].row.fields[0]
        yield Evidence(
            "same values elsewhere",
            {"id": f"{known.stream.can_id:X}", "members": len(findings.rows[other].row)},
            f"as many fields from identifier {known.stream.can_id:X} on tell the same cells at their own scale",
        )
    if row.dropped:
        reasons = sorted({why for _, why in row.dropped})
        yield Evidence(
            "left out",
            {"fields": len(row.dropped)},
            f"{len(row.dropped)} fields at its ends were left out: " + "; ".join(reasons),
        )


def _beside(one: Weighed, findings: Findings) -> str:
    """Say which other cells a sum holds."""
    others = [findings.rows[which].row for which in one.sums[0].sum.rows if findings.rows[which] is not one]
    return "".join(f", together with {len(row)} fields from {row.fields[0].stream.can_id:X} on" for row in others)


def _sum_words(match: Match, beside: str = "") -> Evidence:
    follows = "" if np.isnan(match.correlation) else f", correlation {match.correlation:.3f}"
    return Evidence(
        "sum equals pack voltage",
        {
            "cells": match.sum.cells,
            "sum_v": round(float(np.median(match.sum.volt)), 3),
            "off_share": round(match.off, 6),
            "correlation": "untold" if np.isnan(match.correlation) else round(match.correlation, 4),
            "id": f"{match.single.at.stream.can_id:X}",
        },
        f"the sum of {match.sum.cells} cells{beside}, {float(np.median(match.sum.volt)):.1f} V, equals a number of "
        f"identifier {match.single.at.stream.can_id:X} at {match.scale:g} V a step, off by {match.off:.2%}{follows}",
    )


def of_voltage(match: Match) -> tuple[Evidence, ...]:
    """Give what speaks for a pack or link voltage."""
    if not match.link:
        return (_sum_words(match),)
    return (
        Evidence(
            "rises to the pack's voltage",
            {"cells": match.sum.cells, "off_share": round(match.off, 6)},
            f"far below the sum of {match.sum.cells} cells for a time, else equal to it, off by {match.off:.2%}",
        ),
    )


def of_current(like: CurrentLike, meaning: CurrentMeaning, several: int) -> tuple[Evidence, ...]:
    """Give what speaks for a current."""
    told = Evidence(
        "steps with one resistance",
        {"correlation": round(like.correlation, 4), "mohm": round(meaning.mohm, 4), "lag_s": like.lag_s},
        f"the cells' voltage moves with it (correlation {like.correlation:.3f}), as a resistance of "
        f"{meaning.mohm:.2g} mohm a cell would make it",
    )
    if several == 1:
        return (told,)
    text = f"{several} numbers move like that; one of them, or what follows the current, as a motor's torque does"
    return told, Evidence("not alone", {"numbers": several}, text)


def of_charge(one: ChargeLike) -> tuple[Evidence, ...]:
    """Give what speaks for a state of charge."""
    found = [Evidence("slow, within 0 to 100 %", {"percent": round(one.percent, 3)}, f"slow, at {one.percent:.1f} %")]
    if not np.isnan(one.correlation):
        found.append(
            Evidence(
                "integral of the current",
                {"correlation": round(one.correlation, 4), "capacity_ah": round(one.capacity_ah, 2)},
                f"in step with the charge that flowed (correlation {one.correlation:.3f}), as with "
                f"{one.capacity_ah:.3g} Ah",
            )
        )
    if one.told > 0.5:
        text = "near what the cells' voltage says of their charge"
        found.append(Evidence("fits the cells' voltage", {"log_odds": round(one.told, 3)}, text))
    return tuple(found)


def of_extreme(one: Extreme, quantity: str) -> tuple[Evidence, ...]:
    """Give what speaks for a highest, lowest or mean value."""
    unit = quantity_of(quantity).unit
    return (
        Evidence(
            f"is the {one.which} of an array",
            {
                "which": one.which,
                "off": round(one.off, 5),
                "correlation": "untold" if np.isnan(one.correlation) else round(one.correlation, 4),
            },
            f"always the {one.which} of the array of {quantity}, off by {one.off:.2g} {unit}; no place of its own",
        ),
    )


def of_switch(one: Switch) -> tuple[Evidence, ...]:
    """Give what speaks for a contactor bit."""
    when = "after" if one.delay_s >= 0 else "before"
    return (
        Evidence(
            "switches with the link's voltage",
            {"delay_s": round(one.delay_s, 3), "changes": one.changes},
            f"goes to 1 {abs(one.delay_s):.2f} s {when} the link's voltage begins to rise; {one.changes} changes",
        ),
    )
