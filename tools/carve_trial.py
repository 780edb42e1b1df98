"""Measure how well fields are found in captures without a map, against the truth that the captures are made from.

    .venv/bin/python tools/carve_trial.py [--captures N] [--seed S] [--jobs J] [--json FILE] [--worst K]

Captures are made by `tools/layouts` from the seeds S, S + 1, ... Seeds below 1000 are for development; from 1000 on
they are for measuring, and nobody looks into those captures. What is counted, and how: `tools/carve_score.py`.

Beside the project's own way of carving stands a published one, on the same captures: borders from bit-flip rates.
M. Marchetti and D. Stabili, "READ: Reverse Engineering of Automotive Data Frames", IEEE Transactions on Information
Forensics and Security 14(4), 2019.
"""

from __future__ import annotations

import functools
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # so that it runs from a clone that is not installed

from decoder.bits import Field
from decoder.discovery.proposal import Carving, Proposal, Stream
from tools.carve_score import BINS, Tally, score
from tools.carve_table import calibration_lines, rate_lines, rates, worst_lines, worst_of
from tools.layouts.recording import make_trial
from tools.trial_runs import FIRST_MEASURING_SEED, kept, not_negative, run_seeds, trial_parser

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Kind
    from decoder.frames import Frames
    from tools.carve_score import Errors

OWN: Final = "carve"
YARDSTICK: Final = "bit-flip rates"

# The paper's two models, with tolerances chosen here: it tests equality on clean traffic, recorders lose frames.
DOUBLING: Final = 0.15  # a counter's bit flips half as often as the one below it, within so much of the rate
ALWAYS: Final = 0.9  # and its lowest bit from nearly each frame to the next
EVEN: Final = 0.15  # each of a checksum's bits flips half the time, within so much,
EVEN_TOGETHER: Final = 0.05  # and their mean within so much
CHECK_BITS: Final = 4  # the shortest run of bits called a checksum


# --- the published method


def flip_rate_carving(frames: Frames) -> tuple[Carving, ...]:
    """Carve every identifier by its bits' flip rates. Fields are big-endian; there are no multiplexors, no signs."""
    carvings = []
    for key, rows in frames.rows_of.items():
        data = frames.data[rows, : int(frames.length[rows].min())]
        bus = frames.bus_names[key.bus]
        stream = Stream(bus, key.can_id, key.extended, None, frames.time_ns[rows], data, rows)
        carvings.append(Carving(stream, tuple(_proposals(flip_rates(data))), np.empty(0, np.intp)))
    return tuple(carvings)


def flip_rates(data: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Give how often each bit differs from the frame before (0..1), in the order in which bits are sent."""
    bits = np.unpackbits(data, axis=1)
    return (bits[1:] != bits[:-1]).sum(axis=0) / max(len(bits) - 1, 1)


def _proposals(rate: NDArray[np.float64]) -> Iterator[Proposal]:
    for begin, end in _runs(rate):
        for first, stop, kind in _kinds(rate, begin, end):
            yield Proposal(Field(first // 8 * 8 + 7 - first % 8, stop - first, "big"), kind, 0.5)


def _runs(rate: NDArray[np.float64]) -> Iterator[tuple[int, int]]:
    """Cut where the magnitude of the flip rate drops from one bit to the next; bits that never flip are left out."""
    flips = rate > 0
    magnitude = np.full(len(rate), -np.inf)
    magnitude[flips] = np.ceil(np.log10(rate[flips]))
    begin = 0
    for end in range(1, len(rate) + 1):
        if end == len(rate) or magnitude[end] < magnitude[end - 1]:
            begin += int(np.argmax(flips[begin:end]))  # a field's still upper bits belong to nobody
            if flips[begin]:
                yield begin, end
            begin = end


def _kinds(rate: NDArray[np.float64], begin: int, end: int) -> Iterator[tuple[int, int, Kind]]:
    """Take counters out of a run, and say what lies between: side by side they all have magnitude 0."""
    while begin < end:
        stop = _counter_end(rate, begin, end)
        if stop is not None:
            yield begin, stop, "counter"
        else:
            stop = next((at for at in range(begin + 1, end) if _counter_end(rate, at, end) is not None), end)
            yield begin, stop, _kind_of(rate[begin:stop])
        begin = stop


def _kind_of(rate: NDArray[np.float64]) -> Kind:
    even = np.abs(rate - 0.5) < EVEN
    if len(rate) >= CHECK_BITS and even.all() and abs(rate.mean() - 0.5) < EVEN_TOGETHER:
        return "check"
    return "number" if len(rate) > 1 else "flag"


def _counter_end(rate: NDArray[np.float64], begin: int, end: int) -> int | None:
    """Give where a counter ends that begins here: rates double until one that flips nearly always."""
    at = begin
    while at + 1 < end and abs(rate[at + 1] - 2 * rate[at]) < DOUBLING * rate[at + 1]:
        at += 1
    return at + 1 if at > begin and rate[at] > ALWAYS else None


# --- the trial


def run(seed: int, *, own: bool, worst: int) -> tuple[dict[str, Tally], list[Errors]]:
    """Make one capture, carve it, and count.

    own : carve the project's own way too; the `worst` streams are then those of this way
    """
    trial = make_trial(seed)
    tallies: dict[str, Tally] = {}
    if own:
        from decoder.discovery.carve import carve  # noqa: PLC0415

        tallies[OWN], errors = score(trial, carve(trial.frames))
        tallies[YARDSTICK], _ = score(trial, flip_rate_carving(trial.frames), any_value=True)
    else:
        tallies[YARDSTICK], errors = score(trial, flip_rate_carving(trial.frames), any_value=True)
    return tallies, worst_of(errors, worst)


def main() -> int:
    """Run the trial and print the tables."""
    options = _options()
    seeds = range(options.seed, options.seed + options.captures)
    tallies: dict[str, Tally] = {}
    errors: list[Errors] = []
    work = functools.partial(run, own=not options.yardstick_only, worst=options.worst)
    for found, wrong in run_seeds(work, seeds, options.jobs, "captures"):
        for name, tally in found.items():
            tallies.setdefault(name, Tally()).add(tally)
        errors = worst_of([*errors, *wrong], options.worst)
    _print(tallies, errors, seeds)
    return kept(options.json, _as_json(tallies, seeds))


def _options() -> argparse.Namespace:
    parser = trial_parser(__doc__, "captures", 40, jobs=2)
    parser.add_argument(
        "--worst",
        type=not_negative,
        default=0,
        metavar="K",
        help="list the K streams with the most errors: truth, proposals",
    )
    parser.add_argument("--yardstick-only", action="store_true", help="carve the published way only")
    options = parser.parse_args()
    if options.worst and options.seed + options.captures > FIRST_MEASURING_SEED:
        parser.error(f"--worst looks into captures, so it takes seeds below {FIRST_MEASURING_SEED} only")
    return options


def _print(tallies: dict[str, Tally], errors: list[Errors], seeds: range) -> None:
    print(f"{len(seeds)} captures, seeds {seeds[0]} to {seeds[-1]}\n")
    for line in rate_lines(tallies):
        print(line)
    if OWN in tallies:
        print(f"\n{OWN}: how often proposals of a confidence are exact")
        for line in calibration_lines(tallies[OWN]):
            print(line)
    if errors:
        print("\nStreams with the most errors. ? not found, ! changes and is not exact\n")
        for line in worst_lines(errors):
            print(line)


def _as_json(tallies: dict[str, Tally], seeds: range) -> dict[str, object]:
    """Give the rates as plain data: {way: {"rates": {label: {"share", "of"}}, "calibration": [...], "brier"}}."""
    ways = {
        name: {
            "rates": {label: {"share": share, "of": of} for label, (share, of) in rates(tally).items()},
            "calibration": _calibration(tally) if name == OWN else None,
            "brier": tally.brier if name == OWN else None,
        }
        for name, tally in tallies.items()
    }
    return {"first_seed": seeds[0], "captures": len(seeds), "ways": ways}


def _calibration(tally: Tally) -> list[dict[str, float]]:
    counts = tally.counts
    return [
        {"from": number / BINS, "proposals": counts[f"bin {number}"], "exact": counts[f"right in bin {number}"]}
        for number in range(BINS)
    ]


if __name__ == "__main__":
    sys.exit(main())
