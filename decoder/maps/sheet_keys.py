"""The tables and keys of a pack sheet, and the checks on their values.

One row a key. A wrong key or value becomes a `SheetError` with its line, what is allowed and the nearest
right spelling.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from decoder.errors import SheetError, Where
from decoder.maps.chemistry import CURVES, WINDOWS
from decoder.maps.pack_sheet import ChannelRule, Limits, PackSheet
from decoder.maps.patterns import PatternError, check, placeholders
from decoder.maps.quantities import QUANTITIES
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from decoder.maps.toml_lines import KeyPath

_T = TypeVar("_T")

MOST_MODULES = 1000
MOST_CELLS_PER_MODULE = 1000
LONGEST_PATTERN = 500
_SIDES = ("positive", "negative", "precharge")


class _WrongValueError(ValueError):
    """A value that a key cannot have: what is allowed, and the right spellings where they can be listed."""

    def __init__(self, expected: str, spellings: Iterable[str] = ()) -> None:
        self.expected = expected
        self.spellings = tuple(spellings)
        super().__init__(expected)


_Check = Callable[[object], Any]


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _WrongValueError("a text in quotes")
    return value


def _whole(low: int, high: int) -> Callable[[object], int]:
    def checked(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise _WrongValueError(f"a whole number from {low} to {high}")
        return value

    return checked


def _number(*, above: float | None = None) -> Callable[[object], float]:
    expected = "a number" if above is None else f"a number above {above:g}"

    def checked(value: object) -> float:
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise _WrongValueError(expected)
        if not -1e12 < value < 1e12 or (above is not None and value <= above):
            raise _WrongValueError(expected)
        return float(value)

    return checked


def _one_of(*options: str) -> Callable[[object], str]:
    def checked(value: object) -> str:
        if value not in options:
            raise _WrongValueError(f"one of {', '.join(options)}", options)
        return str(value)

    return checked


def _list_of(check_each: Callable[[object], _T], expected: str) -> Callable[[object], tuple[_T, ...]]:
    def checked(value: object) -> tuple[_T, ...]:
        if not isinstance(value, list):
            raise _WrongValueError(expected)
        try:
            return tuple(check_each(each) for each in value)
        except _WrongValueError as wrong:
            raise _WrongValueError(f"{expected}, each {wrong.expected}") from wrong

    return checked


def _curve(value: object) -> str:
    text = _text(value)
    if text not in CURVES and not text.lower().endswith(".csv"):
        raise _WrongValueError(f"one of {', '.join(CURVES)}, or a file name that ends in .csv", CURVES)
    return text


def _cells_per_module(value: object) -> int | tuple[int, ...]:
    each = _whole(1, MOST_CELLS_PER_MODULE)
    return _list_of(each, "one number, or a list with one a module")(value) if isinstance(value, list) else each(value)


def _pattern(value: object) -> str:
    text = _text(value)
    if not 0 < len(text) <= LONGEST_PATTERN:
        raise _WrongValueError(f"a name or a pattern of 1 to {LONGEST_PATTERN} characters")
    try:
        check(text)
    except PatternError as error:
        raise _WrongValueError(f"a pattern of names, {{module}}, {{cell}}, {{sensor}} and * ({error})") from error
    return text


def _sensor(value: object) -> int | str:
    if isinstance(value, str):
        return value
    try:
        return _whole(0, 10**9)(value)
    except _WrongValueError as wrong:
        raise _WrongValueError("a text in quotes or a whole number from 0 on") from wrong


_PACK: dict[str, _Check] = {
    "name": _text,
    "chemistry": _one_of(*WINDOWS),
    "charge_curve": _curve,
    "capacity_ah": _number(above=0),
    "current_positive": _one_of("discharge", "charge"),
    "cells_in_series": _whole(1, MOST_MODULES * MOST_CELLS_PER_MODULE),
    "modules": _whole(1, MOST_MODULES),
    "cells_per_module": _cells_per_module,
}
_CHANNEL: dict[str, _Check] = {
    "match": _pattern,
    "quantity": _one_of(*(row.name for row in QUANTITIES), "other"),
    "low": _number(),
    "high": _number(),
    "absent": _list_of(_whole(-(2**63), 2**64 - 1), "a list of raw values"),
    "cycle_s": _number(above=0),
    "module": _whole(1, MOST_MODULES),
    "cell": _whole(1, MOST_MODULES * MOST_CELLS_PER_MODULE),
    "sensor": _sensor,
    "modulus": _whole(2, 2**32),
    "form": _text,
    "constant": _whole(0, 2**64 - 1),
}
_LIMITS: dict[str, _Check] = {name: _number(above=0) for name in Limits.__dataclass_fields__}
_CASE: dict[str, _Check] = {
    "front": _text,
    "rows": _list_of(_list_of(_whole(1, MOST_MODULES), "a list of module numbers"), "a list of rows"),
}
_TABLES = ("pack", "channels", "limits", "case")


@dataclass(frozen=True, slots=True)
class SheetText:
    """Where the values of a sheet stand: its path, and the line of each key."""

    path: str | None
    lines: Mapping[KeyPath, int]

    def line(self, key: KeyPath) -> int | None:
        """Give the line of `key`, or of what holds it."""
        while key and key not in self.lines:
            key = key[:-1]
        return self.lines.get(key)

    def error(self, key: KeyPath, what: str, expected: str, advice: str | None = None) -> SheetError:
        """Build the error for what stands at `key`."""
        return SheetError(what, where=Where(self.path, self.line(key)), expected=expected, advice=advice)


def build_sheet(document: Mapping[str, object], source: SheetText) -> PackSheet:
    """Check a parsed document key by key, then the keys against each other. Raises `SheetError`."""
    for name in document:
        if name not in _TABLES:
            raise _unknown(source, (name,), "the sheet", [f"[{table}]" for table in _TABLES], _TABLES)
    pack = _table(document, "pack", _PACK, source)
    case = _table(document, "case", _CASE, source)
    limits = Limits(**_table(document, "limits", _LIMITS, source))
    low_v, high_v = limits.supply_low_v, limits.supply_high_v
    if low_v is not None and high_v is not None and low_v > high_v:
        raise source.error(
            ("limits", "supply_low_v"),
            f"'supply_low_v' ({low_v:g}) is above 'supply_high_v' ({high_v:g})",
            "the low limit below the high one",
        )
    modules, cells = _modules_and_cells(pack, source)
    _check_rows(case.get("rows", ()), modules, source)
    return PackSheet(
        name=pack.get("name"),
        chemistry=pack.get("chemistry"),
        charge_curve=pack.get("charge_curve"),
        capacity_ah=pack.get("capacity_ah"),
        current_positive=pack.get("current_positive", "discharge"),
        cells_in_series=pack.get("cells_in_series", sum(cells) if cells else None),
        modules=modules,
        cells_per_module=cells,
        rules=_rules(document.get("channels", []), source),
        limits=limits,
        front=case.get("front"),
        rows=case.get("rows", ()),
        path=source.path,
    )


def _table(document: Mapping[str, object], name: str, keys: Mapping[str, _Check], source: SheetText) -> dict[str, Any]:
    table = document.get(name, {})
    if not isinstance(table, dict):
        shown = f"a table that begins with [{name}]"
        raise source.error((name,), f"'{name}' is {_shown(table)}, not a table", shown)
    return _values(table, (name,), f"[{name}]", keys, source)


def _values(
    table: Mapping[str, object], at: KeyPath, title: str, keys: Mapping[str, _Check], source: SheetText
) -> dict[str, Any]:
    """Check each key of a table and give the values as the sheet's data has them."""
    values = {}
    for key, value in table.items():
        if key not in keys:
            raise _unknown(source, (*at, key), title, keys, keys)
        try:
            values[key] = keys[key](value)
        except _WrongValueError as wrong:
            nearest = _nearest(value, wrong.spellings) if isinstance(value, str) else None
            raise source.error(
                (*at, key),
                f"'{key}' in {title} is {_shown(value)}",
                wrong.expected,
                f'write {key} = "{nearest}"' if nearest else None,
            ) from wrong
    return values


def _unknown(source: SheetText, key: KeyPath, title: str, shown: Iterable[str], names: Iterable[str]) -> SheetError:
    nearest = _nearest(str(key[-1]), names)
    return source.error(
        key,
        f"unknown key '{printable(str(key[-1]), 60)}' in {title}",
        f"one of {', '.join(shown)}",
        f"write {nearest}, the nearest right spelling" if nearest else "take it out",
    )


def _nearest(given: str, names: Iterable[str]) -> str | None:
    by_case = {name.lower(): name for name in names}
    # Comparing takes the product of both lengths, and no right spelling is this long.
    found = difflib.get_close_matches(given[:80].lower(), list(by_case), n=1, cutoff=0.5)
    return by_case[found[0]] if found else None


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f"'{printable(value, 60)}'"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, int) and abs(value) >= 10**30:
        return "a number of more than 30 digits"
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return printable(str(value)[:200], 60)


def _modules_and_cells(pack: Mapping[str, Any], source: SheetText) -> tuple[int | None, tuple[int, ...] | None]:
    """Bring `modules`, `cells_per_module` and `cells_in_series` together, each as far as the sheet says."""
    modules, per_module, in_series = (pack.get(key) for key in ("modules", "cells_per_module", "cells_in_series"))
    if per_module is None:
        return modules, None
    key = ("pack", "cells_per_module")
    if isinstance(per_module, int):
        if modules is None and (in_series is None or in_series % per_module):
            raise source.error(
                key,
                "'cells_per_module' is one number, but how many modules there are is not said",
                "modules beside it (or cells_in_series that it divides), or a list with one number a module",
            )
        per_module = (per_module,) * (modules or min((in_series or 0) // per_module, MOST_MODULES))
    if modules is not None and len(per_module) != modules:
        raise source.error(
            key,
            f"'cells_per_module' has {len(per_module)} numbers, but 'modules' is {modules}",
            f"{modules} numbers, or one for all modules",
        )
    if not per_module:
        raise source.error(key, "'cells_per_module' is an empty list", "one number, or a list with one a module")
    if in_series is not None and sum(per_module) != in_series:
        raise source.error(
            key,
            f"'cells_per_module' adds up to {sum(per_module)} cells, but 'cells_in_series' is {in_series}",
            f"{in_series} cells in {len(per_module)} modules together",
            "correct one of modules, cells_per_module and cells_in_series",
        )
    return len(per_module), per_module


def _check_rows(rows: tuple[tuple[int, ...], ...], modules: int | None, source: SheetText) -> None:
    seen: set[int] = set()
    for number, row in enumerate(rows):
        for place, module in enumerate(row):
            key = ("case", "rows", number, place)
            if modules is not None and module > modules:
                raise source.error(
                    key, f"'rows' names module {module}, which does not exist", f"modules 1 to {modules}"
                )
            if module in seen:
                raise source.error(key, f"'rows' names module {module} twice", "each module in one place")
            seen.add(module)


def _rules(entries: object, source: SheetText) -> tuple[ChannelRule, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise source.error(
            ("channels",),
            "'channels' is not a list of tables",
            "each entry begins with [[channels]]",
            "write [[channels]] with two brackets on each side",
        )
    return tuple(_rule(entry, ("channels", number), source) for number, entry in enumerate(entries))


def _rule(entry: Mapping[str, object], at: KeyPath, source: SheetText) -> ChannelRule:
    given = _values(entry, at, "[[channels]]", _CHANNEL, source)
    rule = ChannelRule(match=given.pop("match", ""), **given, line=source.line(at))
    if not rule.match:
        _check_general(rule, given, at, source)
    for key in placeholders(rule.match):
        if given.get(key) is not None:
            raise source.error((*at, key), f"'{key}' is given, and 'match' holds {{{key}}} too", "one of the two")
    if rule.low is not None and rule.high is not None and rule.low > rule.high:
        raise source.error(
            (*at, "low"),
            f"'low' ({rule.low:g}) is above 'high' ({rule.high:g})",
            "the low limit below the high one",
        )
    if rule.quantity == "contactor" and isinstance(rule.sensor, str) and rule.sensor not in _SIDES:
        nearest = _nearest(rule.sensor, _SIDES)
        raise source.error(
            (*at, "sensor"),
            f"'sensor' of a contactor is {_shown(rule.sensor)}",
            f"one of {', '.join(_SIDES)}, or its number",
            f'write sensor = "{nearest}"' if nearest else None,
        )
    return rule


def _check_general(rule: ChannelRule, given: Mapping[str, object], at: KeyPath, source: SheetText) -> None:
    """Hold an entry without `match` to what it can be: limits for all channels of one quantity."""
    if rule.quantity is None or rule.quantity == "other":
        raise source.error(
            at,
            "an entry of [[channels]] does not say which channels it is for",
            "match (a name or a pattern), or quantity for all channels of one quantity",
        )
    for key in ("module", "cell", "sensor"):
        if key in given:
            raise source.error(
                (*at, key),
                f"'{key}' is given for all channels of the quantity '{rule.quantity}'",
                "match beside it, so that it is for some of them",
            )
