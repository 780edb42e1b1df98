"""The bench: the streams of a capture, what takes time to find out about them, and the work on them with its file.

What takes time (`prepare`, `carve`) is meant for a worker thread; the rest answers at once from what is there.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import PurePath
from threading import Lock
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carve import carve_streams
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey, key_of
from decoder.discovery.pictures.hidden_numbers import hidden_bytes, without_numbers
from decoder.discovery.pictures.picture_words import heading
from decoder.discovery.workbench.fields import ListedField, fields_of
from decoder.discovery.workbench.history import History
from decoder.discovery.workbench.in_map import meanings_in_map
from decoder.discovery.workbench.preview import preview
from decoder.discovery.workbench.sample import flips, sampled
from decoder.discovery.workbench.series_text import is_alike
from decoder.discovery.workbench.work_file import ChangedMeanwhileError, WorkFile
from decoder.errors import CellgleanError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from decoder.channels.series import Series
    from decoder.discovery.meaning import Meaning
    from decoder.discovery.proposal import Carving, Selector, Stream
    from decoder.discovery.workbench.work import Work
    from decoder.maps.signal_map import SignalMap

# Siblings help to carve one another, and each costs time. Common practice, no source.
_SIBLINGS: Final = 4
_LIKE_OFTEN: Final = (0.8, 1.25)  # payloads of a sibling, as a share
# Of so many payloads a sample is taken at once, without waiting for a thread.
_AT_ONCE: Final = 100_000

_KEPT_CHANNELS: Final = 200  # more than a terminal has lines

_NOWHERE: Final = "kept only until you close: this capture has no file that the work could stand beside"


@dataclass
class Bench:
    """The work on one capture.

    streams : as `decoder.discovery.streams.streams` gives them
    signal_map : what is known already
    file : where the work is kept; ``None`` where the capture has no file of its own
    capture : its name, for comments in the map
    """

    streams: Sequence[Stream]
    signal_map: SignalMap
    file: WorkFile | None = None
    capture: str = ""
    show_vin: bool = False
    history: History = field(default_factory=History)
    carvings: dict[StreamKey, Carving] = field(default_factory=dict)
    trouble: str | None = None
    _unsaved: bool = False
    _samples: dict[tuple[StreamKey, Selector | None], Sampled] = field(default_factory=dict)
    _flips: dict[StreamKey, NDArray[np.int64]] = field(default_factory=dict)
    _headings: dict[StreamKey, str] = field(default_factory=dict)
    _hidden: dict[StreamKey, frozenset[int]] = field(default_factory=dict)
    _in_map: dict[StreamKey, tuple[Meaning, ...]] = field(default_factory=dict)
    _channels: dict[tuple[int, tuple[int, ...]], tuple[Meaning, Series]] = field(default_factory=dict)
    _fields: tuple[StreamKey, object, object, object, tuple[ListedField, ...]] | None = None
    _lock: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        self.by_key = {key_of(one): one for one in self.streams}
        self.keys = tuple(self.by_key)
        self._whole = Sampled(self.streams)

    # The work

    @property
    def work(self) -> Work:
        """The state that holds."""
        return self.history.work

    def open_file(self) -> None:
        """Take up the work that the file holds; `trouble` tells what went wrong with it, ``None`` if nothing did."""
        self.trouble = None
        if self.file is None:
            return
        try:
            self.history, self.trouble = self.file.read()
        except CellgleanError as error:
            self.trouble = str(error)

    def over(self, streams: Sequence[Stream], signal_map: SignalMap) -> Bench:
        """Give a bench over a newer state of the capture, with the same work and file."""
        newer = Bench(streams, signal_map, self.file, self.capture, self.show_vin, self.history)
        newer.trouble, newer._unsaved = self.trouble, self._unsaved
        return newer

    def step(self, work: Work) -> bool:
        """Go on to a new state of the work; tell whether it is one."""
        return self._go_to(self.history.step(work))

    def saved_to(self, map_path: str, digest: str) -> None:
        """Remember the signal map that the work was saved to, which no undoing changes."""
        self.history = replace(self.history, map_path=map_path, map_digest=digest)
        self._unsaved = True

    def look(self, work: Work) -> None:
        """Look at something else, which is no step."""
        self.history = self.history.look(work)

    def undo(self) -> bool:
        """Take the last step back; tell whether there was one."""
        return self._go_to(self.history.undo())

    def redo(self) -> bool:
        """Do the step that was undone last again; tell whether there was one."""
        return self._go_to(self.history.redo())

    def _go_to(self, history: History) -> bool:
        if history is self.history:
            return False
        self.history, self._unsaved = history, True
        return True

    def save(self, *, over: bool = False) -> str | None:
        """Write the newest state of the work to its file. Gives what went wrong, ``None`` if nothing did.

        Steps that come while it is written are the next call's. Raises `ChangedMeanwhileError` where another program
        wrote the file, unless `over`.
        """
        if self.file is None:
            return _NOWHERE
        with self._lock:
            history = self.history
            try:
                self.file.write(history, over=over)
            except ChangedMeanwhileError:
                raise
            except CellgleanError as error:
                return f"kept only until you close: {error}"
            self._unsaved = self.history is not history
        return None

    @property
    def is_saved(self) -> bool:
        """Whether the file holds all steps."""
        return not self._unsaved

    # Streams

    def width_of(self, key: StreamKey) -> int:
        """Give the payload bytes of a stream; 0 for one that is not in the capture."""
        stream = self.by_key.get(key)
        return 0 if stream is None else int(stream.data.shape[1])

    def heading(self, key: StreamKey) -> str:
        """Name a stream, with how many payloads it has and how often they come; worked out once."""
        if key not in self._headings:
            several = len({one.bus for one in self.keys}) > 1
            self._headings[key] = heading(self.by_key[key], several_buses=several)
        return self._headings[key]

    def of_identifier(self, bus: str, can_id: int, *, extended: bool) -> tuple[StreamKey, ...]:
        """Give the streams of an identifier."""
        return tuple(key for key in self.keys if (key.bus, key.can_id, key.extended) == (bus, can_id, extended))

    def siblings(self, key: StreamKey) -> tuple[StreamKey, ...]:
        """Give a stream with those near it that are about as long and come about as often."""
        stream = self.by_key[key]
        count, width = len(stream.data), stream.data.shape[1]
        alike = [
            other
            for other in self.keys
            if is_alike(other, key)
            and self.width_of(other) == width
            and _LIKE_OFTEN[0] * count <= len(self.by_key[other].data) <= _LIKE_OFTEN[1] * count
        ]
        near = sorted(alike, key=lambda other: (other != key, abs(other.can_id - key.can_id)))
        chosen = set(near[: _SIBLINGS + 1])
        return tuple(one for one in self.keys if one in chosen)

    def carve(self, key: StreamKey, progress: Callable[[float], None] | None = None) -> None:
        """Have a stream carved, together with its siblings; once for each (worker thread)."""
        if key in self.carvings or key not in self.by_key:
            return
        keys = self.siblings(key)
        found = carve_streams([self.by_key[one] for one in keys], progress)
        for one, carving in zip(keys, found, strict=True):
            self.carvings.setdefault(one, carving)

    def shown_carving(self, key: StreamKey) -> Carving | None:
        """Give what was carved in a stream as it may be shown; ``None`` before it was."""
        carving = self.carvings.get(key)
        return None if carving is None else without_numbers(carving, self.hidden(key))

    def hidden(self, key: StreamKey) -> frozenset[int]:
        """Give the payload bytes that are not shown, because they hold a vehicle identification number."""
        if self.show_vin or key not in self.by_key:
            return frozenset()
        if key not in self._hidden:
            self._hidden[key] = hidden_bytes(self.by_key[key])
        return self._hidden[key]

    def is_hidden(self, at: FieldAt) -> bool:
        """Tell whether a field lies in bytes that are not shown."""
        return not self.hidden(at.stream).isdisjoint(range(at.field.first_byte, at.field.last_byte + 1))

    # Fields

    def in_map(self, key: StreamKey) -> tuple[Meaning, ...]:
        """Give what the signal map says of a stream."""
        if key not in self._in_map:
            self._in_map[key] = meanings_in_map(key, self.signal_map)
        return self._in_map[key]

    def use_map(self, signal_map: SignalMap) -> None:
        """Know another signal map from now on."""
        self.signal_map = signal_map
        self._in_map = {}

    def fields(self, key: StreamKey) -> tuple[ListedField, ...]:
        """Give all fields of a stream: those of the work, of the map, and those that were carved."""
        meanings, carving, in_map = self.work.meanings, self.carvings.get(key), self.in_map(key)
        known = self._fields
        if known is None or known[0] != key or known[1] is not meanings or known[2:4] != (carving, in_map):
            found = fields_of(key, self.work, in_map, self.shown_carving(key), self.capture)
            known = self._fields = (key, meanings, carving, in_map, found)
        return known[4]

    # Samples

    def prepare(self, key: StreamKey, selectors: Sequence[Selector | None] = (None,)) -> None:
        """Take the samples that pictures are made from (worker thread, where `ready` says no)."""
        for selector in selectors:
            self._sample(key, selector)

    def ready(self, key: StreamKey, selector: Selector | None = None) -> bool:
        """Tell whether `seen` and `channel` answer at once."""
        return (key, selector) in self._samples or len(self.by_key[key].data) <= _AT_ONCE

    def seen(self, key: StreamKey, selector: Selector | None = None) -> Stream:
        """Give payloads of a stream, or those under a multiplexor's value; of very many a sample."""
        return self._sample(key, selector).streams[key]

    def count_of(self, key: StreamKey, selector: Selector | None = None) -> int:
        """Give how many payloads a stream has, or has under a multiplexor's value; of all, not of the sample."""
        return len(self.by_key[key].data) if selector is None else len(self._whole.rows_under(key, selector))

    def in_a_row(self, key: StreamKey, selector: Selector | None, at_ns: int, count: int) -> Stream:
        """Give payloads of a stream that follow one another, the last of them at a moment or before it.

        count : how many at most; fewer where there are no more
        """
        stream = self.by_key[key]
        rows = None if selector is None else self._whole.rows_under(key, selector)
        of_all = self.count_of(key, selector)
        time_ns = stream.time_ns if rows is None else stream.time_ns[rows]
        end = min(max(int(np.searchsorted(time_ns, at_ns, side="right")), count), of_all)
        some = np.arange(max(end - count, 0), end)
        return sampled(stream, some if rows is None else rows[some])

    def unexplained(self, key: StreamKey) -> int:
        """Give how many changes of bits nothing explains yet, neither the map nor the work."""
        if key not in self._flips:
            self._flips[key] = flips(self.by_key[key].data)
        counts = self._flips[key].copy()
        known = [one.at for one in self.in_map(key)] + [one.at for one in self.work.meanings if one.at.stream == key]
        for at in known:
            bits = [bit for bit in at.field.bit_numbers() if bit < len(counts)]
            counts[bits] = 0
        return int(counts.sum())

    def channel(self, listed: ListedField) -> Series | None:
        """Give the channel that a field makes; ``None`` where it is not shown or not there."""
        meaning, at = listed.meaning, listed.at
        if at.stream not in self.by_key or self.is_hidden(at) or not self.ready(at.stream, at.multiplexor):
            return None
        known = self._channels.pop((id(meaning), listed.absent), None)
        if known is None:
            sample = self._sample(at.stream, at.multiplexor)
            known = (meaning, preview(meaning, *sample.raw(FieldAt(at.stream, at.field)), listed.absent))
        self._channels[id(meaning), listed.absent] = known  # the newest stand last
        while len(self._channels) > _KEPT_CHANNELS:
            del self._channels[next(iter(self._channels))]
        return known[1]

    def _sample(self, key: StreamKey, selector: Selector | None) -> Sampled:
        known = self._samples.get((key, selector))
        if known is None:
            rows = None if selector is None else self._whole.rows_under(key, selector)
            known = self._samples[key, selector] = Sampled([sampled(self.by_key[key], rows)])
        return known


def name_of(capture_path: str | None) -> str:
    """Give the name of a capture for comments; empty for standard input."""
    return "" if capture_path in {None, "-"} else PurePath(str(capture_path)).name
