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
    with _line() as write:
        if write is None:
            yield None
            return
        began = shown = time.monotonic()

        def show(done: int, total: int | None) -> None:
            nonlocal shown
            now = time.monotonic()
            if now - began < _FIRST_S or now - shown < _EVERY_S:
                return
            shown = now
            share = f" of {total / 1e6:,.0f} MB, {done / total:.0%}" if total else " MB"
            write(f"{what}: {done / 1e6:,.0f}{share}")

        yield show


@contextmanager
def working(what: str) -> Iterator[Callable[[float], None] | None]:
    """Say what is being done, and give a function that shows how much is (0..1); ``None`` where nobody watches."""
    with _line() as write:
        if write is None:
            yield None
            return
        write(f"{what} ...")
        yield lambda share: write(f"{what}: {share:.0%}")


@contextmanager
def _line() -> Iterator[Callable[[str], None] | None]:
    """Give a function that writes over what it wrote before; in the end nothing is left of it."""
    if not sys.stderr.isatty():
        yield None
        return
    written = False

    def write(text: str) -> None:
        nonlocal written
        written = True
        sys.stderr.write(f"\r{text}\x1b[K")
        sys.stderr.flush()

    try:
        yield write
    finally:
        if written:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
