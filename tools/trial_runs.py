"""What all trials do alike: options, one piece of work a seed on several cores with its progress, counts kept as JSON.

Seeds below `FIRST_MEASURING_SEED` are for development; from there on they are for measuring: nobody looks into them.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

T = TypeVar("T")

FIRST_MEASURING_SEED: Final = 1000


def trial_parser(text: str | None, noun: str, count: int, jobs: int = 1) -> argparse.ArgumentParser:
    """Give a parser with the options of all trials; `noun` is what a seed makes, `count` how many of them are usual."""
    parser = argparse.ArgumentParser(description=text, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(f"--{noun}", type=positive, default=count, metavar="N", help=f"how many {noun} ({count})")
    parser.add_argument(
        "--seed",
        type=not_negative,
        default=0,
        metavar="S",
        help=f"the first seed (0); below {FIRST_MEASURING_SEED} for development, from there on for measuring",
    )
    parser.add_argument("--jobs", type=positive, default=jobs, metavar="J", help=f"{noun} worked on at a time ({jobs})")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the counts there too")
    return parser


def not_negative(text: str) -> int:
    """Read a number from 0 on. Raises `argparse.ArgumentTypeError`."""
    number = int(text)
    if number < 0:
        raise argparse.ArgumentTypeError(f"{number} is less than 0")
    return number


def positive(text: str) -> int:
    """Read a number from 1 on. Raises `argparse.ArgumentTypeError`."""
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is less than 1")
    return number


def run_seeds(work: Callable[[int], T], seeds: range, jobs: int, noun: str) -> Iterator[T]:
    """Give what `work` makes of each seed, in their order; a terminal is told how many are done."""
    with multiprocessing.Pool(jobs) as pool:
        for done, one in enumerate(pool.imap(work, seeds), start=1):
            yield one
            if sys.stderr.isatty():
                sys.stderr.write(f"\r{done} of {len(seeds)} {noun}")
                sys.stderr.flush()
    if sys.stderr.isatty():
        sys.stderr.write("\n")


def kept(path: Path | None, counts: object) -> int:
    """Write counts as JSON where a path is given; give the exit status."""
    if path is None:
        return 0
    try:
        path.write_text(json.dumps(counts, indent=1) + "\n", "utf-8")
    except OSError as error:
        print(f"{printable(str(path))} cannot be written: {error.strerror}", file=sys.stderr)
        return 2
    return 0
