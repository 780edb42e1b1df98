"""Work on the event loop for each key, with 500 channels and 1,000,000 frames. Called by `benchmark.py`.

The time counted is that of the event loop's own thread, from a key until the screen is drawn and at rest.
"""

from __future__ import annotations

import asyncio
import time

import numpy as np

from decoder.bits import Field
from decoder.channels import decode
from decoder.frames import Frames
from decoder.judgement import judge
from decoder.maps.signal_map import Message, Signal, SignalMap
from decoder.screens.app import CellgleanApp
from decoder.screens.session import Session

_FRAMES = 1_000_000
_MESSAGES = 125
_SIGNALS = 4
_SIZE = (120, 40)
_LIMIT_MS = 50
_ROUNDS = 5
_KEYS = (
    ("turn the page", "right"),
    ("next row", "down"),
    ("only flagged", "o"),
    ("all again", "o"),
    ("next finding", "n"),
    ("earlier finding", "p"),
    ("a step in time", "full_stop"),
    ("cells by module", "c"),
    ("back", "escape"),
    ("findings", "f"),
    ("back", "escape"),
    ("detail of a channel", "enter"),
    ("back", "escape"),
    ("what is on the bus", "b"),
    ("the bench", "o"),
    ("a field of one's own", "a"),
    ("its end moved", "right"),
    ("its byte order", "o"),
    ("its scale", "k"),
    ("a field chosen", "up"),
    ("undone", "u"),
    ("done again", "U"),
    ("the bits alone", "v"),
    ("the channel alone", "v"),
    ("all of it", "v"),
    ("deleted", "d"),
    ("back", "escape"),
    ("back", "escape"),
)


def _map() -> SignalMap:
    messages = []
    for number in range(_MESSAGES):
        signals = tuple(
            Signal(
                f"Cell_{(number * _SIGNALS + part) // 20 + 1}_{(number * _SIGNALS + part) % 20 + 1:02d}_V",
                Field(part * 16, 16),
                0.001,
                unit="V",
            )
            for part in range(_SIGNALS)
        )
        messages.append(Message(f"Cells_{number}", 0x100 + number, extended=False, length=8, signals=signals))
    return SignalMap(messages=tuple(messages))


def _frames() -> Frames:
    random = np.random.default_rng(7)
    which = np.arange(_FRAMES) % _MESSAGES
    cells = 3700 + random.integers(-20, 20, (_FRAMES, _SIGNALS)) + (np.arange(_FRAMES) // 5000 % 50)[:, None]
    return Frames(
        time_ns=np.arange(_FRAMES, dtype=np.int64) * 500_000,
        bus=np.zeros(_FRAMES, np.uint8),
        can_id=(0x100 + which).astype(np.uint32),
        flags=np.zeros(_FRAMES, np.uint16),
        length=np.full(_FRAMES, 8, np.uint8),
        data=cells.astype("<u2").view(np.uint8).reshape(_FRAMES, 8),
        line=np.arange(1, _FRAMES + 1, dtype=np.uint32),
        source=np.zeros(_FRAMES, np.uint8),
        bus_names=("can0",),
    )


def _time_callbacks() -> list[float]:
    """Time every callback of the event loop from now on, in ms: while one runs, no key is answered."""
    taken = [0.0]
    run = asyncio.Handle._run  # noqa: SLF001  (there is no public way to time a callback)

    def timed(handle: asyncio.Handle) -> None:
        before = time.thread_time()
        run(handle)
        taken.append((time.thread_time() - before) * 1000)

    asyncio.Handle._run = timed  # type: ignore[method-assign]  # noqa: SLF001
    return taken


async def main() -> None:
    """Press every key a few times and print the largest work of each."""
    channels = decode(_frames(), _map())
    began = time.perf_counter()
    judgement = judge(channels)
    judged_s = time.perf_counter() - began
    print(f"screens with {len(channels)} channels, {_FRAMES:,} frames, {len(judgement.findings)} findings")
    print(f"judged in {judged_s:.1f} s before the screens open")
    session = Session(
        channels=channels, judgement=judgement, notes=(), capture_path=None, sheet_path=None, notes_file=None
    )
    worst: dict[str, float] = {}
    longest = _time_callbacks()
    app = CellgleanApp(session)
    async with app.run_test(size=_SIZE) as pilot:
        await app.workers.wait_for_complete()
        await pilot.pause()
        for _ in range(_ROUNDS):
            for what, key in _KEYS:
                before = time.thread_time()
                await pilot.press(key)
                await pilot.pause()
                worst[what] = max(worst.get(what, 0.0), (time.thread_time() - before) * 1000)
    for what, milliseconds in worst.items():
        print(f"  {what:20s} {milliseconds:6.1f} ms")
    print(
        f"  most of one key {max(worst.values()):.1f} ms; longest at one go {max(longest):.1f} ms (aim: {_LIMIT_MS} ms)"
    )


if __name__ == "__main__":
    asyncio.run(main())
