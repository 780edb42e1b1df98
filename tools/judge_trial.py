"""How well a pack is judged, counted on made packs with one fault each and on sound ones.

    python tools/judge_trial.py [--packs N] [--seed S] [--jobs J] [--json FILE] [--worst K]

Each pack of `tools/judged_packs` is decoded and judged as a capture would be. Every other one is sound. A fault is
found and placed if a finding has its code, or has it folded in, at its place; found elsewhere if only the code is
right. Extra are findings above notice that have another code, or are at another place. False alarms are findings above
notice in sound packs, counted by scene (a pack is in several) and by code.

Seeds below 1000 are for development, those from there on for measuring. --worst looks into packs: only below 1000.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from decoder.channels import decode
from decoder.judgement import Severity, judge
from tools.judged_packs.faults import KINDS
from tools.judged_packs.making import make_judged_pack
from tools.trial_runs import FIRST_MEASURING_SEED, kept, not_negative, run_seeds, trial_parser

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from decoder.judgement.finding import Finding
    from tools.judged_packs.draft import Truth

FOUND_AIM = 0.97
FALSE_ALARM_AIM = 0.01
OUTCOMES = ("found", "elsewhere", "missed")


@dataclass
class Judged:
    """What became of one pack. `alarms` are the findings above notice: of a faulty pack those beside its fault."""

    seed: int
    kind: str | None
    tags: tuple[str, ...]
    outcome: str = ""
    alarms: list[str] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    not_judged: str = ""
    seconds: float = 0.0


def run(seed: int) -> Judged:
    """Make one pack, judge it, and hold the findings against the truth."""
    began = time.perf_counter()
    pack = make_judged_pack(seed)
    channels = decode(pack.frames, pack.signal_map, pack.sheet)
    judgement = judge(channels)
    seconds = time.perf_counter() - began
    tags, truth = tuple(sorted(pack.draft.tags)), pack.truth
    grave = judgement.at_least(Severity.CAUTION)
    if truth is None:
        own: Sequence[Finding] = grave
        outcome = ""
    else:
        right = [one for one in judgement.findings if has_code(one, truth)]
        placed = [one for one in right if is_at(one, truth)]
        outcome = "found" if placed else "elsewhere" if right else "missed"
        own = [one for one in grave if one not in placed]
    reason = "; ".join(f"{code}: {judgement.not_judged[code]}" for code in sorted(judgement.not_judged))
    coding = pack.draft.coding
    about = (
        f"{pack.draft.duration_s:.0f} s, {pack.draft.cells} cells, {coding.style}, {coding.cell_step_v * 1000:g} mV "
        f"every {coding.cell_period_s:g} s, {pack.draft.curve}, {truth if truth is not None else 'sound'}"
    )
    return Judged(
        seed,
        truth.kind if truth is not None else None,
        tags,
        outcome,
        [one.code for one in own],
        [about, *(_line(one, channels.first_ns) for one in judgement.findings)],
        reason,
        seconds,
    )


def has_code(finding: Finding, truth: Truth) -> bool:
    """Tell whether a finding says what is wrong, itself or folded in."""
    return bool({finding.code, *finding.also} & set(truth.codes))


def is_at(finding: Finding, truth: Truth) -> bool:
    """Tell whether a finding is where the fault is."""
    place = finding.place
    if truth.channels:
        return bool({finding.channel, *finding.channels} & set(truth.channels))
    if not truth.modules:
        return place is None or (place.module is None and place.cell is None)
    if place is None or place.module not in truth.modules:
        return False
    return (truth.cell is None or place.cell == truth.cell) and (truth.sensor is None or place.sensor == truth.sensor)


def _line(finding: Finding, first_ns: int) -> str:
    value = "" if finding.value is None else f" {finding.value:.4g}"
    limit = "" if finding.limit is None else f" of {finding.limit:.4g}"
    span = f"{(finding.from_ns - first_ns) / 1e9:.1f}..{(finding.to_ns - first_ns) / 1e9:.1f} s"
    also = f" also {', '.join(finding.also)}" if finding.also else ""
    channels = ", ".join(finding.channels[:2])
    return (
        f"{finding.severity.word} {finding.code} {finding.place}{value}{limit} {finding.unit} {span}{also} ({channels})"
    )


@dataclass
class Counts:
    """Counted over all packs."""

    by_kind: dict[str, Counter[str]] = field(default_factory=dict)
    sound: int = 0
    alarmed: int = 0
    tags: Counter[str] = field(default_factory=Counter)
    alarmed_tags: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    extra_codes: Counter[str] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)
    worst: list[Judged] = field(default_factory=list)

    def add(self, one: Judged) -> None:
        """Count one pack."""
        self.seconds.append(one.seconds)
        if one.kind is None:
            self.sound += 1
            self.alarmed += bool(one.alarms)
            self.tags.update(one.tags)
            self.alarmed_tags.update(one.tags if one.alarms else ())
            self.codes.update(set(one.alarms))
        else:
            row = self.by_kind.setdefault(one.kind, Counter())
            row.update({"packs": 1, one.outcome: 1, "extra": bool(one.alarms)})
            self.extra_codes.update({f"{code} beside {one.kind}" for code in one.alarms})
        if one.outcome in {"elsewhere", "missed"} or (one.kind is None and one.alarms):
            self.worst.append(one)

    def share_found(self) -> float:
        """Give the share of faults found and placed."""
        packs = sum(row["packs"] for row in self.by_kind.values())
        return sum(row["found"] for row in self.by_kind.values()) / max(packs, 1)


def _print(counts: Counts) -> None:
    print(f"{'fault':24s} {'packs':>6s} {'found':>6s} {'elsewhere':>10s} {'missed':>7s} {'with extra':>11s}")
    for kind in [kind.name for kind in KINDS if kind.name in counts.by_kind]:
        row = counts.by_kind[kind]
        found = f"{row['packs']:6d} {row['found']:6d} {row['elsewhere']:10d} {row['missed']:7d}"
        print(f"{kind:24s} {found} {row['extra']:11d}")
    packs = sum(row["packs"] for row in counts.by_kind.values())
    print(f"\nfound and placed: {counts.share_found():.1%} of {packs} faults   aim {FOUND_AIM:.0%}")
    share = counts.alarmed / max(counts.sound, 1)
    print(
        f"sound with a finding above notice: {share:.1%} of {counts.sound} packs   aim at most {FALSE_ALARM_AIM:.0%}\n"
    )
    for tag in sorted(counts.tags):
        print(f"  {tag:16s} {counts.alarmed_tags[tag]:4d} of {counts.tags[tag]:4d}")
    for code, packs in counts.codes.most_common():
        print(f"  {code:24s} in {packs} sound packs")
    if counts.extra_codes:
        print("\nextra findings in faulty packs")
    for what, packs in counts.extra_codes.most_common():
        print(f"  {packs:4d} {what}")


def main() -> int:
    """Run the trial and print the tables."""
    options = _options()
    seeds = range(options.seed, options.seed + options.packs)
    counts = Counts()
    for one in run_seeds(run, seeds, options.jobs, "packs"):
        counts.add(one)
    print(f"{len(seeds)} packs, seeds {seeds[0]} to {seeds[-1]}\n")
    _print(counts)
    print(f"\nseconds for a pack: median {sorted(counts.seconds)[len(seeds) // 2]:.2f}, most {max(counts.seconds):.2f}")
    for one in counts.worst[: options.worst]:
        print(f"\n{one.seed} {one.kind or 'sound'}: {one.outcome or 'alarm'} ({', '.join(one.tags)})")
        print("\n".join(f"    {line}" for line in one.shown))
        print(f"    not judged: {one.not_judged}")
    return kept(
        options.json,
        {
            "first_seed": seeds[0],
            "packs": len(seeds),
            "found_and_placed": counts.share_found(),
            "kinds": {kind: dict(row) for kind, row in counts.by_kind.items()},
            "sound": counts.sound,
            "sound_alarmed": counts.alarmed,
            "scenes": {tag: [counts.alarmed_tags[tag], counts.tags[tag]] for tag in sorted(counts.tags)},
            "codes": dict(counts.codes),
            "extra_codes": dict(counts.extra_codes),
        },
    )


def _options() -> argparse.Namespace:
    parser = trial_parser(__doc__, "packs", 2 * len(KINDS))
    parser.add_argument("--worst", type=not_negative, default=0, metavar="K", help="list up to K packs that went wrong")
    options = parser.parse_args()
    if options.worst and options.seed + options.packs > FIRST_MEASURING_SEED:
        parser.error(f"--worst looks into packs, so it takes seeds below {FIRST_MEASURING_SEED} only")
    return options


if __name__ == "__main__":
    sys.exit(main())
