"""What the screens show and what the user adds to it: notes beside the capture, limits in the pack sheet.

Nothing here knows a terminal. Notes and limits are written before they are shown; where a file cannot be written they
hold until the screens are closed, and the text that is given back says so.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Final

from decoder.channels.decoding import decode, with_sheet
from decoder.channels.streams import messages_of
from decoder.discovery.streams import streams
from decoder.discovery.survey import survey
from decoder.discovery.workbench.bench import Bench, name_of
from decoder.discovery.workbench.saving import drafted_words, save_to_map
from decoder.discovery.workbench.work_file import WorkFile, work_path
from decoder.errors import CellgleanError, OutputError
from decoder.judgement import judge
from decoder.judgement.notes import Note, save_notes
from decoder.maps import load_map
from decoder.maps.patterns import literal
from decoder.maps.sheet_file import load_sheet, set_channel_limit
from decoder.screens.mark_book import MarkBook
from decoder.screens.plot import in_quantity_unit
from decoder.transport.exchanges import exchanges
from decoder.transport.heard import heard_lines
from decoder.transport.identity import identity
from decoder.transport.iso_tp import conversations

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.channels import Channels
    from decoder.discovery.bus_load import BusLoad
    from decoder.discovery.survey import Survey
    from decoder.frames import Frames, Key
    from decoder.judgement import Finding, Judgement
    from decoder.maps.signal_map import Message, SignalMap
    from decoder.screens.live import Live
    from decoder.transport.exchange import Exchange
    from decoder.transport.identity import IdentityRow
    from decoder.transport.transfers import Transfers

USER_FLAG: Final = "user-flag"
_LIMIT_CODES: Final = frozenset({"channel-low", "channel-high"})


def sheet_beside(capture: str | Path) -> Path:
    """Give the place of a capture's own pack sheet: beside it, same name, ending in ``.sheet.toml``."""
    path = Path(capture)
    return path.with_name(path.name + ".sheet.toml")


@dataclass(frozen=True, eq=False)
class Talk:
    """The questions and answers of a capture, what the answerers say they are, and what else is on the wire."""

    frames: Frames
    transfers: Transfers
    exchanges: tuple[Exchange, ...]
    identity: tuple[IdentityRow, ...]
    also_heard: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, frames: Frames, named: frozenset[tuple[int, bool]] = frozenset(), *, show_vin: bool) -> Talk:
        """Put the conversation of a capture together; `named`: identifiers that carry answers by the map's word."""
        found = conversations(frames, named=named)
        listed = exchanges(frames, found)
        return cls(frames, found.transfers, listed, identity(listed, show_vin=show_vin), heard_lines(frames))

    def lines_of(self, transfer: int) -> list[int]:
        """Give the capture's lines that one transfer came from."""
        lines: list[int] = self.frames.line[self.transfers.frames_of(transfer)].tolist()
        return lines


@dataclass(frozen=True, eq=False)
class Wire:
    """What is on the wire: `keys` and `messages`, those of the signal map that describe it, for each identifier."""

    talk: Talk
    survey: Survey
    keys: tuple[Key, ...]
    messages: tuple[tuple[Message, ...], ...]

    @classmethod
    def of(cls, talk: Talk, signal_map: SignalMap) -> Wire:
        """Survey a capture whose conversations are known."""
        keys = tuple(sorted(talk.frames.rows_of))
        described = messages_of(keys, signal_map)
        return cls(talk, survey(talk.frames, transfers=talk.transfers), keys, tuple(described[key] for key in keys))

    def load_of(self, number: int) -> BusLoad:
        """Give the load of the bus that an identifier is on."""
        return self.survey.loads[self.keys[number].bus]

    def reasons_of(self, number: int) -> tuple[str, ...]:
        """Give by what its transport is known, once for each address byte that it carries; empty texts where unsaid."""
        paths = [path for path in self.talk.transfers.paths if path.key == self.keys[number]]
        if not paths and self.survey.identifiers[number].transport is not None:
            return ("",)
        return tuple(dict.fromkeys(path.reason for path in paths))


@dataclass
class Session:
    """A decoded and judged capture with what the user added.

    `capture_path` is ``None`` for standard input and live buses. `sheet_path`: where limits go; without one, a new
    sheet beside the capture. `notes_file`: where notes go (`decoder.judgement.notes.notes_path`). `on_change` is
    called, in whichever thread made the change, after each one. `show_vin`: show vehicle identification numbers in
    full. `zero_ns`: the capture's first frame, where `channels` hold only a part of it. `live`: how things stand with a
    capture that goes on; what is costly to put together then stays as it is until `renew`.
    """

    channels: Channels
    judgement: Judgement
    notes: tuple[Note, ...] = ()
    capture_path: str | None = None
    sheet_path: Path | None = None
    notes_file: Path | None = None
    show_vin: bool = False
    zero_ns: int | None = None
    live: Live | None = None
    on_change: list[Callable[[], None]] = field(default_factory=list)
    _lock: Lock = field(default_factory=Lock, repr=False)
    _marks: tuple[object, MarkBook] | None = field(default=None, repr=False)
    _scratch: Path | None = field(default=None, repr=False)
    _talk: Talk | None = field(default=None, repr=False)
    _talk_lock: Lock = field(default_factory=Lock, repr=False)
    _wire: Wire | None = field(default=None, repr=False)
    _wire_lock: Lock = field(default_factory=Lock, repr=False)
    _bench: tuple[Talk, Bench] | None = field(default=None, repr=False)
    _bench_lock: Lock = field(default_factory=Lock, repr=False)

    @property
    def talk(self) -> Talk:
        """The questions and answers, put together when first asked for; once for each state of the frames."""
        with self._talk_lock:
            if self._talk is None or not self.talk_is_ready:
                self._talk = self._new_talk()
            return self._talk

    def _new_talk(self) -> Talk:
        channels = self.channels
        return Talk.of(channels.frames, channels.signal_map.reassembled, show_vin=self.show_vin)

    @property
    def talk_is_ready(self) -> bool:
        """Whether `talk` is there without waiting."""
        return self._talk is not None and (self.live is not None or self._talk.frames is self.channels.frames)

    @property
    def wire(self) -> Wire:
        """What is on the wire, surveyed when first asked for; once for each state of the frames."""
        with self._wire_lock:
            talk = self.talk
            if self._wire is None or self._wire.talk is not talk:
                self._wire = Wire.of(talk, self.channels.signal_map)
            return self._wire

    @property
    def wire_is_ready(self) -> bool:
        """Whether `wire` is there without waiting."""
        return self.talk_is_ready and self._wire is not None and self._wire.talk is self._talk

    @property
    def bench(self) -> Bench:
        """The mapping bench, set up when first asked for; the work on it goes on where the capture grows."""
        with self._bench_lock:
            talk = self.talk
            if self._bench is None or self._bench[0] is not talk:
                self._bench = (talk, self._new_bench(talk))
            return self._bench[1]

    def _new_bench(self, talk: Talk) -> Bench:
        found = streams(talk.frames, talk.transfers)
        if self._bench is not None:
            return self._bench[1].over(found, self.channels.signal_map)
        path = None if self.capture_path in {None, "-"} else work_path(str(self.capture_path))
        file = None if path is None else WorkFile(path)
        bench = Bench(found, self.channels.signal_map, file, name_of(self.capture_path), show_vin=self.show_vin)
        bench.open_file()
        for key in bench.keys:
            bench.unexplained(key)
            bench.heading(key)
        return bench

    @property
    def bench_is_ready(self) -> bool:
        """Whether `bench` is there without waiting."""
        return self.talk_is_ready and self._bench is not None and self._bench[0] is self._talk

    @property
    def mark_book(self) -> MarkBook:
        """The marks beside the capture, read when first asked for."""
        key = (self.capture_path, self.zero_ns is not None or len(self.channels.frames) > 0)
        if self._marks is None or self._marks[0] != key:
            zero_ns = self.channels.first_ns if self.zero_ns is None else self.zero_ns
            self._marks = (key, MarkBook.beside(self.capture_path, zero_ns))
        return self._marks[1]

    def add_note(self, note: Note) -> str | None:
        """Keep a note and show it among the findings. Gives what went wrong with the file, ``None`` if nothing did."""
        with self._lock:
            return self._set_notes((*self.notes, note))

    def remove_note(self, finding: Finding) -> str | None:
        """Take a user's own finding back: the last note that says the same. Gives what went wrong with the file."""
        with self._lock:
            for number in range(len(self.notes) - 1, -1, -1):
                if self._is_of(finding, self.notes[number]):
                    return self._set_notes(self.notes[:number] + self.notes[number + 1 :])
        return "this finding is not one of your notes"

    def set_limit(self, name: str, low: float | None, high: float | None) -> str | None:
        """Set limits of a channel, in its quantity's unit, ``None`` leaving one as it is; decode states and judge anew.

        Gives what went wrong with the file, ``None`` if nothing did. Raises `CellgleanError` where the limits cannot
        be (low above high) or the sheet is wrong; everything is then as it was.
        """
        series = self.channels[name]
        if low is None and high is None:
            return None
        with self._lock:
            path, trouble = self._writable_sheet()
            try:
                set_channel_limit(path, series.channel.name, low, high)
            except OutputError as error:
                if self._scratch is not None:
                    raise
                trouble = f"kept only until you close: {error}"
                path = self._begin_scratch()
                set_channel_limit(path, series.channel.name, low, high)
            sheet = load_sheet(path)
            channels = with_sheet(self.channels, sheet)
            judgement = judge(channels, self.notes)
            self.channels, self.judgement = channels, judgement
            if self._scratch is None:
                self.sheet_path = path
        self._tell()
        return trouble

    def save_map(self, path: Path) -> str:
        """Write the work on the bench into a signal map, and show the capture by it; give what was done, in words.

        Raises `CellgleanError` where a file cannot be read or written; the work is then as it was.
        """
        bench = self.bench
        with self._lock:
            sheet_path, trouble = self._writable_sheet()
            lengths = {key: bench.width_of(key) for key in bench.keys}
            digest, drafted = save_to_map(bench.history, path, sheet_path, bench.capture, lengths)
            bench.saved_to(str(path), digest)
            said = drafted_words(drafted, path)
            others = [one for one in self.channels.signal_map.paths if Path(one).resolve() != path.resolve()]
            paths = [*others, str(path)]
            channels = replace(
                decode(self.channels.frames, load_map(paths), load_sheet(sheet_path)), began_ns=self.channels.began_ns
            )
            judgement = judge(channels, self.notes)
            bench.use_map(channels.signal_map)
            self.channels, self.judgement, self._wire = channels, judgement, None
            if self._scratch is None:
                self.sheet_path = sheet_path
        self._tell()
        return said if trouble is None else f"{said}; the pack sheet: {trouble}"

    def go_on(self, channels: Channels, live: Live) -> bool:
        """Show a newer state of a capture that goes on, the judgement still the last one.

        Tells whether it was taken: not where signal map or pack sheet are no longer those that it was decoded with.
        """
        with self._lock:
            if self.channels.signal_map is not channels.signal_map or self.channels.sheet is not channels.sheet:
                return False
            self.channels, self.live = channels, live
        self._tell()
        return True

    def judged(self, judgement: Judgement, channels: Channels, notes: tuple[Note, ...]) -> bool:
        """Show a newer judgement; tells whether it was taken: not where it is not of what is shown now."""
        with self._lock:
            if self.channels is not channels or self.notes is not notes:
                return False
            self.judgement = judgement
        self._tell()
        return True

    def tell_live(self, live: Live) -> None:
        """Show how things stand with a capture that goes on."""
        if live != self.live:
            self.live = live
            self._tell()

    def renew(self) -> bool:
        """Put anew together what was looked at of answers, survey and bench; tell whether there was anything to do."""
        old = self._talk
        if old is None or old.frames is self.channels.frames:
            return False
        talk = self._new_talk()
        wire = None if self._wire is None else Wire.of(talk, self.channels.signal_map)
        found = None if self._bench is None else streams(talk.frames, talk.transfers)
        with self._bench_lock, self._wire_lock, self._talk_lock:
            self._talk, self._wire = talk, wire
            if self._bench is not None and found is not None:
                self._bench = (talk, self._bench[1].over(found, self.channels.signal_map))
        self._tell()
        return True

    def replace(self, channels: Channels, judgement: Judgement) -> None:
        """Show a newer state of a capture that is still being recorded."""
        with self._lock:
            self.channels, self.judgement = channels, judgement
        self._tell()

    def limits_by_user(self) -> frozenset[str]:
        """Give the channels that the pack sheet sets a limit of by name: the user's own limits."""
        sheet = self.channels.sheet
        if sheet is None:
            return frozenset()
        exact = {rule.match for rule in sheet.rules if rule.low is not None or rule.high is not None}
        return frozenset(name for name in self.channels if literal(name) in exact)

    def is_users_own(self, finding: Finding) -> bool:
        """Tell whether a finding is the user's: a note, or a limit that the sheet sets for this channel by name."""
        return finding.code == USER_FLAG or (finding.code in _LIMIT_CODES and finding.channel in self.limits_by_user())

    def limits_now(self, name: str) -> tuple[float | None, float | None]:
        """Give low and high limit of a channel in its quantity's unit, ``None`` where there is none."""
        series = self.channels[name]
        low, high = series.channel.low, series.channel.high
        return (
            None if low is None else in_quantity_unit(series, low.value),
            None if high is None else in_quantity_unit(series, high.value),
        )

    def _set_notes(self, notes: tuple[Note, ...]) -> str | None:
        self.notes = notes
        trouble = None
        if self.notes_file is None:
            trouble = "kept only until you close: this capture has no file that notes could stand beside"
        else:
            try:
                save_notes(self.notes_file, notes)
            except CellgleanError as error:
                trouble = f"kept only until you close: {error}"
        self.judgement = judge(self.channels, notes)
        self._tell()
        return trouble

    def _is_of(self, finding: Finding, note: Note) -> bool:
        at_ns = self.channels.first_ns + round((note.time_s or 0.0) * 1e9)
        return (
            finding.code == USER_FLAG
            and finding.channel == note.channel
            and finding.explanation == note.text
            and finding.from_ns == at_ns
        )

    def _tell(self) -> None:
        for callback in self.on_change:
            callback()

    def _writable_sheet(self) -> tuple[Path, str | None]:
        """Give the sheet to write to, and what to tell about it."""
        if self._scratch is not None:
            return self._scratch, "kept only until you close: the pack sheet cannot be written"
        if self.sheet_path is not None:
            return self.sheet_path, None
        sheet = self.channels.sheet
        if sheet is not None and sheet.path:
            return Path(sheet.path), None
        if self.capture_path not in {None, "-"}:
            return sheet_beside(str(self.capture_path)), None
        nowhere = "kept only until you close: this capture has no file that a sheet could stand beside"
        return self._begin_scratch(), nowhere

    def _begin_scratch(self) -> Path:
        """Copy the sheet to a folder that goes away with the program."""
        folder = Path(tempfile.mkdtemp(prefix="cellglean-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        path = folder / "pack.sheet.toml"
        sheet = self.channels.sheet
        source = self.sheet_path or (Path(sheet.path) if sheet is not None and sheet.path else None)
        if source is not None and source.exists():
            shutil.copyfile(source, path)
        self._scratch = path
        return path
