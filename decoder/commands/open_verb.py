"""`open`: the screens; as text where there is no terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from decoder.commands.live_screens import add_live, pipe_beside_the_terminal, show_live, what_is_meant
from decoder.commands.options import Verbs, add_capture, add_map, add_show_vin, add_verb, decoded, judged, sheet_path
from decoder.errors import UsageError

if TYPE_CHECKING:
    import argparse


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "open", run, "page through the channels on the terminal, with time controls and findings")
    add_capture(verb)
    add_map(verb)
    verb.add_argument("--text", action="store_true", help="print the result instead of opening the screens")
    add_show_vin(verb)
    verb.add_argument("--follow", action="store_true", help="show a file while it is written; it need not be there yet")
    add_live(verb)
    verb.add_argument("--roles", action="store_true", help="print what each channel is taken for, and by which rule")


def run(options: argparse.Namespace) -> int:
    """Open the screens."""
    if options.roles:
        from decoder.commands.words import role_lines

        print("\n".join(role_lines(decoded(options))))
        return 0
    if options.follow:
        return follow(options)
    as_text = options.text or not sys.stdout.isatty()
    if not as_text and options.capture == ["-"] and options.from_s is None and options.to_s is None:
        pipe = pipe_beside_the_terminal()
        if pipe is not None:
            from decoder.capture.follow import Follower

            return show_live(options, Follower.of_pipe(pipe), what_is_meant(options))
    return show(options, as_text=as_text or "-" in options.capture or not sys.stdin.isatty())


def follow(options: argparse.Namespace) -> int:
    """Show a file while it is written."""
    if len(options.capture) != 1 or options.capture == ["-"]:
        raise UsageError("--follow follows one file", expected="one CAPTURE; a pipe is followed without --follow")
    if options.from_s is not None or options.to_s is not None:
        raise UsageError("--follow shows what comes", expected="--window for how much of it, not --from and --to")
    if options.text or not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError("--follow needs a terminal", advice="without --follow, what is in the file by now is printed")
    from decoder.capture.follow import Follower

    return show_live(options, Follower(options.capture[0]), what_is_meant(options))


def show(options: argparse.Namespace, *, as_text: bool) -> int:
    """Decode, judge, and show the result."""
    channels = decoded(options)
    judgement = judged(channels, options)
    if as_text:
        from decoder.commands.words import result_lines

        print("\n".join(result_lines(channels, judgement, show_vin=options.show_vin)))
        return 0
    from decoder.commands.noted import first_of_whole
    from decoder.judgement.notes import load_notes, notes_path
    from decoder.screens.app import run as run_screens
    from decoder.screens.session import Session

    capture = options.capture[0]
    notes_file = notes_path(capture)
    run_screens(
        Session(
            channels=channels,
            judgement=judgement,
            notes=load_notes(notes_file),
            capture_path=capture,
            sheet_path=sheet_path(options),
            notes_file=notes_file,
            show_vin=options.show_vin,
            zero_ns=first_of_whole(options),
        )
    )
    return 0
