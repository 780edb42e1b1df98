"""Which rules a pack sheet needs so that drafted channels are what they were drafted as.

A pattern for all cells is one rule; where it would also take channels that were there before, each new channel gets a
rule for its own name. What an earlier rule of the sheet says otherwise stays, and is told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.patterns import literal, placeholders
from decoder.maps.roles import Named, Role, assign_roles
from decoder.maps.sheet_add import can_be_said

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.maps.pack_sheet import Place
    from decoder.maps.signal_map import SignalMap


@dataclass(frozen=True, slots=True)
class NewChannel:
    """A drafted channel: its name in the map, the pattern that fits it and its siblings, what it is.

    is_there : the map had it before
    """

    name: str
    pattern: str
    quantity: str
    place: Place
    is_there: bool = False


def needed_rules(
    channels: Sequence[NewChannel], signal_map: SignalMap, sheet: PackSheet
) -> tuple[tuple[ChannelRule, ...], tuple[str, ...]]:
    """Give the rules to put behind those of a sheet, and in words where the sheet goes on saying something else."""
    named = [
        Named(signal.name, signal.unit, message.name, bool(signal.labels), signal.field.length)
        for message in signal_map.messages
        for signal in message.signals
    ]
    new = {one.name for one in channels}
    before = _roles(named, sheet)
    channels = [one for one in channels if not one.is_there or _may_be(before[one.name], one, sheet)]
    rules: list[ChannelRule] = []
    for pattern in dict.fromkeys(one.pattern for one in channels):
        own = [one for one in channels if one.pattern == pattern]
        if all(_is(before[one.name], one, sheet) and _is_ruled(before[one.name]) for one in own):
            continue
        rule = _rule(own[0], pattern)
        after = _roles(named, replace(sheet, rules=(*sheet.rules, *rules, rule)))
        takes_others = any(after[name] != before[name] for name in before if name not in new)
        rules += [_rule(one, literal(one.name)) for one in own] if takes_others else [rule]
    after = _roles(named, replace(sheet, rules=(*sheet.rules, *rules)))
    return tuple(rules), tuple(
        _otherwise(one, after[one.name]) for one in channels if not _is(after[one.name], one, sheet)
    )


def _roles(named: Sequence[Named], sheet: PackSheet) -> dict[str, Role]:
    return {one.name: role for one, role in zip(named, assign_roles(named, sheet), strict=True)}


def _is(role: Role, wanted: NewChannel, sheet: PackSheet) -> bool:
    """Whether a role is what was drafted; a cell that counts through the pack may have got its module by the sheet."""
    place = wanted.place
    if place.module is None and place.cell is not None and (within := sheet.module_of_cell(place.cell)) is not None:
        place = replace(place, module=within[0], cell=within[1])
    return role.quantity == wanted.quantity and role.place in (place, wanted.place)


def _may_be(role: Role, wanted: NewChannel, sheet: PackSheet) -> bool:
    """Whether nothing says that a channel is something else."""
    return role.quantity is None or _is(role, wanted, sheet)


def _is_ruled(role: Role) -> bool:
    """Whether a rule of the sheet says so, and not the name alone."""
    return role.rule.startswith("the sheet's")


def _rule(one: NewChannel, pattern: str) -> ChannelRule:
    """Give the rule; a place that the pattern does not hold is written out."""
    held = placeholders(pattern)
    place = one.place
    rule = ChannelRule(
        pattern,
        one.quantity,
        module=None if "module" in held else place.module,
        cell=None if "cell" in held else place.cell,
        sensor=None if "sensor" in held else place.sensor,
    )
    return rule if can_be_said(rule) else ChannelRule(pattern, one.quantity)


def _otherwise(one: NewChannel, role: Role) -> str:
    said = f"{role.quantity or 'none of the known quantities'}, {role.place}"
    return f"{one.name} is drafted as {one.quantity}, {one.place}, but the pack sheet makes it {said}: {role.rule}"
