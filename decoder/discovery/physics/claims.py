"""From what was weighed to claims: which of them stand side by side, their likelihood, evidence and rivals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.inference import ArrayClaim, ChannelClaim, Inference, Member, Rival
from decoder.discovery.physics import evidence_words as words
from decoder.discovery.physics.likelihoods import corrected
from decoder.discovery.physics.picking import Occupied
from decoder.discovery.physics.weighing import SURE_WEIGHT
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import quantity as quantity_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.discovery.field_at import Sampled
    from decoder.discovery.physics.currents import CurrentLike
    from decoder.discovery.physics.singles import Single
    from decoder.discovery.physics.voltages import Match
    from decoder.discovery.physics.weighing import Findings, Weighed

_MOST_SUMMARIES: Final = 6  # numbers that tell the highest, lowest or mean of one array
_LEAST: Final = 0.05  # likelihood of what is told at all
_MOST_RIVALS: Final = 3
_OTHER_CHARGE: Final = 2.5  # log odds that none of the numbers is the charge
_NEIGHBOUR: Final = 3.0  # times as likely is a current in the same message as the pack's voltage, or beside it
_NEAR_IDS: Final = 2
_SHARP: Final = 25.0  # how much a better correlation counts
_EITHER: Final = 0.5  # of a number that may be a voltage of the pack as well as one of a cell
_SIDE: Final = {1: 1.0, 2: 0.7, 3: 0.6}  # of numbers that equal the sum, so likely each is the pack's own voltage


def claims_of(findings: Findings, sampled: Sampled) -> Inference:
    """Choose claims, the likeliest first, so that no two share a bit."""
    arrays = [made for one in findings.rows if (made := _array(one, findings)) is not None]
    channels = [*_voltages(findings), *_currents(findings), *_charges(findings), *_extremes(findings)]
    channels += _switches(findings)
    occupied = Occupied(sampled)
    told_arrays: list[ArrayClaim] = []
    told: list[ChannelClaim] = []
    both: list[ArrayClaim | ChannelClaim] = [*arrays, *channels]
    for claim in sorted(both, key=lambda one: -one.likelihood):
        if claim.likelihood < _LEAST:
            continue
        fields = [member.at for member in claim.members] if isinstance(claim, ArrayClaim) else [claim.at]
        if not all(occupied.is_free(at) for at in fields):
            continue
        for at in fields:
            occupied.take(at)
        if isinstance(claim, ArrayClaim):
            told_arrays.append(claim)
        else:
            told.append(claim)
    return Inference(tuple(told_arrays), tuple(told))


def _array(one: Weighed, findings: Findings) -> ArrayClaim | None:
    meaning, chance = one.meanings[0], one.chances[0]
    row = one.row.cut_to(meaning.length)
    if len(row) < 2:
        return None
    members = tuple(Member(at, order, _place(meaning.quantity, order)) for order, at in enumerate(row.fields, start=1))
    rivals = tuple(
        Rival(some.quantity, some.scale, some.offset, round(share, 4), words.less_likely(some, meaning))
        for some, share in zip(one.meanings[1:], one.chances[1:], strict=True)
        if share >= 0.001
    )
    return ArrayClaim(
        meaning.quantity,
        quantity_of(meaning.quantity).unit,
        meaning.scale,
        meaning.offset,
        members,
        corrected(_kind(one), chance),
        words.of_array(one, row, findings),
        rivals[:_MOST_RIVALS],
    )


def _kind(one: Weighed) -> str:
    """Name the kind of claim: cells whose sum is known are surer than others."""
    borne_out = bool(one.sums) and one.sums[0].weight > SURE_WEIGHT
    quantity = one.meanings[0].quantity
    return f"array of {quantity}" + (" with its sum" if borne_out and quantity == "cell voltage" else "")


def _place(quantity: str, order: int) -> Place:
    """Give what is known of a place: nothing; sensors are counted, for they have no other number."""
    return Place(sensor=order) if quantity in {"module temperature", "swelling pressure"} else Place()


def _voltages(findings: Findings) -> Iterator[ChannelClaim]:
    """Claim pack and link voltages, the better match of each number."""
    best: dict[tuple[object, ...], Match] = {}
    for match in findings.voltages:
        place = match.single.place
        if place not in best or best[place].weight < match.weight:
            best[place] = match
    # The mean of a hundred cells and their sum are the same number, at two scales.
    summaries = {one.single.place for one in findings.extremes if one.weight > SURE_WEIGHT}
    strong = [one for one in best.values() if not one.link and one.weight > SURE_WEIGHT]
    for match in best.values():
        odds = 1 / (1 + float(np.exp(-(match.weight - 1.5)))) * (_EITHER if match.single.place in summaries else 1.0)
        rival = "link voltage" if not match.link else "pack voltage"
        quantity = "link voltage" if match.link else "pack voltage"
        share = 1.0 if match.link else _SIDE.get(len(strong), 0.5)
        others = (Rival(rival, match.scale, match.offset, round(odds * (1 - share), 4), words.RIVAL_VOLTAGE),)
        yield ChannelClaim(
            match.single.at,
            quantity,
            "V",
            match.scale,
            match.offset,
            Place(),
            corrected(quantity, odds * share),
            words.of_voltage(match),
            others if share < 1 else (),
        )


def _currents(findings: Findings) -> Iterator[ChannelClaim]:
    best: dict[tuple[object, ...], int] = {}
    for number, (like, meaning, _) in enumerate(findings.currents):
        place = like.single.place
        if place not in best or _fit(like, meaning.share) > _fit(
            findings.currents[best[place]][0], findings.currents[best[place]][1].share
        ):
            best[place] = number
    chosen = [findings.currents[number] for number in best.values()]
    if not chosen:
        return
    top = max(abs(like.correlation) for like, _, _ in chosen)
    near = [one.single for one in findings.voltages if not one.link and one.weight > SURE_WEIGHT]
    odds = [float(np.exp(_SHARP * (abs(like.correlation) - top))) * _beside(like.single, near) for like, _, _ in chosen]
    for (like, meaning, others), share in zip(chosen, odds, strict=True):
        sure = 1 / (1 + np.exp(-_SHARP * (abs(like.correlation) - 0.82)))
        own = float(share / (sum(odds) + 0.1) * sure)
        yield ChannelClaim(
            like.single.at,
            "pack current",
            "A",
            meaning.scale,
            meaning.offset,
            Place(),
            corrected("pack current", own * meaning.share),
            words.of_current(like, meaning, len(chosen)),
            tuple(
                Rival("pack current", some.scale, some.offset, round(own * some.share, 4), words.RIVAL_SCALE)
                for some in others
            ),
        )


def _fit(like: CurrentLike, share: float) -> float:
    return abs(like.correlation) * 10 + float(np.log(share)) - 0.02 * like.single.shortest


def _beside(single: Single, voltages: list[Single]) -> float:
    """Give how much likelier a number is for standing beside the pack's voltage."""
    for other in voltages:
        same = (single.at.stream.bus, single.at.stream.carrier) == (other.at.stream.bus, other.at.stream.carrier)
        if same and abs(single.at.stream.can_id - other.at.stream.can_id) <= _NEAR_IDS:
            return _NEIGHBOUR
    return 1.0


def _charges(findings: Findings) -> Iterator[ChannelClaim]:
    taken = {one.single.place for one in findings.voltages if one.weight > SURE_WEIGHT}
    taken |= {one.single.place for one in findings.extremes if one.weight > SURE_WEIGHT}
    found = [one for one in findings.charges if one.single.place not in taken]
    if not found:
        return
    weights = np.array([one.weight for one in found])
    odds = np.exp(weights - weights.max())
    chances = odds / (odds.sum() + np.exp(_OTHER_CHARGE - weights.max()))
    told: set[tuple[object, ...]] = set()
    for one, chance in zip(found, chances.tolist(), strict=True):
        if one.single.place in told:
            continue
        told.add(one.single.place)
        rivals = tuple(
            Rival("state of charge", some.scale, some.offset, round(share, 4), words.RIVAL_SCALE)
            for some, share in zip(found, chances.tolist(), strict=True)
            if some.single.place == one.single.place and some is not one and share > 0.001
        )
        yield ChannelClaim(
            one.single.named(one.bits),
            "state of charge",
            "%",
            one.scale,
            one.offset,
            Place(),
            corrected("state of charge", chance),
            words.of_charge(one),
            rivals[:_MOST_RIVALS],
        )


def _extremes(findings: Findings) -> Iterator[ChannelClaim]:
    told: set[tuple[object, ...]] = set()
    of_row: dict[int, int] = {}
    voltages = {one.single.place for one in findings.voltages if one.weight > SURE_WEIGHT}
    for one in sorted(findings.extremes, key=lambda some: -some.weight):
        if one.single.place in told:
            continue
        told.add(one.single.place)
        of_row[one.row] = of_row.get(one.row, 0) + 1
        if of_row[one.row] > _MOST_SUMMARIES:
            continue
        quantity = findings.rows[one.row].meanings[0].quantity
        odds = 1 / (1 + float(np.exp(-(one.weight - 1.5)))) * (_EITHER if one.single.place in voltages else 1.0)
        yield ChannelClaim(
            one.single.at,
            quantity,
            quantity_of(quantity).unit,
            one.scale,
            one.offset,
            Place(),
            corrected(quantity, odds * findings.rows[one.row].chances[0]),
            words.of_extreme(one, quantity),
        )


def _switches(findings: Findings) -> Iterator[ChannelClaim]:
    for one in findings.switches:
        odds = 1 / (1 + float(np.exp(-one.weight)))
        yield ChannelClaim(
            one.at, "contactor", "", 1.0, 0.0, Place(), corrected("contactor", odds), words.of_switch(one)
        )
