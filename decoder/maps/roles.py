"""What each channel is: quantity and place, from the pack sheet where it says so, else from unit and name.

The sheet's ``[[channels]]`` rules in their order, first rule that fits:

- with `match` (an exact name or a pattern, see `decoder.maps.patterns`) it says what the channel is and its
  limits; a quantity it leaves out comes from unit and name; a place it leaves out (no placeholder, no
  `module`, `cell` or `sensor`) comes from the next rule for the same quantity that fits and has one, else
  from the name. So a rule for one channel's limits placed before the pattern changes nothing else.
- with `quantity` but without `match` it gives limits, absent values and cycle time to every channel of that
  quantity that got none from a rule with `match`.

``quantity = "other"`` says that a channel is none of the known quantities.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from decoder.maps.naming import Judged, Named, judge_name
from decoder.maps.pack_sheet import ChannelRule, PackSheet, Place
from decoder.maps.patterns import bare_name, fit, placeholders
from decoder.maps.places import Located, places_from_names
from decoder.maps.quantities import quantity as quantity_row
from decoder.maps.units import unit_conversion
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["OTHER", "Named", "Role", "assign_roles", "unit_conversion"]

_T = TypeVar("_T")

# The sheet's word for a channel that is none of the known quantities.
OTHER = "other"


@dataclass(frozen=True, slots=True)
class Role:
    """What a channel is, and which rule said so.

    `low` and `high` are limits from the sheet in the quantity's unit (the channel's own where it has no
    quantity); `limits_from` names the sheet's line. `absent`: ``()`` switches the usual tests for 'not
    available' off, ``None`` leaves them.
    """

    quantity: str | None = None
    place: Place = field(default_factory=Place)
    rule: str = ""
    low: float | None = None
    high: float | None = None
    limits_from: str | None = None
    absent: tuple[int, ...] | None = None
    cycle_s: float | None = None
    modulus: int | None = None
    form: str | None = None
    constant: int | None = None


def assign_roles(channels: Sequence[Named], sheet: PackSheet | None) -> list[Role]:
    """Give the role of each channel, in the order given.

    All channels of a capture belong in one call: names are read together.
    """
    rules = sheet.rules if sheet is not None else ()
    matching = [rule for rule in rules if rule.match]
    fits = _fits(channels, matching)
    judged = [judge_name(bare_name(c.name), c.unit, c.message, c.bits) for c in channels]
    first = [next((rule for rule in fitting), None) for fitting in fits]
    quantities = [_quantity(rule, name) for rule, name in zip(first, judged, strict=True)]
    named = places_from_names(channels, quantities, sheet)
    ruled = _places_from_rules(fits, quantities, sheet)
    general = {rule.quantity: rule for rule in reversed(rules) if not rule.match and rule.quantity is not None}
    return [
        _role(
            rule,
            _why(channel, rule, name, quantity),
            quantity,
            by_rule or by_name,
            general.get(quantity or ""),
        )
        for channel, rule, name, quantity, by_name, by_rule in zip(
            channels, first, judged, quantities, named, ruled, strict=True
        )
    ]


def _fits(channels: Sequence[Named], rules: Sequence[ChannelRule]) -> list[dict[ChannelRule, dict[str, int]]]:
    """Give for each channel the rules that fit its name, in their order, with the numbers that they find."""
    table: list[dict[ChannelRule, dict[str, int]]] = []
    for channel in channels:
        fitting: dict[ChannelRule, dict[str, int]] = {}
        for rule in rules:
            numbers = fit(rule.match, channel.name)
            if numbers is not None:
                fitting[rule] = numbers
        table.append(fitting)
    return table


def _quantity(rule: ChannelRule | None, judged: Judged) -> str | None:
    if rule is None or rule.quantity is None:
        return judged.quantity
    return None if rule.quantity == OTHER else rule.quantity


def _places_from_rules(
    fits: Sequence[dict[ChannelRule, dict[str, int]]],
    quantities: Sequence[str | None],
    sheet: PackSheet | None,
) -> list[Located | None]:
    """Give the place that the first rule with one says, ``None`` where no rule says one."""
    from_zero = {
        (rule, key)
        for fitting in fits
        for rule, numbers in fitting.items()
        for key, number in numbers.items()
        if number == 0
    }
    located: list[Located | None] = []
    for fitting, quantity in zip(fits, quantities, strict=True):
        placing = next((rule for rule in fitting if _places(rule) and _is_for(rule, fitting, quantity)), None)
        if placing is None:
            located.append(None)
            continue
        numbers = {key: number + ((placing, key) in from_zero) for key, number in fitting[placing].items()}
        shifted = sorted(key for rule, key in from_zero if rule is placing)
        located.append(_placed(placing, numbers, shifted, quantity, sheet))
    return located


def _places(rule: ChannelRule) -> bool:
    given = (rule.module, rule.cell, rule.sensor) != (None, None, None)
    return given or bool(placeholders(rule.match))


def _is_for(rule: ChannelRule, fitting: dict[ChannelRule, dict[str, int]], quantity: str | None) -> bool:
    """Tell whether a rule's place counts: the first rule's always, a later one's for the same quantity."""
    first = next(iter(fitting))
    return rule is first or rule.quantity in {first.quantity, quantity, None}


def _placed(
    rule: ChannelRule,
    numbers: dict[str, int],
    shifted: list[str],
    quantity: str | None,
    sheet: PackSheet | None,
) -> Located:
    module = rule.module if rule.module is not None else numbers.get("module")
    cell = rule.cell if rule.cell is not None else numbers.get("cell")
    sensor = rule.sensor if rule.sensor is not None else numbers.get("sensor")
    note = "".join(f"; {key}s count from 0 in the names, from 1 here" for key in shifted)
    counts_cells = quantity is None or quantity_row(quantity).counted in {"cell", "module"}
    within = sheet.module_of_cell(cell) if sheet is not None and cell is not None else None
    if module is None and cell is not None and within is not None and counts_cells:
        module, cell = within
        note += "; cells count through the pack"
    place = Place(module, cell, sensor)
    return Located(place, f"{place} by the sheet's {_line(rule)}{note}{_beyond(place, sheet)}")


def _beyond(place: Place, sheet: PackSheet | None) -> str:
    """Say where a place is not in the pack that the sheet describes."""
    if sheet is None or place.module is None or sheet.modules is None:
        return ""
    if place.module > sheet.modules:
        return f", but the sheet has {sheet.modules} modules"
    cells = sheet.cells_per_module[place.module - 1] if sheet.cells_per_module else None
    if place.cell is not None and cells is not None and place.cell > cells:
        return f", but this module has {cells} cells"
    return ""


def _why(channel: Named, rule: ChannelRule | None, judged: Judged, quantity: str | None) -> str:
    """Say where the quantity comes from, and where its unit cannot be compared."""
    why = judged.why
    if rule is not None and rule.quantity is not None:
        what = f"quantity '{quantity}'" if quantity is not None else "none of the known quantities"
        why = f"the sheet's {_line(rule)} (match '{printable(rule.match, 60)}') says {what}"
    row = quantity_row(quantity) if quantity is not None else None
    if row is None or unit_conversion(channel.unit, row) is not None:
        return why
    return f"{why}, but its unit '{printable(channel.unit, 20)}' cannot be compared with {row.unit}"


def _role(
    rule: ChannelRule | None,
    why: str,
    quantity: str | None,
    located: Located,
    general: ChannelRule | None,
) -> Role:
    """Put together what the first rule that fits, unit and name, and the rule for the quantity say."""
    own = rule if rule is not None else ChannelRule("")
    spare = general if general is not None else ChannelRule("")
    return Role(
        quantity=quantity,
        place=located.place,
        rule=f"{why}; {located.how}" if located.how else why,
        low=_first(own.low, spare.low),
        high=_first(own.high, spare.high),
        limits_from=_limits_from(own, spare),
        absent=_first(own.absent, spare.absent),
        cycle_s=_first(own.cycle_s, spare.cycle_s),
        modulus=_first(own.modulus, spare.modulus),
        form=_first(own.form, spare.form),
        constant=_first(own.constant, spare.constant),
    )


def _first(own: _T | None, spare: _T | None) -> _T | None:
    return own if own is not None else spare


def _line(rule: ChannelRule) -> str:
    return f"line {rule.line}" if rule.line is not None else "rule"


def _limits_from(own: ChannelRule, spare: ChannelRule) -> str | None:
    """Name the lines of the sheet that the limits come from."""
    lines = []
    for side in ("low", "high"):
        for rule in (own, spare):
            if getattr(rule, side) is not None:
                lines.append(_line(rule))
                break
    return "sheet " + " and ".join(dict.fromkeys(lines)) if lines else None
