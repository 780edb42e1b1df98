"""What all screens share: the session, the moment shown, what is chosen, sorted, sought and filtered."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from decoder.maps.pack_sheet import Place
from decoder.printable import printable
from decoder.screens.playhead import Playhead, moment_of_finding, neighbour_finding
from decoder.screens.rows import SORTS, Extremes, Title, flagged_names, in_order, titles
from decoder.screens.session import USER_FLAG
from decoder.screens.symbols import place_words

if TYPE_CHECKING:
    from decoder.channels import Channels, Series
    from decoder.judgement import Finding
    from decoder.screens.session import Session

# Seconds that trends and the history picture look back; ``None``: the history is the whole capture.
WINDOWS: Final[tuple[float | None, ...]] = (10.0, 60.0, 600.0, None)
_TREND_S: Final = 10.0


class Same:
    """Equal only for one and the same object, which it keeps: what is kept for it is not mistaken for another's."""

    def __init__(self, thing: object) -> None:
        self._thing = thing

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other._thing is self._thing

    def __hash__(self) -> int:
        return id(self._thing)


def _is_same(one: Finding, other: Finding) -> bool:
    """Tell whether two findings are of the same thing, as judged at two times."""
    if one.code == USER_FLAG and one.explanation != other.explanation:
        return False
    return (one.code, one.place, one.channel) == (other.code, other.place, other.channel)


@dataclass
class Desk:
    """The state behind the screens; `selected` is the channel that keys act on."""

    session: Session
    playhead: Playhead
    extremes: Extremes = field(default_factory=Extremes)
    title: str = ""
    selected: str | None = None
    sort: str = "place"
    downwards: bool = False
    only_flagged: bool = False
    find: str = ""
    trend_s: float = _TREND_S
    history_s: float | None = None
    finding: int | None = None
    _listed: tuple[Finding, ...] = ()  # the findings that `finding` is a number of
    _flagged: tuple[object, frozenset[str]] | None = None
    _titles: tuple[object, tuple[Title, ...]] | None = None
    _ordered: tuple[object, list[str]] | None = None

    @classmethod
    def over(cls, session: Session) -> Desk:
        """Begin at the end of the capture with the first channel chosen."""
        return cls(session, Playhead.over(session.channels), _listed=session.judgement.findings)

    @property
    def channels(self) -> Channels:
        """The channels shown."""
        return self.session.channels

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, gravest first."""
        return self.session.judgement.findings

    @property
    def now_ns(self) -> int:
        """The moment shown."""
        return self.playhead.now_ns

    @property
    def now_s(self) -> float:
        """The moment shown, from the capture's first frame."""
        return (self.playhead.now_ns - self.channels.first_ns) / 1e9

    @property
    def is_live(self) -> bool:
        """Whether the moment shown goes on with a capture that goes on: it stands at the end and is not played."""
        live, head = self.session.live, self.playhead
        return live is not None and not live.ended and not head.playing and head.now_ns >= head.last_ns

    def go_on(self) -> bool:
        """Take the ends of the channels shown now; the moment goes along where it is live, the chosen finding stays.

        Tells whether the moment fell out of what is shown, and stands at its beginning now.
        """
        self._keep_finding()
        was_live, head, frames = self.is_live, self.playhead, self.channels.frames
        head.first_ns = int(frames.time_ns.min()) if len(frames) else 0
        head.last_ns = self.channels.last_ns + self._silence_ns()
        fell_out = not was_live and head.now_ns < head.first_ns
        if was_live:
            head.go_to(head.last_ns)
        elif not head.first_ns <= head.now_ns <= head.last_ns:
            head.go_to(head.now_ns)
        return fell_out

    def _silence_ns(self) -> int:
        """Give how long nothing has come: time goes on, and what was last heard grows stale."""
        live = self.session.live
        return 0 if live is None or live.ended else live.quiet_s * 1_000_000_000

    def _keep_finding(self) -> None:
        """Find the chosen finding again among newer ones; where it is gone, the one in its place is chosen."""
        old, new = self._listed, self.findings
        self._listed = new
        if self.finding is None or old is new:
            return
        chosen = old[min(self.finding, len(old) - 1)] if old else None
        same = [number for number, one in enumerate(new) if chosen is not None and _is_same(one, chosen)]
        self.finding = same[0] if same else min(self.finding, len(new) - 1) if new else None

    @property
    def flagged(self) -> frozenset[str]:
        """The channels that a finding names."""
        judgement = self.session.judgement
        if self._flagged is None or self._flagged[0] is not judgement:
            self._flagged = (judgement, flagged_names(judgement.findings))
        return self._flagged[1]

    @property
    def titles(self) -> tuple[Title, ...]:
        """The titles with the channels that filter and search leave."""
        flagged = self.flagged
        key = (Same(self.channels), Same(self.session.judgement), self.only_flagged, self.find)
        if self._titles is None or self._titles[0] != key:
            found = titles(self.channels, flagged, only_flagged=self.only_flagged, find=self.find)
            self._titles = (key, found)
        return self._titles[1]

    @property
    def title_now(self) -> Title | None:
        """The title shown: the chosen one, or the first where that has no channel left."""
        shown = self.titles
        return next((one for one in shown if one.title == self.title), shown[0] if shown else None)

    def names(self) -> list[str]:
        """Give the names of the title shown, in the order of the rows."""
        title = self.title_now
        if title is None:
            return []
        key = (title.title, Same(self.titles), self.sort, self.downwards, self.now_ns, self.trend_s)
        if self._ordered is None or self._ordered[0] != key:
            ordered = in_order(
                title.names,
                self.channels,
                self.extremes,
                self.now_ns,
                by=self.sort,
                downwards=self.downwards,
                window_s=self.trend_s,
            )
            self._ordered = (key, ordered)
        return self._ordered[1]

    def chosen_row(self) -> int:
        """Give the row of the chosen channel; the first, which is then chosen, where it is not on the page."""
        names = self.names()
        if self.selected in names:
            return names.index(self.selected or "")
        self.selected = names[0] if names else None
        return 0

    @property
    def chosen(self) -> Series | None:
        """The chosen channel."""
        return self.channels[self.selected] if self.selected in self.channels and self.selected else None

    def move(self, by: int) -> None:
        """Choose another row of the same title."""
        names = self.names()
        if names:
            self.selected = names[min(max(self.chosen_row() + by, 0), len(names) - 1)]

    def turn(self, direction: int, page_rows: int) -> None:
        """Turn to the next (1) or previous (-1) page; past a title's last page comes the next title's first one."""
        names = self.names()
        row = self.chosen_row()
        page = row // page_rows + direction
        if 0 <= page * page_rows < len(names):
            self.selected = names[min(page * page_rows + row % page_rows, len(names) - 1)]
        elif self.turn_title(direction) and direction < 0:
            names = self.names()
            self.selected = names[(len(names) - 1) // page_rows * page_rows]

    def turn_title(self, direction: int) -> bool:
        """Turn to the first page of the next (1) or previous (-1) title; tell whether there is one."""
        shown, current = self.titles, self.title_now
        if current is None:
            return False
        number = shown.index(current) + direction
        if not 0 <= number < len(shown):
            return False
        self.title = shown[number].title
        names = self.names()
        self.selected = names[0] if names else None
        return True

    def next_sort(self) -> None:
        """Sort by the next column."""
        self.sort = SORTS[(SORTS.index(self.sort) + 1) % len(SORTS)]

    def next_window(self) -> None:
        """Look back over a longer or, after the longest, the shortest time."""
        self.history_s = WINDOWS[(WINDOWS.index(self.history_s) + 1) % len(WINDOWS)]
        self.trend_s = self.history_s or _TREND_S

    def choose(self, name: str) -> None:
        """Choose a channel and turn to its title; a filter that hides it is taken off."""
        if not any(name in one.names for one in self.titles):
            self.only_flagged, self.find = False, ""
        self.title = next((one.title for one in self.titles if name in one.names), self.title)
        self.selected = name

    def jump(self, number: int) -> Finding:
        """Go to the moment and the channel of a finding."""
        finding = self.findings[number]
        self.finding = number
        self.playhead.go_to(moment_of_finding(finding))
        name = finding.channel if finding.channel is not None else next(iter(finding.channels), None)
        if name is not None and name in self.channels:
            self.choose(name)
        return finding

    def neighbour(self, direction: int) -> int | None:
        """Give the next (1) or previous (-1) finding in time."""
        return neighbour_finding(self.findings, self.now_ns, self.finding, direction)

    def place_of(self, finding: Finding) -> str:
        """Write where a finding sits, in few characters."""
        return printable(place_words(finding.place or Place()), 20)
