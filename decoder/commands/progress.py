"""Progress on standard error, only where that is a terminal."""

from __future__ import annotations

import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# Nothing is shown for work shorter than this, and not more often than this.
_FIRST_S = 0.5
_EVERY_S = 0.1


@contextmanager
def reading(what: str) -> Iterator[Callable[[int, int | None], None] | None]:
    """Give a function that shows bytes done (of a total, if known); ``None`` where nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    began = time.monotonic()
    shown = began

    def show(done: int, total: int | None) -> None:
        nonlocal shown
        now = time.monotonic()
        if now - began < _FIRST_S or now - shown < _EVERY_S:
            return
        shown = now
        share = f" of {total / 1e6:,.0f} MB, {done / total:.0%}" if total else " MB"
        sys.stderr.write(f"\r{what}: {done / 1e6:,.0f}{share}\x1b[K")
        sys.stderr.flush()

    try:
        yield show
    finally:
        if shown != began:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


@contextmanager
def busy(what: str) -> Iterator[None]:
    """Say what is being done while it is, where somebody watches."""
    if not sys.stderr.isatty():
        yield
        return
    sys.stderr.write(f"{what} ...")
    sys.stderr.flush()
    try:
        yield
    finally:
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()
