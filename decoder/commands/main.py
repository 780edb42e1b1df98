"""The command line: `cellglean VERB CAPTURE ...`.

Exit status: 0 done, 1 `judge` found what --fail-on names, 2 the input or the arguments cannot be used.
Heavy modules are imported by the verb that runs, so that help answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING, NoReturn

from decoder import __version__
from decoder.commands import (
    carve_verb,
    compare_verb,
    contrast_verb,
    coverage_verb,
    decode_verb,
    demo_verb,
    draft_verb,
    exchanges_verb,
    infer_verb,
    judge_verb,
    listen_verb,
    open_verb,
    pin_verb,
    report_verb,
    survey_verb,
)
from decoder.commands.output import keep_what_is_read
from decoder.errors import CellgleanError
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

UNUSABLE = 2
INTERRUPTED = 130

_ABOUT = """\
Turns the raw CAN capture of a traction-pack controller into named, judged cell and sensor channels.
It only listens: never a frame is sent."""

_CAUTION = """\
High voltage kills. Only trained people with the right equipment work on a pack; follow its maker's procedure and
the rules of the place. What this program says replaces no measurement."""


_VERBS = (
    demo_verb,
    open_verb,
    survey_verb,
    exchanges_verb,
    carve_verb,
    infer_verb,
    pin_verb,
    contrast_verb,
    draft_verb,
    coverage_verb,
    decode_verb,
    judge_verb,
    compare_verb,
    report_verb,
    listen_verb,
)


class _Parser(argparse.ArgumentParser):
    """Ends with the same status and wording as every other complaint."""

    def error(self, message: str) -> NoReturn:
        self.exit(UNUSABLE, f"cellglean: {message}\nto do: {self.prog} --help shows what can be said\n")


def parser() -> argparse.ArgumentParser:
    """Give the parser of the whole command line."""
    whole = _Parser(
        prog="cellglean",
        description=_ABOUT,
        epilog=_CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    whole.add_argument("--version", action="version", version=f"cellglean {__version__}")
    verbs = whole.add_subparsers(title="verbs", dest="verb", metavar="VERB", required=True)
    for verb in _VERBS:
        verb.add(verbs)
    return whole


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and give the exit status."""
    options = parser().parse_args(arguments)
    try:
        keep_what_is_read(options)
        status: int = options.run(options)
        sys.stdout.flush()
    except CellgleanError as error:
        lines = [printable(line) for line in str(error).splitlines()]
        print("cellglean: " + "\n".join(lines), file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        print("cellglean: interrupted, nothing was written half", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away; what is buffered must not be tried again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return status


if __name__ == "__main__":
    sys.exit(main())
