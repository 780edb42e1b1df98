"""How well meter readings are matched with fields, counted on made packs.

    python tools/pin_trial.py [--packs N] [--seed S] [--jobs J] [--json FILE] [--worst K]

For each pack of `tools/packs` a few of its channels are read with a handheld meter whose clock is up to 10 s off: three
times each, then thirty times, all labels of one go with the same clock; then one moving quantity alone, ten times; then
what was loaded or warmed, three times, without and with the marks that say so. A
match is right if it carries the same raw values as the true field or a copy of it, or has a field that does among those
that it says are the same. Another field agrees if, at a natural scale, it lies within the meter's error throughout.

Seeds below 1000 are for development, those from there on for measuring. --worst looks into packs: only below 1000.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from decoder.discovery.field_at import Sampled
from decoder.discovery.marks import Mark
from decoder.discovery.natural_scales import scales_of
from decoder.discovery.pin import pin
from decoder.discovery.streams import streams
from tools.packs.making import make_pack
from tools.packs.meter import ERRORS, OTHER_ERRORS, digits_of, draw_clock, take
from tools.trial_runs import FIRST_MEASURING_SEED, kept, not_negative, run_seeds, trial_parser

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.pinned import Match, Pinned
    from tools.packs.meter import Taken
    from tools.packs.truth import PackTrial, TrueChannel

GOES = (3, 30)
CLOCK_READINGS = 10
MOST_LISTED = 400  # so that none of many cells that fit equally is missing
CELLS, OTHERS = 2, 4  # labels of one go
SHARE_OF_BEST = 1 / 3
ROOM_FOR_TIES = 1.5
SURE = 0.95
CLOCK_S = 0.2
MOVING_DIGITS = 30  # a quantity moves if it does so by this many last places of the meter

AIMS = {
    "right among the likely": 0.98,
    "right first, nothing else agrees (3)": 0.90,
    "right first, nothing else agrees (30)": 0.98,
    "ties no more than half again as many": 1.0,
    "clock within 0.2 s": 1.0,
    "sure and wrong": 0.01,
}


@dataclass
class Tally:
    """How often each thing was true, of how many; and what went wrong."""

    counts: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def count(self, what: str, *, true: bool) -> None:
        """Count one case."""
        self.counts[f"{what}|of"] += 1
        self.counts[what] += true

    def add(self, other: Tally) -> None:
        """Add what another pack gave."""
        self.counts.update(other.counts)
        self.wrong += other.wrong
        self.seconds += other.seconds


def run(seed: int) -> Tally:
    """Make one pack, read it, match, and count."""
    trial = make_pack(seed)
    found = streams(trial.frames)
    sampled = Sampled(found)
    rng = np.random.default_rng([seed, 77])
    tally = Tally()
    channels = [one for one in trial.channels if one.source is not None and one.quantity and one.unit and not one.decoy]
    channels = [one for one in channels if one.at.stream in sampled.streams and len(sampled.raw(one.at)[0]) > 2]
    chosen = _chosen(rng, channels)
    for count in GOES:
        _go(trial, sampled, chosen, count, rng, tally)
    _clock(trial, channels, rng, tally)
    _marked(trial, sampled, channels, rng, tally)
    return tally


def _chosen(rng: np.random.Generator, channels: Sequence[TrueChannel]) -> list[TrueChannel]:
    """Draw which channels are read: some cells, and one each of some other quantities."""
    cells = [one for one in channels if one.quantity == "cell voltage"]
    chosen = [cells[k] for k in rng.permutation(len(cells))[:CELLS]]
    others = sorted({str(one.quantity) for one in channels} - {"cell voltage"})
    for k in rng.permutation(len(others))[:OTHERS]:
        same = [one for one in channels if one.quantity == others[k]]
        chosen.append(same[int(rng.integers(len(same)))])
    return chosen


def _go(
    trial: PackTrial,
    sampled: Sampled,
    chosen: Sequence[TrueChannel],
    count: int,
    rng: np.random.Generator,
    tally: Tally,
) -> None:
    clock = draw_clock(rng)
    taken = [take(trial, one, count, rng, clock=clock, label=_label(one)) for one in chosen]
    began = time.perf_counter()
    pinned = pin(trial.frames, [reading for one in taken for reading in one.readings], most=MOST_LISTED)
    tally.seconds.append(time.perf_counter() - began)
    for channel, own, result in zip(chosen, taken, pinned, strict=True):
        if trial.natural or count > GOES[0]:
            _judge(trial, sampled, channel, own, result, count, tally)


def _label(channel: TrueChannel) -> str:
    return f"{channel.quantity} {channel.place}".removesuffix(" pack")


def _judge(
    trial: PackTrial, sampled: Sampled, channel: TrueChannel, taken: Taken, result: Pinned, count: int, tally: Tally
) -> None:
    """Count what one label gave."""
    right = [_is_right(trial, sampled, channel, one) for one in result.matches]
    likelihood = [one.likelihood for one in result.matches]
    best = max(likelihood, default=0.0)
    tied = [one >= SHARE_OF_BEST * best for one in likelihood]
    agree = _agreeing(trial, sampled, channel, taken)
    among = any(a and b for a, b in zip(right, tied, strict=True))
    kind = "natural" if trial.natural else "other scale"
    tally.count(f"right among the likely ({count}, {kind})", true=among)
    tally.count("right among the likely", true=among)
    first = bool(right) and right[0]
    if agree == 1:
        tally.count(f"right first, nothing else agrees ({count})", true=first)
    tally.count("ties no more than half again as many", true=sum(tied) <= ROOM_FOR_TIES * agree)
    tally.count("sure and wrong", true=best > SURE and not first)
    tally.count(
        f"clock within {CLOCK_S} s, all labels ({count})",
        true=abs(result.clock_offset_s - taken.clock.offset_s) <= CLOCK_S,
    )
    if not among or (agree == 1 and not first) or sum(tied) > ROOM_FOR_TIES * agree or (best > SURE and not first):
        place = right.index(True) if True in right else None
        own = likelihood[place] if place is not None else 0
        top = result.matches[0] if result.matches else None
        tally.wrong.append(
            f"{trial.seed} {count:2d} {_label(channel)[:32]:32s} right at {place} ({own:.3f}), best {best:.3f}, "
            f"{sum(tied)} tied, {agree} agree, clock {result.clock_offset_s:.2f}+-{result.clock_unsure_s:.2f} "
            f"of {taken.clock.offset_s:.2f}, true {channel.scale:g} {channel.offset:g} {channel.at.field.length} bits, "
            f"first {top and (top.scale, top.offset, top.at.field.length)}"
        )


def _is_right(trial: PackTrial, sampled: Sampled, channel: TrueChannel, match: Match) -> bool:
    """Tell whether a match, or what it says is the same, carries what was read: its field, or a copy of it."""
    copies = [one for one in trial.channels if one.source == channel.source and one.at.stream in sampled.streams]
    return any(_same(sampled, one.at, at) for one in copies for at in (match.at, *match.same_as))


def _same(sampled: Sampled, one: FieldAt, other: FieldAt) -> bool:
    if one.stream != other.stream:
        return False
    (time_ns, raw), (other_ns, other_raw) = sampled.raw(one), sampled.raw(other)
    return len(raw) == len(other_raw) and bool((time_ns == other_ns).all()) and _alike(raw, other_raw)


def _alike(one: np.ndarray, other: np.ndarray) -> bool:
    """Tell whether raw values are the same but for 'not available', which is all ones at a field's own length."""
    return float(np.mean(one == other)) > 0.9 and bool((one[len(one) // 2 :] == other[len(one) // 2 :]).all())


def _agreeing(trial: PackTrial, sampled: Sampled, channel: TrueChannel, taken: Taken) -> int:
    """Count the fields that no meter tells from the true one by these readings; itself is one.

    At a scale that is natural for what was read, or at their own, they lie within the meter's error of the readings,
    give or take half a step, or no farther off than the true one.
    """
    shown = np.array([one.value for one in taken.readings])
    share, digits = ERRORS.get(channel.unit, OTHER_ERRORS)
    limit = share * np.abs(shown) + digits * digits_of(shown, channel.unit)
    time_ns = int(trial.frames.time_ns[0]) + taken.true_s * 1e9

    def raw_of(one: TrueChannel) -> np.ndarray:
        own_ns, raw = sampled.raw(one.at)
        return np.interp(time_ns, own_ns, raw.astype(float))

    limit = np.maximum(limit, np.abs(channel.scale * raw_of(channel) + channel.offset - shown).max())
    agree = 0
    for one in trial.channels:
        if one.at.stream not in sampled.streams or not len(sampled.raw(one.at)[0]):
            continue
        length, raw = one.at.field.length, raw_of(one)
        scales = [
            (row.scale * way, row.offset_of(length) * way)
            for row in scales_of(str(channel.quantity))
            for way in ((1, -1) if channel.quantity == "pack current" else (1,))
            if row.bits[0] <= length <= row.bits[1]
        ]
        scales += [(one.scale, one.offset)] if one.unit == channel.unit else []
        agree += any((np.abs(s * raw + o - shown) <= limit + abs(s) / 2).all() for s, o in scales)
    return max(agree, 1)


def _clock(trial: PackTrial, channels: Sequence[TrueChannel], rng: np.random.Generator, tally: Tally) -> None:
    """Read one moving quantity ten times, alone, and see what becomes of the clock."""
    if not trial.natural:
        return
    moving = [one for one in channels if one.quantity in {"pack current", "pack voltage"}]
    for channel in moving:
        taken = take(trial, channel, CLOCK_READINGS, rng, label=_label(channel))
        value = np.array([one.value for one in taken.readings])
        spread = float(np.median(np.abs(np.diff(value))))  # most readings differ from the one before
        if spread < MOVING_DIGITS * float(digits_of(value, channel.unit).max()):
            continue
        result = pin(trial.frames, taken.readings)[0]
        off = result.clock_offset_s - taken.clock.offset_s
        tally.count("clock within 0.2 s", true=abs(off) <= CLOCK_S)
        if abs(off) > CLOCK_S:
            tally.wrong.append(
                f"{trial.seed} clock {_label(channel)} off by {off:.2f} s, said +-{result.clock_unsure_s:.2f}, "
                f"spread {spread:.1f}"
            )
        return


def _marked(
    trial: PackTrial, sampled: Sampled, channels: Sequence[TrueChannel], rng: np.random.Generator, tally: Tally
) -> None:
    """Read cells and sensors that were loaded or warmed, three times each, without the marks and with them."""
    if not trial.natural:
        return
    for label in sorted({one.label for one in trial.marks if one.label.startswith(("load", "warm"))}):
        shown = [one for one in trial.shown_by(label) if one in channels]
        if not shown:
            continue
        name = f"{label.partition(' ')[2].removeprefix('on ')} {str(shown[0].quantity).partition(' ')[2]}"
        taken = take(trial, shown[0], GOES[0], rng, label=name)
        for marks, way in (((), "without marks"), (trial.marks, "with marks")):
            (result,) = pin(trial.frames, taken.readings, [Mark(one.time_s, one.label) for one in marks])
            first = bool(result.matches) and _is_right(trial, sampled, shown[0], result.matches[0])
            tally.count(f"loaded or warmed, right first {way}", true=first)
            sure = bool(result.matches) and result.matches[0].likelihood > SURE
            tally.count(f"loaded or warmed, sure and wrong {way}", true=sure and not first)


def main() -> int:
    """Run the trial and print the table."""
    options = _options()
    seeds = range(options.seed, options.seed + options.packs)
    tally = Tally()
    for one in run_seeds(run, seeds, options.jobs, "packs"):
        tally.add(one)
    print(f"{len(seeds)} packs, seeds {seeds[0]} to {seeds[-1]}\n")
    rates = {}
    for what in sorted(name for name in tally.counts if name.endswith("|of")):
        name, of = what.removesuffix("|of"), tally.counts[what]
        rates[name] = {"share": tally.counts[name] / of, "of": of}
        aim = AIMS.get(name)
        print(
            f"{name:50s} {tally.counts[name] / of:7.1%} of {of:5d}" + (f"   aim {aim:.0%}" if aim is not None else "")
        )
    print(f"\nseconds for all labels of a go: median {np.median(tally.seconds):.2f}, most {max(tally.seconds):.2f}")
    for line in tally.wrong[: options.worst]:
        print(line)
    return kept(options.json, {"first_seed": seeds[0], "packs": len(seeds), "rates": rates})


def _options() -> argparse.Namespace:
    parser = trial_parser(__doc__, "packs", 30)
    parser.add_argument(
        "--worst", type=not_negative, default=0, metavar="K", help="list up to K labels that went wrong"
    )
    options = parser.parse_args()
    if options.worst and options.seed + options.packs > FIRST_MEASURING_SEED:
        parser.error(f"--worst looks into packs, so it takes seeds below {FIRST_MEASURING_SEED} only")
    return options


if __name__ == "__main__":
    sys.exit(main())
