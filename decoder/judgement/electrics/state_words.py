"""Open or closed: what a value table's words, or the raw values by themselves, say of a contactor or an interlock.

All words are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.absent import says_absent
from decoder.maps.patterns import bare_name
from decoder.maps.words import words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.channels import Series

OPEN: Final = 0
CLOSED: Final = 1
UNKNOWN: Final = -1

_SHARED: Final = {
    CLOSED: "closed close shut geschlossen zu",
    OPEN: "open opened offen auf geöffnet",
}
_CONTACTOR: Final = {
    CLOSED: "on engaged energised energized active activated connected made ein true yes",
    OPEN: "off disengaged deenergised deenergized inactive deactivated disconnected broken aus false no",
}
# On and off say nothing of an interlock: a fault that is off and a loop that is on mean the same.
_INTERLOCK: Final = {
    CLOSED: "ok okay intact good locked complete plugged healthy",
    OPEN: "nok broken interrupted unlocked unplugged incomplete unterbrochen",
}
_NEGATIONS: Final = frozenset({"not", "nicht", "non", "de"})
# A label with one of these says that something is wrong, or that it is on its way: neither open nor closed.
_NEITHER_TEXT: Final = (
    "fault error fail failed failure stuck weld welded invalid reserved undefined unknown opening closing "
    "precharge precharging requested"
)
_NEITHER: Final = frozenset(_NEITHER_TEXT.split())


def _table(*sources: Mapping[int, str]) -> dict[str, int]:
    return {word: state for words in sources for state, text in words.items() for word in text.split()}


CONTACTOR_WORDS: Final = _table(_SHARED, _CONTACTOR)
INTERLOCK_WORDS: Final = _table(_SHARED, _INTERLOCK)


def said_by(label: str, table: Mapping[str, int]) -> int:
    """Give what a label says: `OPEN`, `CLOSED`, or `UNKNOWN` where it says neither, or both."""
    words = [word.text for word in words_of(label)]
    states = {table[word] for word in words if word in table}
    if len(states) != 1 or says_absent(label) or not _NEITHER.isdisjoint(words):
        return UNKNOWN
    state = states.pop()
    return 1 - state if not _NEGATIONS.isdisjoint(words) else state


def state_values(series: Series, table: Mapping[str, int], *, labels_only: bool = False) -> dict[int, int]:
    """Give the state that each raw value stands for; raw values that say nothing are left out.

    Where the map has no label for it, 0 is open and 1 is closed, unless the label of the one makes the other the
    opposite. In a channel that is named for being open, 1 is open.
    """
    labels = {raw: word for raw, word in series.channel.signal.labels.items() if not word.strip().isdigit()}
    said = {raw: said_by(word, table) for raw, word in labels.items()}
    if not labels_only:
        inverted = not _names(series, CLOSED, table) and _names(series, OPEN, table)
        for raw in (0, 1):
            other = said.get(1 - raw, UNKNOWN) if 1 - raw in labels else UNKNOWN
            said.setdefault(raw, raw ^ inverted if other == UNKNOWN else 1 - other)
    return {raw: state for raw, state in said.items() if state != UNKNOWN}


def _names(series: Series, state: int, table: Mapping[str, int]) -> bool:
    """Tell whether the channel's name is that of one state, as in ``MainPlusClosed``."""
    words = {word for word, meant in table.items() if meant == state and word in _SHARED[state].split()}
    return any(word.text in words for word in words_of(bare_name(series.channel.name)))


def states_of(series: Series, values: Mapping[int, int]) -> NDArray[np.int8]:
    """Give the state of each sample: `OPEN`, `CLOSED`, or `UNKNOWN`, also where it is 'not available'."""
    state = np.full(len(series), UNKNOWN, np.int8)
    for raw, meant in values.items():
        state[series.raw == raw] = meant
    if series.absent is not None:
        state[series.absent] = UNKNOWN
    return state
