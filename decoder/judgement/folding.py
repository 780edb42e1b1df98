"""One cause is one finding: the specific one stands, the general ones that it explains are folded in under `also`."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.judgement.finding import Finding

# The causes of a cell that stands out, the most specific first: each explains those after it.
_CELL_CAUSES: Final = (
    "map-suspect",
    "runaway-precursor",
    "tap-suspect",
    "cell-resistance",
    "cell-self-discharge",
    "cell-imbalance",
    "module-spread",
    "pack-spread",
)
_LIMITS: Final = ("channel-low", "channel-high")
# Specific code -> what it explains, where both are about one channel at overlapping times.
EXPLAINS: Final[dict[str, tuple[str, ...]]] = {
    **{code: (*_CELL_CAUSES[rank + 1 :], *_LIMITS) for rank, code in enumerate(_CELL_CAUSES[:-2])},
    "module-spread": ("pack-spread",),
    "map-suspect": (*_CELL_CAUSES[1:], *_LIMITS, "sum-mismatch"),
    "runaway-precursor": (*_CELL_CAUSES[2:], *_LIMITS, "temperature-rise", "temperature-spread", "pressure-rise"),
    "tap-suspect": (*_CELL_CAUSES[3:], *_LIMITS, "channel-absent"),
    "temperature-rail": (*_LIMITS, "temperature-rise", "temperature-spread", "channel-stuck"),
    "temperature-rise": (*_LIMITS, "temperature-spread"),
    "temperature-spread": _LIMITS,
    "supply-low": _LIMITS,
    "supply-high": _LIMITS,
    "keep-alive-weak": _LIMITS,
    "pressure-rise": _LIMITS,
    "insulation-low": _LIMITS,
    "contactor-held": ("supply-low", *_LIMITS),
    "frames-lost": ("channel-stale",),
}
# A silence that is longer than this is not told by lost frames: a controller that stops sends none. Common practice, no
# source.
_LOST_NS: Final = 1_000_000_000
# These are about a whole module, and explain what is seen anywhere in it.
_OF_MODULES: Final = frozenset({"map-suspect", "runaway-precursor", "temperature-rise"})
# Of limits anywhere in it they explain only those of their own kind: a wrong scale of cells heats no sensor, and heat
# empties no cell.
_LIMITS_OF_MODULES: Final = {
    "map-suspect": ("V",),
    "temperature-rise": ("degC",),
    "runaway-precursor": ("V", "degC", "kPa"),
}
# These explain what is seen of the whole pack, wherever they are themselves.
_OF_PACK: Final[dict[str, tuple[str, ...]]] = {"map-suspect": ("sum-mismatch",), "contactor-held": ("supply-low",)}


def folded(found: Sequence[Finding]) -> Iterator[Finding]:
    """Give the findings that stand, each with the codes of those that it explains."""
    near = _Near(found)
    inside = {at: cause for at, one in enumerate(found) if (cause := near.cause_of(one)) is not None}
    also: dict[int, set[str]] = defaultdict(set)
    for at in inside:
        also[_last(inside, at)].add(found[at].code)
    for at, finding in enumerate(found):
        if at not in inside:
            yield replace(finding, also=tuple(sorted(also[at]))) if at in also else finding


def _last(inside: dict[int, int], at: int) -> int:
    while at in inside:
        at = inside[at]
    return at


class _Near:
    """Findings that may explain others, by what they are about."""

    def __init__(self, found: Sequence[Finding]) -> None:
        self._found = found
        self._about: dict[object, list[int]] = defaultdict(list)
        for at in sorted(range(len(found)), key=lambda at: _rank(found[at].code)):
            one = found[at]
            if one.code not in EXPLAINS:
                continue
            module = one.place.module if one.place is not None else None
            for name in one.channels:
                self._about[name].append(at)
            if one.code in _OF_MODULES and module is not None:
                self._about[module].append(at)
            if one.code in _OF_PACK:
                self._about[None].append(at)

    def cause_of(self, general: Finding) -> int | None:
        """Give the most specific finding that explains another one, ``None`` where none does."""
        module = general.place.module if general.place is not None else None
        about = [*general.channels, *((module,) if module is not None else ())]
        causes = [at for key in about for at in self._about.get(key, ()) if self._explains(at, general, EXPLAINS)]
        causes += [at for at in self._about.get(None, ()) if self._explains(at, general, _OF_PACK)]
        return min(causes, key=lambda at: _rank(self._found[at].code), default=None)

    def _explains(self, at: int, general: Finding, table: dict[str, tuple[str, ...]]) -> bool:
        cause = self._found[at]
        together = general.from_ns <= cause.to_ns and cause.from_ns <= general.to_ns
        if cause.code == "frames-lost" and general.to_ns - general.from_ns > _LOST_NS:
            return False
        if general.code in _LIMITS and not set(general.channels) & set(cause.channels):
            together &= general.unit in _LIMITS_OF_MODULES.get(cause.code, ())
        return together and general.code in table.get(cause.code, ())


def _rank(code: str) -> int:
    return _CELL_CAUSES.index(code) if code in _CELL_CAUSES else -1
