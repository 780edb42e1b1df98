"""Draws the README's pictures of the bundled capture, as the program shows them: its pages, and the mapping bench."""

from __future__ import annotations

import asyncio
import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.screens.session import Session

_ROOT = Path(__file__).resolve().parent.parent
_CAPTURE = _ROOT / "captures" / "harbour_shuttle.log.xz"
_TO_A_FINDING = ("p",) * 5  # back in time
_TO_A_CELL = ("b", "slash", *"310", "enter", "o", "y", *"cell v", "enter")


async def main() -> None:
    """Open the demo without a terminal, press a few keys, keep what is drawn."""
    sys.path.insert(0, str(_ROOT))
    from decoder import decode, load_map, load_sheet, read_capture  # noqa: PLC0415
    from decoder.maps.signal_map import SignalMap  # noqa: PLC0415

    frames = read_capture(_CAPTURE)
    sheet = load_sheet(_ROOT / "signal_maps" / "harbour_shuttle.toml")
    known = decode(frames, load_map(_ROOT / "signal_maps" / "harbour_shuttle.dbc"), sheet)
    await _draw("pages.svg", _session(known, _CAPTURE.name), (100, 28), _TO_A_FINDING)
    with tempfile.TemporaryDirectory() as folder:  # where the work on the bench is kept
        unknown = _session(decode(frames, SignalMap()), str(Path(folder) / _CAPTURE.name))
        await _draw("bench.svg", unknown, (110, 36), _TO_A_CELL)


def _session(channels: object, path: str) -> Session:
    from decoder import judge  # noqa: PLC0415
    from decoder.screens.session import Session  # noqa: PLC0415

    return Session(channels=channels, judgement=judge(channels), capture_path=path)


async def _draw(name: str, session: Session, size: tuple[int, int], keys: Sequence[str]) -> None:
    from decoder.screens.app import CellgleanApp  # noqa: PLC0415
    from decoder.screens.bench_screen import BenchScreen  # noqa: PLC0415

    app = CellgleanApp(session)
    async with app.run_test(size=size) as pilot:
        for key in keys:
            await pilot.press(key)
            await app.workers.wait_for_complete()
            await pilot.pause(1.0 if isinstance(app.screen, BenchScreen) else 0.1)
        drawn = app.export_screenshot(title="cellglean")
    # The picture needs no fonts from elsewhere: any monospaced one does.
    drawn = re.sub(r"<!--.*?-->|<circle[^>]*/>", "", drawn)
    drawn = re.sub(r"@font-face\s*\{[^}]*\}", "", drawn).replace("Fira Code", "DejaVu Sans Mono")
    drawn = drawn.replace("<text ", '<text xml:space="preserve" ')  # some programs drop leading blanks
    (_ROOT / "captures" / name).write_text(drawn, "utf-8")


if __name__ == "__main__":
    asyncio.run(main())
