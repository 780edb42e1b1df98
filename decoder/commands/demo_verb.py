"""`demo`: the bundled capture, decoded and judged."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.options import Verbs, add_show_vin, add_verb
from decoder.errors import CaptureError

if TYPE_CHECKING:
    import argparse

_CAPTURE = "harbour_shuttle.log.xz"
_MAP = "harbour_shuttle.dbc"
_SHEET = "harbour_shuttle.toml"


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "demo", run, "open the bundled capture of an invented boat's pack")
    verb.add_argument("--text", action="store_true", help="print the result instead of opening the screens")
    add_show_vin(verb)


def run(options: argparse.Namespace) -> int:
    """Show the demo, as text where there is no terminal."""
    from decoder.commands.open_verb import show

    options.capture = [str(bundled(_CAPTURE))]
    options.map = [str(bundled(_MAP))]
    options.sheet = str(bundled(_SHEET))
    options.bus = options.from_s = options.to_s = None
    options.strict = False
    as_text = options.text or not (sys.stdin.isatty() and sys.stdout.isatty())
    return show(options, as_text=as_text)


def bundled(name: str) -> Path:
    """Find a file of the demo: inside an installed package, else in the folders of the source tree."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "bundled", package.parent / "captures", package.parent / "signal_maps"):
        if (folder / name).is_file():
            return folder / name
    raise CaptureError(f"the demo's file {name} is missing", advice="install cellglean anew")
