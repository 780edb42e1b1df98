"""The fields that may carry what a meter read: looked for beside the screens, shown as a list, one of them taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.discovery.drafts.place_words import place_in
from decoder.discovery.meaning import Meaning
from decoder.discovery.pin import pin
from decoder.discovery.readings import parse_reading
from decoder.discovery.workbench import edits
from decoder.errors import CellgleanError
from decoder.printable import printable
from decoder.screens.bench_forms import match_choices
from decoder.screens.choose import Choose

if TYPE_CHECKING:
    from decoder.discovery.pinned import Match, Pinned
    from decoder.screens.bench_screen import BenchScreen


class Candidates:
    """Matches of the readings that the work holds."""

    def __init__(self, screen: BenchScreen) -> None:
        self.screen = screen
        self._is_looking = False

    def look_for(self) -> None:
        """Match all readings with all fields, and show the matches of what was read last."""
        texts = self.screen.work.readings
        if not texts:
            self.screen.say("no reading yet: r types one", trouble=True)
        elif not self._is_looking:
            self._is_looking = True
            self.screen.say("matching the readings with all fields …")
            self.screen.run_worker(lambda: self._match(texts), thread=True, group="match")

    def _match(self, texts: tuple[str, ...]) -> None:
        session, app = self.screen.desk.session, self.screen.app
        channels, talk = session.channels, session.talk

        def tell(done: float) -> None:
            self.screen.view.doing = f"matching, {100 * done:.0f} %"
            if app.is_running:
                app.call_from_thread(self.screen.view.redraw)

        try:
            readings = [parse_reading(text, channels.first_ns) for text in texts]
            all_found = pin(talk.frames, readings, transfers=talk.transfers, progress=tell)
            found = next((one for one in all_found if one.label == readings[-1].label), None)
            trouble = "" if found is not None and found.matches else "no field of the capture carries these readings"
        except CellgleanError as error:
            found, trouble = None, str(error)
        finally:
            self._is_looking, self.screen.view.doing = False, ""
        if app.is_running:
            app.call_from_thread(self._show, found, trouble)

    def _show(self, found: Pinned | None, trouble: str) -> None:
        if found is None or trouble:
            self.screen.say(trouble, trouble=True)
            return
        self.screen.say("")
        used = f"{found.used} reading{'s' * (found.used != 1)}"
        tied = f", {found.tied} fit equally" if found.tied > 1 else ""
        question = f"{printable(found.label, 60)}: {used}{tied}. Which field?"
        note = printable(found.next_reading.advice, 300) if found.next_reading is not None else ""

        def take(chosen: int | None) -> None:
            if chosen is not None:
                self._take(found, found.matches[chosen])

        self.screen.app.push_screen(Choose(question, match_choices(found.matches), 0, note), take)

    def _take(self, found: Pinned, match: Match) -> None:
        used = f"{found.used} reading{'s' * (found.used != 1)}"
        meaning = Meaning(
            match.at,
            quantity=match.quantity,
            unit=found.unit,
            scale=match.scale,
            offset=match.offset,
            place=place_in(found.label),
            comment=f"agrees with {used} of {found.label} ({100 * match.likelihood:.0f} %)",
        )
        self.screen.step(edits.taken(self.screen.work, meaning), "taken as yours, as it was read")
