"""The work in a file beside the capture, written after every step, with all that can be undone.

JSON, one step a line, so that a step more costs little:

    {"schema": "cellglean.bench/1",
     "now": n,                             which state holds, counted from 0; the first state is empty
     "map": [path, digest],                the signal map that it was saved to, see `History`
     "steps": [
    STEP,                                  see `decoder.discovery.workbench.record`
    ...
    ]}

A file that another program changed since it was read or written here is not written over unless that is asked for.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from decoder.atomic import write_text
from decoder.discovery.workbench.history import History
from decoder.discovery.workbench.record import changed_by, difference
from decoder.discovery.workbench.work import Work
from decoder.errors import OutputError, Where, WorkError
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

SCHEMA: Final = "cellglean.bench/1"
MOST_BYTES: Final = 200_000_000  # a hundred thousand steps; what is larger is another file
_MOVE_AWAY: Final = "move the file away to begin anew"


class ChangedMeanwhileError(OutputError):
    """The file was changed by another program since it was read or written here."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            "the work was not saved: another program changed the file meanwhile",
            where=Where(str(path)),
            advice="decide which of the two shall stay",
        )


def work_path(capture: str | Path) -> Path:
    """Give the place of the work on a capture: beside it, same name, ending in ``.bench.json``."""
    path = Path(capture)
    return path.with_name(path.name + ".bench.json")


class WorkFile:
    """One file, and what it held when it was last read or written here."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._known: bytes | None = None
        self._states: tuple[Work, ...] = ()
        self._lines: list[str] = []

    def read(self) -> tuple[History, str | None]:
        """Read the work, and give what was left out of it, ``None`` if nothing was; an empty one if there is no file.

        Raises `WorkError` for a file that is not one of the bench, or cannot be read.
        """
        content = self._content()
        if content is None:
            self._known = None
            return History(), None
        record = self._parsed(content)
        states, trouble = _states_of(record["steps"])
        now = record.get("now")
        known = isinstance(now, int) and not isinstance(now, bool)
        now = min(max(int(str(now)), 0), len(states) - 1) if known else len(states) - 1
        history = History(states, now, *_saved_to(record.get("map")))
        # What cannot be read whole is not written over either, before the user says so.
        self._known = _digest(content) if trouble is None else b""
        return history, trouble

    def write(self, history: History, *, over: bool = False) -> None:
        """Write the work, whole or not at all; `over`: whatever the file holds now.

        Raises `ChangedMeanwhileError`, and `OutputError` where it cannot be written.
        """
        if not over:
            self._must_be_as_known()
        self._add_lines(history.states)
        head = f'{{"schema": "{SCHEMA}",\n "now": {history.now},\n'
        saved_to = json.dumps([history.map_path, history.map_digest])
        head += f' "map": {saved_to},\n "steps": [\n'
        text = head + ",\n".join(self._lines) + "\n]}\n"
        write_text(self.path, text)
        self._known = _digest(text.encode())

    def _must_be_as_known(self) -> None:
        try:
            content = self._content()
        except WorkError:
            raise ChangedMeanwhileError(self.path) from None
        if (None if content is None else _digest(content)) != self._known and content is not None:
            raise ChangedMeanwhileError(self.path)

    def _add_lines(self, states: tuple[Work, ...]) -> None:
        """Bring the lines up to these states; those of states that were written before stay."""
        same = 1
        for one, other in zip(self._states[1:], states[1:], strict=False):
            if one is not other:
                break
            same += 1
        del self._lines[same - 1 :]
        for before, work in zip(states[same - 1 :], states[same:], strict=False):
            self._lines.append(json.dumps(difference(work, before), ensure_ascii=True, allow_nan=False))
        self._states = states

    def _content(self) -> bytes | None:
        """Give the bytes of the file, ``None`` if there is none. Raises `WorkError`."""
        try:
            with self.path.open("rb") as file:
                content = file.read(MOST_BYTES + 1)
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise self._wrong(f"the work cannot be read ({reason})") from error
        if len(content) > MOST_BYTES:
            raise self._wrong(f"the file has more than {MOST_BYTES // 1_000_000} MB")
        return content

    def _parsed(self, content: bytes) -> dict[str, Any]:
        try:
            record = json.loads(content)
        except (ValueError, RecursionError) as error:
            raise self._wrong(f"the file is not JSON ({printable(str(error), 80)})") from error
        if not isinstance(record, dict) or record.get("schema") != SCHEMA or not isinstance(record.get("steps"), list):
            raise self._wrong("the file holds no work of the bench")
        return record

    def _wrong(self, what: str) -> WorkError:
        return WorkError(
            what, where=Where(str(self.path)), expected=f"a file with the schema {SCHEMA}", advice=_MOVE_AWAY
        )


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


def _saved_to(record: object) -> tuple[str, str]:
    """Read where the work was saved to; nowhere where that is not told."""
    if isinstance(record, list) and len(record) == 2 and all(isinstance(one, str) for one in record):
        return record[0], record[1]
    return "", ""


def _states_of(steps: Sequence[object]) -> tuple[tuple[Work, ...], str | None]:
    """Read states up to the first that cannot be read, and tell how many that leaves out."""
    states = [Work()]
    for number, record in enumerate(steps, start=1):
        try:
            if not isinstance(record, dict):
                raise TypeError("a step is a mapping")  # noqa: TRY301  (all that a step can be is told alike)
            states.append(changed_by(record, states[-1]))
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError):
            left = len(steps) - number + 1
            return tuple(states), f"step {number} of the saved work cannot be read; {left} left out from there on"
    return tuple(states), None
