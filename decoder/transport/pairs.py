"""Who talks to whom: which tracks are of ISO 15765-2 beyond doubt, and whose answers belong to whose questions.

Found from behaviour: answers repeat what was asked, flow control comes from the other side while a long transfer waits
for it, long transfers fit together frame by frame. What speaks for two tracks is counted in bits and set against the
count of places where chance could have brought it about; only what chance would give in fewer than one capture in a
thousand is believed. The usual pairs of identifiers are one more piece of evidence, and settle ties: request + 8
(ISO 15765-4 with 11 bits), the swap of the two addresses (29 bits).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.transport import evidence
from decoder.transport.tracks import NO_ADDRESS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from decoder.transport.openings import Openings
    from decoder.transport.segments import Segments
    from decoder.transport.tracks import Tracks

# Beyond the count of places where chance could strike: one capture in 2 ** 10 is wrong. Not final: the tool that counts
# false conversations lowers them to see their margin.
SURE_BITS = 10.0
_USUAL_BITS: Final = 10.0
# Tracks whose other side is not heard must have more to show.
ALONE_BITS = 20.0
_ALONE_SERVICES: Final = 3
_ALONE_LENGTHS: Final = 2
# One question on a kept identifier, nothing else of it, and no conversation at all: believed among so few tracks. An
# identifier is kept with 7 bits, a single frame with a service that fits its length has 10; 2 ** 14 chances are enough.
_FEW_TRACKS: Final = 8
# Identifiers of ISO 15765-4, from memory: the functional request.
FUNCTIONAL: Final = frozenset({(0x7DF, False), (0x18DB33F1, True)})


@dataclass(frozen=True, slots=True)
class Believed:
    """Tracks that are believed, and of each answerer the tracks that ask it, best first.

    `sides`: track -> "asker", "answerer" or "unknown"
    """

    sides: Mapping[int, str] = field(default_factory=dict)
    askers: Mapping[int, tuple[int, ...]] = field(default_factory=dict)


def find_believed(
    tracks: Tracks, segments: Segments, openings: Openings, named: frozenset[tuple[int, bool]] = frozenset()
) -> Believed:
    """Decide which tracks are believed; those with `named` identifiers are, on somebody's word."""
    if not len(openings):
        return Believed()
    own = evidence.own_bits(tracks, segments, openings)
    pairs = _pairs(tracks, segments, openings, own)
    alone = {**_named(tracks, openings, own, named), **_alone(tracks, openings, own)}
    if pairs or alone:
        alone = {**_in_company(tracks, openings, own), **alone}
    chosen = _one_form_each(tracks, pairs, alone)
    askers = _askers({pair: match for pair, match in pairs.items() if chosen.issuperset(pair)})
    sides = dict.fromkeys(sorted(chosen), "unknown")
    sides.update({track: alone[track][1] for track in chosen & alone.keys()})
    for answerer, of_it in askers.items():
        sides[answerer] = "answerer"
        sides.update(dict.fromkeys(of_it, "asker"))
    return Believed(sides, askers)


@dataclass(frozen=True, slots=True)
class Match:
    """What speaks for a pair in all and for the two together (bits), and the rows of the answers that it explains."""

    bits: float
    together: float
    answers: frozenset[int]


Matches = dict[tuple[int, int], Match]


def _pairs(tracks: Tracks, segments: Segments, openings: Openings, own: NDArray[np.float64]) -> Matches:
    """Give the pairs (asker, answerer) that are believed."""
    votes = evidence.flow_votes(tracks, segments, openings)
    chances = evidence.chance_bits(openings)
    asks_only = evidence.like(openings, openings.asks, len(tracks))
    answers_only = evidence.like(openings, openings.answers, len(tracks))
    found: Matches = {}
    possible = evidence.possible_pairs(openings)
    for pair in possible.keys() | votes.keys():
        asker, answerer = pair
        if tracks.stream[asker] == tracks.stream[answerer]:
            continue  # no two senders share an identifier
        together = evidence.flow_bits(votes.get(pair, 0))
        together += _USUAL_BITS if is_usual(tracks, asker, answerer) else 0.0
        known = together + float(own[asker] + own[answerer]) - chances
        known -= evidence.against_bits(fits=bool(asks_only[asker]))
        known -= evidence.against_bits(fits=bool(answers_only[answerer]))
        if known + possible.get(pair, 0.0) < SURE_BITS:
            continue
        echo = evidence.echo(openings, asker, answerer)
        if (echo.bits or pair in votes) and known + echo.bits >= SURE_BITS:
            found[pair] = Match(known + echo.bits, together + echo.bits, echo.answers)
    return _settled(found)


def _settled(pairs: Matches) -> Matches:
    """Leave out pairs that only flow control speaks for where answers show that one of the two talks to another.

    While several long transfers wait, flow control of one can come where another's is due.
    """
    answering = {track for pair, match in pairs.items() if match.answers for track in pair}
    return {pair: match for pair, match in pairs.items() if match.answers or answering.isdisjoint(pair)}


def is_usual(tracks: Tracks, asker: int, answerer: int) -> bool:
    """Tell whether two identifiers are one of the usual pairs (ISO 15765-4, and common practice beyond its ranges)."""
    if tracks.bus[asker] != tracks.bus[answerer] or tracks.extended[asker] != tracks.extended[answerer]:
        return False
    asks, answers = int(tracks.can_id[asker]), int(tracks.can_id[answerer])
    if not tracks.extended[asker]:
        return answers == asks + 8 or (asks == 0x7DF and 0x7E8 <= answers <= 0x7EF)
    swapped = asks & 0x1FFF0000 | (asks & 0xFF) << 8 | asks >> 8 & 0xFF
    return answers == swapped or (asks == 0x18DB33F1 and answers & 0x1FFFFF00 == 0x18DAF100)


def _alone(tracks: Tracks, openings: Openings, own: NDArray[np.float64]) -> dict[int, tuple[float, str]]:
    """Give the tracks that are believed without their other side: what speaks for them, and which side they are.

    Either long transfers fit together, or all that the track says are questions (or answers) of the standards: of
    several services in several lengths; or on an identifier that ISO 15765-4 keeps for them, and then more than one,
    unless few streams could be of the protocol at all.
    """
    chances = float(np.log2(max(len(tracks), 1)))
    found: dict[int, tuple[float, str]] = {}
    for track, side in _of_one_side(tracks, openings, own):
        several = len(np.unique(openings.key[evidence.rows_of_track(openings, track)])) > 1
        if ((several or len(tracks) <= _FEW_TRACKS) and _is_kept_for(tracks, track, side)) or _varied(
            tracks, openings, track
        ):
            found[track] = SURE_BITS, side
    of_the_standards = evidence.like(openings, openings.asks | openings.answers, len(tracks))
    for track in np.flatnonzero(own - chances >= ALONE_BITS).tolist():
        bits = float(own[track]) - evidence.against_bits(fits=bool(of_the_standards[track]))
        if bits - chances >= ALONE_BITS:
            found[track] = bits, _side(openings, track)
    return found


def _in_company(tracks: Tracks, openings: Openings, own: NDArray[np.float64]) -> dict[int, tuple[float, str]]:
    """Give the tracks on identifiers kept for questions or answers; in company of a conversation one word is enough."""
    of_one_side = _of_one_side(tracks, openings, own)
    return {track: (SURE_BITS, side) for track, side in of_one_side if _is_kept_for(tracks, track, side)}


def _of_one_side(tracks: Tracks, openings: Openings, own: NDArray[np.float64]) -> list[tuple[int, str]]:
    """Give the tracks that only ask, or only answer, by the standards."""
    said = np.bincount(openings.track, minlength=len(tracks))
    found = []
    for side, plausible in (("asker", openings.asks), ("answerer", openings.answers)):
        all_fit = np.bincount(openings.track[plausible], minlength=len(tracks)) == said
        possible = (said > 0) & all_fit & (own >= 0) & (tracks.address == NO_ADDRESS)
        found += [(track, side) for track in np.flatnonzero(possible).tolist()]
    return found


def _side(openings: Openings, track: int) -> str:
    """Tell from its first bytes which side a track is."""
    mine = evidence.rows_of_track(openings, track)
    answers, asks = (int(np.count_nonzero(what[mine])) for what in (openings.answers, openings.asks))
    return "answerer" if answers > asks else "asker" if asks else "unknown"


def _named(
    tracks: Tracks, openings: Openings, own: NDArray[np.float64], named: frozenset[tuple[int, bool]]
) -> dict[int, tuple[float, str]]:
    """Give the tracks that somebody names; the more of what they say is of the standards, the better."""
    if not named:
        return {}
    found: dict[int, tuple[float, str]] = {}
    for track, (can_id, extended) in enumerate(zip(tracks.can_id.tolist(), tracks.extended.tolist(), strict=True)):
        mine = evidence.rows_of_track(openings, track)
        if (can_id, extended) in named and len(mine):
            plausible = np.count_nonzero(openings.asks[mine] | openings.answers[mine])
            found[track] = SURE_BITS + float(plausible) + max(float(own[track]), 0.0), _side(openings, track)
    return found


def _varied(tracks: Tracks, openings: Openings, track: int) -> bool:
    """Tell whether a track speaks of several services in several lengths, with filling behind them."""
    if not evidence.filling_seen(tracks, track):
        return False
    mine = evidence.rows_of_track(openings, track)
    services, lengths = np.unique(openings.head[mine, 0]), np.unique(openings.length[mine])
    return len(services) >= _ALONE_SERVICES and len(lengths) >= _ALONE_LENGTHS


def _is_kept_for(tracks: Tracks, track: int, side: str) -> bool:
    return _kept_for(int(tracks.can_id[track]), extended=bool(tracks.extended[track])) == side


def _kept_for(can_id: int, *, extended: bool) -> str | None:
    """Tell what ISO 15765-4 keeps an identifier for (from memory)."""
    if extended:
        if can_id == 0x18DB33F1 or can_id & 0x1FFF00FF == 0x18DA00F1:
            return "asker"
        return "answerer" if can_id & 0x1FFFFF00 == 0x18DAF100 else None
    if can_id == 0x7DF or 0x7E0 <= can_id <= 0x7E7:
        return "asker"
    return "answerer" if 0x7E8 <= can_id <= 0x7EF else None


def _one_form_each(tracks: Tracks, pairs: Matches, alone: Mapping[int, tuple[float, str]]) -> set[int]:
    """Take each stream with or without an address byte, whichever more speaks for."""
    best: dict[int, float] = {track: bits for track, (bits, _) in alone.items()}
    for pair, match in pairs.items():
        for track in pair:
            best[track] = max(best.get(track, 0.0), match.bits)
    by_form: dict[tuple[int, bool], float] = defaultdict(float)
    for track, score in best.items():
        by_form[int(tracks.stream[track]), bool(tracks.address[track] != NO_ADDRESS)] += score
    return {
        track
        for track in best
        if _wins(by_form, int(tracks.stream[track]), addressed=bool(tracks.address[track] != NO_ADDRESS))
    }


def _wins(by_form: Mapping[tuple[int, bool], float], stream: int, *, addressed: bool) -> bool:
    own, other = by_form[stream, addressed], by_form.get((stream, not addressed), 0.0)
    return own > other or (own == other and not addressed)


def _askers(pairs: Matches) -> dict[int, tuple[int, ...]]:
    """Give each answerer its askers: the best first, each further one only for answers that no earlier one explains."""
    by_answerer: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for (asker, answerer), match in pairs.items():
        by_answerer[answerer].append((match.together, asker))
    found = {}
    for answerer, candidates in by_answerer.items():
        chosen: list[int] = []
        accounted: set[int] = set()
        for _, asker in sorted(candidates, key=lambda one: (-one[0], one[1])):
            news = pairs[asker, answerer].answers - accounted
            if not chosen or news:
                chosen.append(asker)
                accounted |= news
        found[answerer] = tuple(chosen)
    return _without_rings(found)


def _without_rings(askers: Mapping[int, Iterable[int]]) -> dict[int, tuple[int, ...]]:
    """Leave out one direction where two tracks seem to ask each other."""
    return {
        answerer: tuple(a for a in of_it if answerer not in askers.get(a, ()) or answerer > a)
        for answerer, of_it in askers.items()
    }
