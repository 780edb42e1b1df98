"""Arguments that the verbs share, and what they load."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.channels import Channels
    from decoder.frames import Frames
    from decoder.judgement import Judgement
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap

Verbs = Any  # argparse does not name the type of its collection of verbs


def add_capture(verb: argparse.ArgumentParser) -> None:
    """Add what says which frames to read."""
    verb.add_argument(
        "capture", nargs="+", metavar="CAPTURE", help="candump text, plain or .gz .xz .bz2; - reads standard input"
    )
    verb.add_argument("--bus", metavar="NAME", help="only the frames of this bus")
    verb.add_argument(
        "--from",
        dest="from_s",
        type=seconds,
        metavar="S",
        help="only from this second on, counted from the first frame",
    )
    verb.add_argument("--to", dest="to_s", type=seconds, metavar="S", help="only up to this second")


def add_map(verb: argparse.ArgumentParser) -> None:
    """Add what says what the frames mean."""
    verb.add_argument(
        "--map", action="append", default=[], metavar="M.dbc", help="signal map; may be given several times"
    )
    verb.add_argument("--strict", action="store_true", help="refuse a signal map that has faults")
    verb.add_argument("--sheet", metavar="P.toml", help="pack sheet: what pack it is, its limits and places")


def add_show_vin(verb: argparse.ArgumentParser) -> None:
    """Add what shows vehicle identification numbers."""
    verb.add_argument(
        "--show-vin",
        action="store_true",
        help="show vehicle identification numbers in full; else only their first three characters are shown",
    )


def seconds(text: str) -> float:
    """Read a number of seconds."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds")
    return value


def load_frames(options: argparse.Namespace) -> Frames:
    """Read the capture, with progress on a terminal."""
    from decoder.capture import read_capture
    from decoder.commands.progress import reading

    with reading("reading") as progress:
        frames = read_capture(
            options.capture, bus=options.bus, from_s=options.from_s, to_s=options.to_s, progress=progress
        )
    if not len(frames) and frames.account.frames:
        print("cellglean: no frame lies in the part of the capture that was asked for", file=sys.stderr)
    return frames


def load_maps(options: argparse.Namespace) -> SignalMap:
    """Read the signal maps; faults that were mended go to standard error."""
    from decoder.maps import load_map
    from decoder.maps.signal_map import SignalMap

    if not options.map:
        return SignalMap()
    signal_map = load_map(options.map, strict=options.strict)
    tell_faults(signal_map)
    return signal_map


_MOST_FAULTS = 10


def tell_faults(signal_map: SignalMap) -> None:
    """Write the map's faults to standard error, the first few in full."""
    for fault in signal_map.faults[:_MOST_FAULTS]:
        print(f"cellglean: map: {printable(str(fault))}", file=sys.stderr)
    more = len(signal_map.faults) - _MOST_FAULTS
    if more > 0:
        print(f"cellglean: map: and {more} more faults", file=sys.stderr)


def load_the_sheet(options: argparse.Namespace) -> PackSheet | None:
    """Read the pack sheet that is named, else the one that the screens keep beside a capture."""
    from decoder.maps import load_sheet

    path = sheet_path(options)
    if path is not None and not options.sheet:
        print(f"cellglean: with the pack sheet {printable(str(path))}", file=sys.stderr)
    return load_sheet(path) if path is not None else None


def sheet_path(options: argparse.Namespace) -> Path | None:
    """Give the path of the pack sheet: as named, else the one beside a single capture, if it is there."""
    if options.sheet:
        return Path(options.sheet)
    if len(options.capture) != 1 or options.capture[0] == "-":
        return None
    from decoder.screens.session import sheet_beside

    beside = sheet_beside(options.capture[0])
    return beside if beside.is_file() else None


def decoded(options: argparse.Namespace) -> Channels:
    """Read and decode."""
    from decoder.channels import decode

    sheet = load_the_sheet(options)
    signal_map = load_maps(options)
    return decode(load_frames(options), signal_map, sheet)


def judged(channels: Channels, options: argparse.Namespace) -> Judgement:
    """Judge, with the notes that the user kept beside the capture."""
    from decoder.judgement import judge
    from decoder.judgement.notes import load_notes, notes_path

    one_file = len(options.capture) == 1 and options.capture[0] != "-"
    notes = load_notes(notes_path(options.capture[0])) if one_file else ()
    return judge(channels, notes)


def likelihood(text: str) -> float:
    """Read a likelihood. Raises `argparse.ArgumentTypeError`."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no likelihood from 0 to 1")
    return value


def add_verb(
    verbs: Verbs, name: str, run: Callable[[argparse.Namespace], int], about: str, more: str = ""
) -> argparse.ArgumentParser:
    """Add one verb: `about` is its line in the list, `more` stands below its options."""
    verb: argparse.ArgumentParser = verbs.add_parser(
        name,
        help=about,
        description=about[:1].upper() + about[1:] + ".",
        epilog=more,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    verb.set_defaults(run=run)
    return verb
