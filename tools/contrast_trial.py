"""How well the fields behind marks are found, counted on made packs.

    python tools/contrast_trial.py [--packs N] [--seed S] [--jobs J] [--json FILE]

For each pack of `tools/packs` its marks are contrasted as noted, up to 2 s off, and with them moments at which nothing
was done, one to three under a label of their own, away from all marks. Counted are the labels whose deed shows in a
field of the capture: how often one of these fields comes first, among the first three, and with evidence above
`STRONG`. Other fields that follow from the deed (the lowest cell when a cell is loaded, limits that change with the
contactors) are left out; flags that change at the same moment are not, though they may well follow from it. Wrong is a
field with such evidence that nothing done moves: counted at marks of cells and sensors, and at the moments at which
nothing was done.

Seeds below 1000 are for development, those from there on for measuring: nobody looks into those packs.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from decoder.discovery.contrast import contrast
from decoder.discovery.marks import Mark
from tools.packs.making import make_pack
from tools.trial_runs import kept, run_seeds, trial_parser

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.discovery.contrast import Change
    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.proposal import Selector
    from tools.packs.truth import PackTrial, TrueChannel

STRONG: Final = 3.0
NOTHING: Final = "nothing"
AWAY_S: Final = 6.0  # moments at which nothing was done, from marks
FIRST_S: Final = 3.0  # and from the ends of the capture
# What a deed moves beside what it is done to.
_LIMITS: Final = {"power limit", "current limit"}
FOLLOWS: Final = {
    "load": {"lowest cell", "highest cell", "average cell", "spread of the cells", "number of the lowest cell",
             "number of the highest cell", "pack voltage", "link voltage", "module"},
    "warm": {"lowest temperature", "highest temperature", "average temperature"},
    "contactors": {"supply voltage", "insulation resistance", "pack current", "drive", *_LIMITS},
    "plug": set(),
    "interlock": set(),
    "charger": {"cell", "module", "lowest cell", "highest cell", "average cell", "pack voltage", "link voltage",
                "drive"},
}  # fmt: skip
_ALONE: Final = ("load", "warm")  # deeds with which no flags change


def run(seed: int) -> Counter[str]:
    """Make one pack, contrast its marks, and count."""
    trial = make_pack(seed)
    marks = [Mark(mark.time_s, mark.label) for mark in trial.marks] + _moments_of_nothing(trial)
    counts: Counter[str] = Counter()
    for found in contrast(trial.frames, marks):
        strong = [change for change in found.changes if change.log_likelihood_ratio > STRONG]
        if found.label == NOTHING:
            counts[f"{NOTHING}: labels"] += 1
            counts[f"{NOTHING}: with a wrong field"] += bool(strong)
            counts[f"{NOTHING}: wrong fields"] += len(strong)
            continue
        kind = found.label.split()[0]
        shown = trial.shown_by(found.label)
        if not shown or not found.marks:
            continue
        for group in (kind, "once" if found.marks == 1 else "several times", "all"):
            scored = _scored(_without_followers(found.changes, trial, shown, FOLLOWS[kind]), shown)
            counts.update({f"{group}: {name}": count for name, count in scored.items()})
        if kind in _ALONE:
            wrong = [change for change in strong if not _moved(change.at, trial, shown, FOLLOWS[kind])]
            counts["cells and sensors: labels"] += 1
            counts["cells and sensors: with a wrong field"] += bool(wrong)
            counts["cells and sensors: wrong fields"] += len(wrong)
    return counts


def _scored(changes: Sequence[Change], shown: Sequence[TrueChannel]) -> dict[str, int]:
    """Count one label."""
    right = [place for place, change in enumerate(changes) if any(_same(change.at, one.at) for one in shown)]
    first = right[0] if right else len(changes) + 3
    return {
        "labels": 1,
        "first": int(first == 0),
        "first three": int(first < 3),
        "strong": int(bool(right) and changes[first].log_likelihood_ratio > STRONG),
    }


def _without_followers(
    changes: Sequence[Change], trial: PackTrial, shown: Sequence[TrueChannel], follows: set[str]
) -> list[Change]:
    """Leave out what follows from the deed and is not where it was done."""
    return [
        change
        for change in changes
        if any(_same(change.at, one.at) for one in shown) or not _moved(change.at, trial, shown, follows)
    ]


def _moved(at: FieldAt, trial: PackTrial, shown: Sequence[TrueChannel], follows: set[str]) -> bool:
    """Tell whether a field is one of those shown, or one that follows from them."""
    return any(
        _same(at, one.at)
        for one in trial.channels
        if one in shown or (one.source is not None and one.source.name in follows)
    )


def _same(one: FieldAt, other: FieldAt) -> bool:
    """Tell whether two fields of one stream share bits, under the same values of a multiplexor if both tell one."""
    if one.stream != other.stream or not set(one.field.bit_numbers()) & set(other.field.bit_numbers()):
        return False
    mine, theirs = _values(one.multiplexor), _values(other.multiplexor)
    return not mine or not theirs or mine == theirs


def _values(selector: Selector | None) -> tuple[int | None, ...]:
    return () if selector is None else (*_values(selector.within), selector.value)


def _moments_of_nothing(trial: PackTrial) -> list[Mark]:
    """Draw moments away from all marks; none where there is no room."""
    rng = np.random.default_rng([trial.seed, 7])
    last_s = (int(trial.frames.time_ns[-1]) - int(trial.frames.time_ns[0])) / 1e9
    drawn = np.sort(rng.uniform(FIRST_S, last_s - FIRST_S, int(rng.integers(1, 4))))
    away = [time for time in drawn.tolist() if all(abs(time - mark.time_s) > AWAY_S for mark in trial.marks)]
    return [Mark(round(time, 2), NOTHING) for time in away]


def lines_of(counts: Counter[str]) -> list[str]:
    """Give the tables."""
    groups = ["load", "warm", "contactors", "plug", "interlock", "charger", "once", "several times", "all"]
    lines = [f"{'deed':16}{'labels':>8}{'first':>8}{'first 3':>9}{'strong':>8}"]
    for group in groups:
        labels = counts[f"{group}: labels"]
        if labels:
            first, three, strong = (f"{counts[f'{group}: {name}'] / labels:.0%}" for name in _RATES)
            lines.append(f"{group:16}{labels:>8}{first:>8}{three:>9}{strong:>8}")
    lines += ["", f"{'wrong fields at':20}{'labels':>8}{'with one':>10}{'fields':>8}"]
    for group in ("cells and sensors", NOTHING):
        numbers = [counts[f"{group}: {name}"] for name in ("labels", "with a wrong field", "wrong fields")]
        lines.append(f"{group:20}{numbers[0]:>8}{numbers[1]:>10}{numbers[2]:>8}")
    return lines


_RATES: Final = ("first", "first three", "strong")


def main() -> int:
    """Run the trial and print the tables."""
    options = trial_parser(__doc__, "packs", 30).parse_args()
    seeds = range(options.seed, options.seed + options.packs)
    counts: Counter[str] = Counter()
    for one in run_seeds(run, seeds, options.jobs, "packs"):
        counts += one
    print(f"{len(seeds)} packs, seeds {seeds[0]} to {seeds[-1]}\n")
    print("\n".join(lines_of(counts)))
    return kept(options.json, dict(counts))


if __name__ == "__main__":
    sys.exit(main())
