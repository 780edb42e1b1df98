"""Draws the README's picture: the pages of the bundled capture, as the program shows them."""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path

_ROOT = Path(__file__).resolve().parent.parent
_SIZE = (100, 28)
_KEYS = ("p",) * 5  # back in time to a finding


async def main() -> None:
    """Open the demo without a terminal, press a few keys, keep what is drawn."""
    sys.path.insert(0, str(_ROOT))
    from decoder import decode, judge, load_map, load_sheet, read_capture  # noqa: PLC0415
    from decoder.screens.app import CellgleanApp  # noqa: PLC0415
    from decoder.screens.session import Session  # noqa: PLC0415

    capture = _ROOT / "captures" / "harbour_shuttle.log.xz"
    sheet = load_sheet(_ROOT / "signal_maps" / "harbour_shuttle.toml")
    channels = decode(read_capture(capture), load_map(_ROOT / "signal_maps" / "harbour_shuttle.dbc"), sheet)
    session = Session(
        channels=channels,
        judgement=judge(channels),
        notes=(),
        capture_path=capture.name,
        sheet_path=None,
        notes_file=None,
    )
    app = CellgleanApp(session)
    async with app.run_test(size=_SIZE) as pilot:
        for key in _KEYS:
            await pilot.press(key)
            await pilot.pause()
        drawn = app.export_screenshot(title="cellglean")
    # The picture needs no fonts from elsewhere: any monospaced one does.
    drawn = re.sub(r"<!--.*?-->|<circle[^>]*/>", "", drawn)
    drawn = re.sub(r"@font-face\s*\{[^}]*\}", "", drawn).replace("Fira Code", "DejaVu Sans Mono")
    drawn = drawn.replace("<text ", '<text xml:space="preserve" ')  # some programs drop leading blanks
    (_ROOT / "captures" / "pages.svg").write_text(drawn, "utf-8")


if __name__ == "__main__":
    asyncio.run(main())
