"""The screens over a capture that goes on: what verbs share."""

from __future__ import annotations

import argparse
import os
import stat
from typing import IO, TYPE_CHECKING, Final

from decoder.commands.options import load_maps, load_the_sheet, seconds, sheet_path

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.capture.follow import Follower
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap

_TERMINAL: Final = "/dev/tty"
_KEYS: Final = 0  # the number that keys are read from
_WINDOW_S: Final = 60.0
# Frames that are held at most, whatever their stamps say: some minutes of a full bus.
_MOST_FRAMES: Final = 1_500_000


def add_live(verb: argparse.ArgumentParser) -> None:
    """Add what says how a capture is shown that goes on."""
    verb.add_argument(
        "--window",
        type=_window,
        default=_WINDOW_S,
        metavar="S",
        help="of a capture that goes on, show and judge the last S seconds (%(default)g); at most"
        f" {_MOST_FRAMES / 1e6:g} million frames",
    )
    verb.add_argument("--bell", action="store_true", help="of a capture that goes on, ring when there is a new finding")


def _window(text: str) -> float:
    value = seconds(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no length of time")
    return value


def what_is_meant(options: argparse.Namespace) -> tuple[SignalMap, PackSheet | None]:
    """Load signal map and pack sheet."""
    sheet = load_the_sheet(options)
    return load_maps(options), sheet


def pipe_beside_the_terminal() -> IO[bytes] | None:
    """Put the terminal in the place of a pipe on standard input, so that keys are read from it; give the pipe.

    ``None``, and all as it was, where standard input is no pipe or there is no terminal.
    """
    try:
        mode = os.fstat(_KEYS).st_mode
        if not (stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)):
            return None
        terminal = os.open(_TERMINAL, os.O_RDWR)
    except OSError:
        return None
    pipe = os.dup(_KEYS)
    os.dup2(terminal, _KEYS)
    os.close(terminal)
    return os.fdopen(pipe, "rb", buffering=0)


def show_live(
    options: argparse.Namespace,
    follower: Follower,
    meant: tuple[SignalMap, PackSheet | None],
    look: Callable[[], str] | None = None,
) -> int:
    """Show what a follower brings until the user quits.

    meant : signal map and pack sheet
    look : tells now and then what else is wrong
    """
    from decoder.capture.window import Window
    from decoder.judgement.notes import load_notes, notes_path
    from decoder.screens.app import run as run_screens
    from decoder.screens.live_feed import LiveFeed, live_session

    signal_map, sheet = meant
    capture = None if follower.path == "-" else follower.path
    notes_file = None if capture is None else notes_path(capture)
    session = live_session(
        signal_map,
        sheet,
        capture_path=capture,
        sheet_path=sheet_path(options),
        notes=() if notes_file is None else load_notes(notes_file),
        notes_file=notes_file,
        show_vin=options.show_vin,
    )
    feed = LiveFeed(session, follower, Window(options.window, _MOST_FRAMES), bus=options.bus, look=look)
    run_screens(session, feed, bell=options.bell)
    return 0
