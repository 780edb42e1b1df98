"""What the other side says about a transfer: flow control that ends it, and questions that show that it ended.

A listener sees the frames of both sides, a receiver only those of one; so a listener can tell more.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.transport import evidence
from decoder.transport.openings import openings
from decoder.transport.pairs import FUNCTIONAL
from decoder.transport.protocol_bytes import GO_ON, OVERFLOW, Role
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from decoder.transport.openings import Openings
    from decoder.transport.segments import Segments
    from decoder.transport.tracks import Tracks

TESTER_PRESENT: Final = 0x3E


def peers(askers: Mapping[int, tuple[int, ...]]) -> dict[int, set[int]]:
    """Give for each track the tracks that may send it flow control."""
    peers: dict[int, set[int]] = {}
    for answerer, of_it in askers.items():
        for asker in of_it:
            peers.setdefault(answerer, set()).add(asker)
            peers.setdefault(asker, set()).add(answerer)
    return peers


def flow_of(believed: Tracks, senders: set[int]) -> NDArray[np.intp]:
    """Give the positions of flow control sent by these tracks, in capture order."""
    flow = np.flatnonzero((believed.protocol.role == Role.FLOW) & np.isin(believed.track, list(senders)))
    return flow[np.argsort(believed.row[flow], kind="stable")]


def refused(believed: Tracks, found: Segments, askers: Mapping[int, tuple[int, ...]]) -> Segments:
    """Mark transfers that the receiver ended with an overflow."""
    fault = found.fault.copy()
    for track, senders in peers(askers).items():
        flow = flow_of(believed, senders)
        mine = np.flatnonzero((found.track == track) & (found.fault != Fault.NONE) & (found.said >= 0))
        if not len(flow) or not len(mine):
            continue
        began = believed.row[found.at[found.begin[mine]]]
        last = np.minimum(found.end[mine], len(found.at) - 1)
        same = (found.end[mine] < len(found.at)) & (believed.track[found.at[last]] == track)
        until = np.where(same, believed.row[found.at[last]], np.iinfo(np.intp).max)
        at = np.searchsorted(believed.row[flow], began, side="right")
        answer = flow[np.minimum(at, len(flow) - 1)]
        refused = (at < len(flow)) & (believed.row[answer] < until) & (believed.protocol.number[answer] == OVERFLOW)
        fault[mine[refused]] = Fault.OVERFLOW
    return replace(found, fault=fault)


def interrupted(believed: Tracks, found: Segments, askers: Mapping[int, tuple[int, ...]]) -> Segments:
    """End answers where a new question came and nothing else answers it: what follows belongs to another answer.

    Where the end of one answer and the beginning of the next are both lost, the numbers can fit all the same. Then the
    asker told the next answer to go on, or the frame behind the question has the number 1; else it was only ignored.
    """
    used, received, fault = found.used.copy(), found.received.copy(), found.fault.copy()
    opened = openings(believed, found)
    for answerer, of_it in askers.items():
        asked = _questions(believed, opened, of_it)
        mine = evidence.rows_of_track(opened, answerer)
        if not len(asked):
            continue
        go_on = flow_of(believed, set(of_it))
        go_on = believed.row[go_on[believed.protocol.number[go_on] == GO_ON]]
        for number, row in _questions_inside(opened, asked, mine):
            segment = opened.segment[number]
            at = found.at[found.begin[segment] : found.begin[segment] + used[segment]]
            kept = int(np.count_nonzero(believed.row[at] < row))
            if kept == used[segment]:
                continue
            told = _any_between(go_on, row, int(opened.last_row[number]))
            if told or believed.protocol.number[at[kept]] == 1:
                used[segment] = kept
                taken = found.taken[found.begin[segment] : found.begin[segment] + kept]
                received[segment], fault[segment] = taken.sum(), Fault.MISSING
    return replace(found, used=used, received=received, fault=fault)


def _any_between(rows: NDArray[np.intp], first: int, last: int) -> bool:
    """Tell whether any of these rows, in order, lies between two others."""
    return bool(np.searchsorted(rows, last) > np.searchsorted(rows, first, side="right"))


def _questions(believed: Tracks, opened: Openings, askers: tuple[int, ...]) -> NDArray[np.intp]:
    """Give the questions that these tracks ask one answerer alone, in capture order; the keep-alive call is none."""
    single = [a for a in askers if (int(believed.can_id[a]), bool(believed.extended[a])) not in FUNCTIONAL]
    asked = np.flatnonzero(np.isin(opened.track, single) & (opened.head[:, 0] != TESTER_PRESENT))
    return asked[np.argsort(opened.row[asked], kind="stable")]


def _questions_inside(opened: Openings, asked: NDArray[np.intp], mine: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Give each answer with the row of the first question inside it that neither it nor a later one answers."""
    rows, begins = opened.row[asked], opened.row[mine]
    first = np.searchsorted(rows, begins, side="right")
    behind = np.searchsorted(rows, opened.last_row[mine])
    for answer in np.flatnonzero(first < behind).tolist():
        own = None if _answers_before(opened, asked[: first[answer]], mine, answer) else opened.key[mine[answer]]
        for at in range(first[answer], behind[answer]):
            if opened.key[asked[at]] != own and not _is_answered(opened, asked, at, mine, answer):
                yield int(mine[answer]), int(rows[at])
                break


def _answers_before(opened: Openings, asked: NDArray[np.intp], mine: NDArray[np.intp], answer: int) -> bool:
    """Tell whether an answer is the first to fit the last of these questions, as it should be.

    Recorders now and then exchange frames, so that the question stands behind the beginning of its answer.
    """
    if not len(asked) or opened.key[asked[-1]] != opened.key[mine[answer]]:
        return False
    return not answer or bool(opened.row[mine[answer - 1]] < opened.row[asked[-1]])


def _is_answered(opened: Openings, asked: NDArray[np.intp], at: int, mine: NDArray[np.intp], answer: int) -> bool:
    """Tell whether an answer to a question begins behind another one, before the next question."""
    question = asked[at]
    until = opened.row[asked[at + 1]] if at + 1 < len(asked) else np.inf
    for reply in mine[answer + 1 :]:
        if opened.row[reply] > until:
            return False
        refused = opened.refuses[reply] and opened.head[reply, 1] == opened.head[question, 0]
        if refused or opened.key[reply] == opened.key[question]:
            return True
    return False
