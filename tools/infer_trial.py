"""Measure how well quantities are told from physics alone, on made packs, against the truth that they are made from.

    .venv/bin/python tools/infer_trial.py [--packs N] [--seed S] [--jobs J] [--json FILE] [--wrong]

Packs are made by `tools/packs` from the seeds S, S + 1, ... Seeds below 1000 are for development; from 1000 on they are
for measuring, and nobody looks into those packs. An array is right where it has all members of a true one and no
others, in their order, and quantity, scale and offset are right; a channel where the field, quantity, scale and offset
are. A field is right where it gives the true values in every payload that holds one.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # so that it runs from a clone that is not installed

from decoder.discovery.carve import carve_streams
from decoder.discovery.field_at import FieldAt, Sampled
from decoder.discovery.infer import infer
from decoder.discovery.streams import streams
from decoder.printable import printable
from tools.packs.making import make_pack
from tools.trial_runs import FIRST_MEASURING_SEED, kept, run_seeds, trial_parser

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Sequence

    from decoder.discovery.inference import ArrayClaim, ChannelClaim, Inference
    from tools.packs.truth import PackTrial, TrueChannel

SURE: Final = 0.9
TOLD: Final = 0.5
BINS: Final = (0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.001)


@dataclass
class Tally:
    """What was counted.

    claims : kind of claim, likelihood, whether it is right
    true, found : channels (single ones and arrays) by quantity, and those that a claim of at least `TOLD` has right
    packs : of these, those with all cell arrays right; wrong : sure claims that are wrong, in words
    """

    claims: list[tuple[str, float, bool]] = field(default_factory=list)
    true: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    packs: int = 0
    whole_packs: int = 0
    wrong: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add what was counted elsewhere."""
        self.claims += other.claims
        self.true.update(other.true)
        self.found.update(other.found)
        self.packs += other.packs
        self.whole_packs += other.whole_packs
        self.wrong += other.wrong


def score(trial: PackTrial, inference: Inference, sampled: Sampled) -> Tally:
    """Hold what was inferred against the truth."""
    tally = Tally(packs=1)
    arrays: dict[int, list[TrueChannel]] = {}
    single: list[TrueChannel] = []
    for channel in trial.channels:
        if channel.quantity in {None, "alive counter", "check"} or not _is_there(sampled, channel.at):
            continue
        if channel.array is None:
            single.append(channel)
        else:
            arrays.setdefault(channel.array, []).append(channel)
    whole = [_right_array(sorted(some, key=_order), inference.arrays, sampled) for some in arrays.values()]
    for some, by in zip(arrays.values(), whole, strict=True):
        name = f"array of {some[0].quantity}"
        tally.true[name] += 1
        tally.found[name] += by is not None and by.likelihood >= TOLD
    tally.whole_packs = all(
        by is not None for some, by in zip(arrays.values(), whole, strict=True) if some[0].quantity == "cell voltage"
    )
    for claim in inference.arrays:
        right = any(claim is by for by in whole)
        tally.claims.append((f"array of {claim.quantity}", claim.likelihood, right))
        if not right and claim.likelihood > SURE:
            tally.wrong.append(f"seed {trial.seed}: array of {len(claim.members)} {_said(claim)}")
    _score_channels(tally, trial, [*single, *(one for some in arrays.values() for one in some)], inference, sampled)
    for channel in single:
        tally.true[str(channel.quantity)] += 1
    return tally


def _score_channels(
    tally: Tally, trial: PackTrial, true: Sequence[TrueChannel], inference: Inference, sampled: Sampled
) -> None:
    for claim in inference.channels:
        near = [one for one in true if one.at.stream == claim.at.stream and one.quantity == claim.quantity]
        by = next((one for one in near if same(sampled, claim, claim.at, one)), None)
        tally.claims.append((claim.quantity, claim.likelihood, by is not None))
        if by is not None and by.array is None and claim.likelihood >= TOLD:
            tally.found[str(by.quantity)] += 1
        if by is None and claim.likelihood > SURE:
            tally.wrong.append(f"seed {trial.seed}: {_said(claim)} {claim.at}")


def _said(claim: ArrayClaim | ChannelClaim) -> str:
    return f"{claim.quantity} x {claim.scale:g} + {claim.offset:g} ({claim.likelihood:.3f})"


def _order(channel: TrueChannel) -> int:
    return channel.order or 0


def _is_there(sampled: Sampled, at: FieldAt) -> bool:
    """Tell whether the capture has a payload with the field."""
    return at.stream in sampled.streams and len(sampled.raw(at)[0]) > 0


def _right_array(true: Sequence[TrueChannel], claims: Iterable[ArrayClaim], sampled: Sampled) -> ArrayClaim | None:
    """Give the claim that has a true array right."""
    for claim in claims:
        if claim.quantity != true[0].quantity or len(claim.members) != len(true):
            continue
        members = sorted(claim.members, key=lambda one: one.order)
        if all(same(sampled, claim, one.at, channel) for one, channel in zip(members, true, strict=True)):
            return claim
    return None


def same(sampled: Sampled, claim: ArrayClaim | ChannelClaim, at: FieldAt, true: TrueChannel) -> bool:
    """Tell whether a claimed field gives the true channel's values wherever it holds one."""
    if at.stream != true.at.stream:
        return False
    time_ns, raw = sampled.raw(at)
    true_ns, true_raw = sampled.raw(true.at)
    if len(time_ns) != len(true_ns) or not np.array_equal(time_ns, true_ns):
        return False
    values = raw * claim.scale + claim.offset
    wanted = true_raw * true.scale + true.offset
    there = true_raw != true.at.field.all_ones
    return bool((np.abs(values - wanted) <= 0.02 * abs(true.scale))[there].all())


def run(seed: int) -> Tally:
    """Make one pack, infer, and count."""
    trial = make_pack(seed)
    carvings = carve_streams(streams(trial.frames))
    inference = infer(trial.frames, carvings=carvings)
    return score(trial, inference, Sampled([one.stream for one in carvings]))


def lines_of(tally: Tally) -> list[str]:
    """Give the tables."""
    lines = [
        f"packs with all cell arrays whole, in order, at the right scale: {_share(tally.whole_packs, tally.packs)}"
    ]
    sure = [right for _, likelihood, right in tally.claims if likelihood > SURE]
    lines.append(
        f"claims with a likelihood above {SURE}: {len(sure)}, wrong: {_share(len(sure) - sum(sure), len(sure))}"
    )
    lines += ["", f"{'quantity':32}{'there':>7}{'found':>7}{'':>9}{'claims > 0.9':>14}{'wrong':>7}"]
    for name in sorted({*tally.true, *(kind for kind, _, _ in tally.claims)}):
        own = [right for kind, likelihood, right in tally.claims if kind == name and likelihood > SURE]
        share = f"{tally.found[name] / tally.true[name]:.0%}" if tally.true[name] else ""
        lines.append(
            f"{name:32}{tally.true[name]:7}{tally.found[name]:7}{share:>9}{len(own):14}{len(own) - sum(own):7}"
        )
    lines += ["", f"{'likelihood':16}{'claims':>8}{'right':>8}"]
    for low, high in pairwise(BINS):
        own = [right for _, likelihood, right in tally.claims if low <= likelihood < high]
        lines.append(
            f"{low:.2f} to {min(high, 1):.2f}{len(own):12}{sum(own):8}" + (f"{sum(own) / len(own):8.0%}" if own else "")
        )
    return lines


def _share(count: int, of: int) -> str:
    return f"{count} of {of}" + (f" ({count / of:.1%})" if of else "")


def main() -> int:
    """Run the trial and print the tables."""
    options = _options()
    seeds = range(options.seed, options.seed + options.packs)
    tally = Tally()
    for one in run_seeds(run, seeds, options.jobs, "packs"):
        tally.add(one)
    print(f"{len(seeds)} packs, seeds {seeds[0]} to {seeds[-1]}\n")
    print("\n".join(lines_of(tally)))
    if options.wrong:
        print("\nSure and wrong\n" + "\n".join(printable(line) for line in tally.wrong))
    return kept(options.json, _as_json(tally, seeds))


def _as_json(tally: Tally, seeds: range) -> dict[str, object]:
    return {
        "first_seed": seeds[0],
        "packs": tally.packs,
        "whole_packs": tally.whole_packs,
        "true": dict(tally.true),
        "found": dict(tally.found),
        "claims": [{"kind": kind, "likelihood": chance, "right": right} for kind, chance, right in tally.claims],
    }


def _options() -> argparse.Namespace:
    parser = trial_parser(__doc__, "packs", 40)
    parser.add_argument("--wrong", action="store_true", help="list sure claims that are wrong; development seeds only")
    options = parser.parse_args()
    if options.wrong and options.seed + options.packs > FIRST_MEASURING_SEED:
        parser.error(f"--wrong looks into packs, so it takes seeds below {FIRST_MEASURING_SEED} only")
    return options


if __name__ == "__main__":
    sys.exit(main())
