"""`decode`: channels to CSV or Parquet, block by block, so that memory does not grow with the capture."""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.options import Verbs, add_capture, add_map, add_verb, load_maps, load_the_sheet, seconds
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from decoder.frames import Frames

_SHAPES = ("long", "wide")
_ENDINGS = ("", ".csv", ".txt", ".parquet")


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(
        verbs,
        "decode",
        run,
        "write the channels as a table: CSV, or Parquet by the ending of --out",
        "A long table has one row a sample, a wide one a row a time step and the latest value of every channel.",
    )
    add_capture(verb)
    add_map(verb)
    verb.add_argument("--out", metavar="FILE", help="FILE.csv or FILE.parquet; standard output as CSV without it")
    verb.add_argument("--shape", choices=_SHAPES, default="long", help="long (default) or wide")
    verb.add_argument("--every", type=seconds, metavar="S", help="time step of a wide table, in seconds")
    verb.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="PATTERN",
        help="only channels that fit, * for anything; repeatable",
    )
    verb.add_argument("--labels", action="store_true", help="add a column with the map's word for a raw value")


def run(options: argparse.Namespace) -> int:
    """Decode and write."""
    from decoder.channels.blocks import decoded_blocks, learn
    from decoder.channels.export import chosen, write_table

    _check(options)
    sheet = load_the_sheet(options)
    signal_map = load_maps(options)
    with _twice_readable(options.capture) as paths:
        learned = learn(lambda: _blocks(paths, options, "learning"), signal_map, sheet)
        wanted = chosen(learned.channels, options.only)
        parts = decoded_blocks(_blocks(paths, options, "writing"), signal_map, sheet, learned)
        out = Path(options.out) if options.out else None
        every_s = options.every if options.shape == "wide" else None
        rows = write_table(parts, learned, wanted, out, every_s=every_s, labels=options.labels)
    if out is not None:
        print(f"{rows:,} rows of {len(wanted):,} channels in {out}", file=sys.stderr)
    return 0


def _check(options: argparse.Namespace) -> None:
    ending = Path(options.out).suffix.lower() if options.out else ""
    if ending not in _ENDINGS:
        raise UsageError(
            f"a table is not written as {printable(ending)}", expected="a name that ends in .csv or .parquet"
        )
    if not options.map:
        raise UsageError("decode needs a signal map", advice="name one with --map M.dbc")
    if options.shape == "wide" and options.every is None:
        raise UsageError("a wide table needs a time step", advice="say --every 0.1, for example")
    if options.shape == "wide" and options.every <= 0:
        raise UsageError(f"the time step must be more than 0 s, not {options.every:g}", advice="try --every 0.1")
    if options.shape == "long" and options.every is not None:
        raise UsageError("--every goes with --shape wide", advice="say --shape wide too, or leave --every out")
    if options.shape == "wide" and options.labels:
        raise UsageError("--labels goes with --shape long", advice="leave one of the two out")


@contextlib.contextmanager
def _twice_readable(captures: Sequence[str]) -> Iterator[list[str]]:
    """Give paths that can be read twice: standard input goes to a temporary file first."""
    if "-" not in captures:
        yield list(captures)
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "standard-input.log"
        with copy.open("wb") as file:
            shutil.copyfileobj(sys.stdin.buffer, file)
        yield [str(copy) if name == "-" else name for name in captures]


def _blocks(paths: Sequence[str], options: argparse.Namespace, what: str) -> Iterator[Frames]:
    from decoder.capture import read_blocks
    from decoder.commands.progress import reading

    with reading(what) as progress:
        yield from read_blocks(paths, bus=options.bus, from_s=options.from_s, to_s=options.to_s, progress=progress)
