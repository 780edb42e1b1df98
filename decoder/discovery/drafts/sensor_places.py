"""Where sensors sit that are no cells: one for each module, or several, counted module by module or sensor by sensor.

With one for each module the order says it all. With several, labels such as 'module 2 sensor 1' tell which of the two
ways it is; without them sensors are just counted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.discovery.drafts.place_words import place_in
from decoder.discovery.spots import is_one
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.discovery.inference import ArrayClaim
    from decoder.discovery.pinned import Pinned

# The chance from which on a way of counting is taken. Common practice, no source.
SURE: Final = 0.9
# The chance that a place was noted or matched wrongly, and how usual counting module by module is. Common practice, no
# source.
_MISTAKEN: Final = 0.05
_BY_MODULE: Final = 0.7


def sensor_places(
    one: ArrayClaim, modules: int | None, pinned: Sequence[Pinned], before: int
) -> tuple[tuple[Place, ...], str]:
    """Give the places of the members of an array, and in words what is open.

    modules : how many the pack has, ``None`` where that is not known
    before : how many sensors of this quantity were counted already
    """
    count = len(one.members)
    counted = tuple(Place(sensor=before + member.order) for member in one.members)
    if modules is None or modules < 2 or count % modules:
        return _kept(one, counted), ""
    each = count // modules
    if each == 1:
        return _kept(one, tuple(Place(module=member.order) for member in one.members)), ""
    by_module = tuple(Place(at // each + 1, None, at % each + 1) for at in range(count))
    by_sensor = tuple(Place(at % modules + 1, None, at // modules + 1) for at in range(count))
    weights = [
        usual * _fits(one, places, pinned) for places, usual in ((by_module, _BY_MODULE), (by_sensor, 1 - _BY_MODULE))
    ]
    chance = max(weights) / sum(weights)
    if chance >= SURE:
        return _kept(one, (by_module, by_sensor)[weights.index(max(weights))]), ""
    return _kept(one, counted), (
        f"{count} fields as {one.quantity} for {modules} modules: which is which is open; readings of sensors of the "
        f"second module and of a second sensor tell"
    )


def _kept(one: ArrayClaim, places: Sequence[Place]) -> tuple[Place, ...]:
    """Give the places, but for members that have one already."""
    pairs = zip(one.members, places, strict=True)
    return tuple(member.place if member.place != Place() else place for member, place in pairs)


def _fits(one: ArrayClaim, places: Sequence[Place], pinned: Sequence[Pinned]) -> float:
    """Weigh a way of counting by the labels that name module and sensor."""
    weight = 1.0
    for label in pinned:
        place = place_in(label.label)
        if place.module is None or not isinstance(place.sensor, int):
            continue
        shares = [
            (own, match.likelihood)
            for match in label.matches
            for member, own in zip(one.members, places, strict=True)
            if any(is_one(at, member.at) for at in (match.at, *match.same_as))
        ]
        if shares:
            share = sum(likelihood for own, likelihood in shares if own == place)
            weight *= _MISTAKEN / len(places) + (1 - _MISTAKEN) * share
    return weight
