"""What the mapping bench asks: the questions as texts, and what the answers make of the work."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from decoder.discovery.pictures.picture_words import carrier_text, field_text
from decoder.discovery.proposal import Selector
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.place_text import place_from_text, place_text
from decoder.discovery.workbench.series import Repeat, repeated, room_for
from decoder.discovery.workbench.series_text import (
    key_text,
    keys_from_text,
    streams_like,
    values_from_text,
    values_seen,
    values_text,
)
from decoder.errors import UsageError
from decoder.maps.quantities import QUANTITIES
from decoder.printable import printable
from decoder.screens.bench_rows import meaning_words, stream_words, under_text
from decoder.screens.choose import Choice
from decoder.screens.form import Asked
from decoder.screens.symbols import place_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.discovery.pinned import Match
    from decoder.discovery.workbench.bench import Bench
    from decoder.discovery.workbench.fields import ListedField
    from decoder.discovery.workbench.work import Work

    Answers = Mapping[str, str]

NO_QUANTITY: Final = "none of these"
_ANY: Final = "any"
_WHOSE: Final = ("mine", "map", "carved")
_YES: Final = frozenset({"y", "yes"})
_NO: Final = frozenset({"", "n", "no"})
_LONGEST_NAME: Final = 200


# What the chosen field means


def description(meaning: Meaning) -> list[Asked]:
    """Ask what a field means."""
    at = meaning.at
    value = "" if at.multiplexor is None else _ANY if at.multiplexor.value is None else str(at.multiplexor.value)
    return [
        Asked("name", "name", meaning.name, "empty: quantity and place give one"),
        Asked("place", "place", place_text(meaning.place), "m4 c11, s2, positive; empty: the whole pack"),
        Asked("scale", "scale", f"{meaning.scale:.10g}", "0.001, or 5/4096"),
        Asked("offset", "offset", f"{meaning.offset:.10g}", "-40"),
        Asked("unit", "unit", meaning.unit, "V, A, %, degC, kohm, kPa, kW"),
        Asked("labels", "words for raw values", labels_text(meaning.labels), "0=open, 1=closed"),
        Asked("under", "multiplexor's value", value, "empty: in every payload; any: under each value"),
    ]


def described(work: Work, answers: Answers, selector: Selector | None) -> Work:
    """Give the work with what was answered. `selector`: the multiplexor that the field may stand under.

    Raises `UsageError`.
    """
    meaning = work.meaning
    if meaning is None:
        raise UsageError("no field of yours is chosen")
    name = answers["name"]
    if len(name) > _LONGEST_NAME:
        raise UsageError(f"the name has more than {_LONGEST_NAME} characters")
    scale = _number(answers["scale"], "scale")
    if scale == 0:
        raise UsageError("the scale is 0: every value would be the same", expected="a number such as 0.001")
    at = replace(meaning.at, multiplexor=_under(answers["under"], selector))
    if at != meaning.at and any(one.at == at for one in work.meanings):
        raise UsageError("there is a field of yours at this place already")
    return edits.described(
        work,
        at=at,
        name=name,
        place=place_from_text(answers["place"]),
        scale=scale,
        offset=_number(answers["offset"], "offset"),
        unit=answers["unit"],
        labels=labels_from_text(answers["labels"]),
    )


def labels_text(labels: Mapping[int, str]) -> str:
    """Write words for raw values so that they can be typed again."""
    return ", ".join(f"{raw}={word}" for raw, word in sorted(labels.items()))


def labels_from_text(text: str) -> Mapping[int, str]:
    """Read words for raw values such as ``0=open, 1=closed``. Raises `UsageError`."""
    labels = {}
    for part in filter(None, (one.strip() for one in text.split(","))):
        raw, equals, word = part.partition("=")
        if not equals or not word.strip() or not re.fullmatch(r"\s*-?\d{1,18}\s*", raw, re.ASCII):
            raise UsageError(f"'{printable(part, 40)}' is no word for a raw value", expected="0=open, 1=closed")
        labels[int(raw)] = word.strip()
    return labels


def _under(text: str, selector: Selector | None) -> Selector | None:
    if not text:
        return None
    if selector is None:
        raise UsageError(
            "the payload has no multiplexor that is known", advice="choose the field that is one and press j first"
        )
    if text.lower() == _ANY:
        return replace(selector, value=None)
    values = values_from_text(text, selector)
    if len(values) != 1:
        raise UsageError(f"'{printable(text, 40)}' is not one value", expected="a number such as 3")
    return replace(selector, value=values[0])


def _number(text: str, what: str) -> float:
    """Read a number, or one divided by another. Raises `UsageError`."""
    parts = text.replace(",", ".").split("/")
    try:
        value = float(parts[0]) / (float(parts[1]) if len(parts) > 1 else 1.0)
    except (ValueError, ZeroDivisionError):
        value = math.nan
    if len(parts) > 2 or not math.isfinite(value):
        raise UsageError(f"the {what} '{printable(text, 40)}' is no number", expected="0.001, -40 or 5/4096")
    return value


def quantity_choices(work: Work) -> tuple[list[Choice], int]:
    """Give the quantities to choose from, and which one is chosen now."""
    choices = [Choice(f"{row.name}{f', {row.unit}' if row.unit else ''}", row.page) for row in QUANTITIES]
    choices.append(Choice(NO_QUANTITY))
    names = [row.name for row in QUANTITIES]
    now = work.meaning.quantity if work.meaning is not None else None
    return choices, names.index(now) if now in names else 0


def quantity_at(number: int) -> str | None:
    """Give the quantity that was chosen."""
    return QUANTITIES[number].name if number < len(QUANTITIES) else None


def multiplexor_of(fields: Sequence[ListedField]) -> Selector | None:
    """Give the multiplexor of a stream, under its value 0; of several the user's own, ``None`` where none is known."""
    for one in sorted(fields, key=lambda one: _WHOSE.index(one.whose)):
        if one.meaning.multiplexor:
            field = replace(one.at.field, signed=False)
            return Selector(field, 0, one.at.multiplexor)
    return None


# A series


def series_questions(bench: Bench, meaning: Meaning) -> list[Asked]:
    """Ask how a field is repeated; what is likely stands there already."""
    key, at = meaning.at.stream, meaning.at
    every = at.field.length
    width = bench.width_of(key)
    keys = streams_like(key, bench.by_key) if at.multiplexor is None else (key,)
    values = values_seen(bench.seen(key), at.multiplexor)
    streams = key_text(keys[0]) if len(keys) == 1 else f"{key_text(keys[0])}-{key_text(keys[-1])}"
    words = "answers that begin" if key.carrier is not None else "identifiers"
    return [
        Asked("place", "place of the first", place_text(meaning.place), "m1 c1"),
        Asked("every", "every so many bits", str(every)),
        Asked("count", "how many in a payload", str(room_for(meaning, every, width, bench.fields(key)))),
        Asked("streams", words, streams, "310-31A, or 310,312"),
        Asked("values", "multiplexor's values", values_text(values), "0-14" if at.multiplexor else "stands under none"),
        Asked("module", "how many a module", "", "14; empty: modules are not known"),
        Asked("anew", "each module begins anew", "no", "yes: its first begins a payload"),
        Asked("most", "how many at most", "", "84; empty: all there is room for"),
    ]


def with_series(work: Work, bench: Bench, answers: Answers) -> tuple[Work, str]:
    """Give the work with the series in place of the chosen field, and what it is in words. Raises `UsageError`."""
    if work.meaning is None:
        raise UsageError("no field of yours is chosen")
    first = replace(work.meaning, place=place_from_text(answers["place"]))
    how = Repeat(
        every_bits=_count(answers["every"], "distance in bits"),
        in_payload=_count(answers["count"], "number in a payload"),
        keys=keys_from_text(answers["streams"], first.at.stream, bench.keys),
        values=values_from_text(answers["values"], first.at.multiplexor),
        module_size=_count(answers["module"], "number in a module") if answers["module"] else None,
        module_begins_anew=_yes(answers["anew"]),
        most=_count(answers["most"], "number at most") if answers["most"] else None,
    )
    members = repeated(first, how, {key: bench.width_of(key) for key in bench.keys})
    shown = [members[0], members[-1]] if len(members) > 1 else [members[0]]
    ends = " … ".join(_member_words(one) for one in shown)
    left = edits.deleted(work)
    return edits.with_all(left, members), f"{len(members)} field{'s' * (len(members) != 1)}: {ends}"


def _member_words(one: Meaning) -> str:
    what = one.name or (place_words(one.place) if one.place.module or one.place.cell or one.place.sensor else "field")
    return f"{key_text(one.at.stream)} {_field_words(one.at)} is {printable(what, 30)}"


def _field_words(at: FieldAt) -> str:
    return f"{field_text(at.field)} {under_text(at.multiplexor)}".rstrip()


def _count(text: str, what: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 100_000:
        raise UsageError(f"the {what} '{printable(text, 40)}' is no count", expected="a whole number from 1 on")
    return int(text)


def _yes(text: str) -> bool:
    answer = text.strip().lower()
    if answer not in _YES | _NO:
        raise UsageError(f"'{printable(text, 40)}' is neither yes nor no", expected="yes or no")
    return answer in _YES


# Streams and candidates


def stream_choices(bench: Bench) -> tuple[list[StreamKey], list[Choice]]:
    """Give the streams, those with the most unexplained changes first, and how many they are."""
    keys = sorted(bench.keys, key=lambda key: -bench.unexplained(key))
    own = Counter(one.at.stream for one in bench.work.meanings)

    count = max((len(f"{bench.unexplained(key):,}") for key in keys), default=1)

    def words(key: StreamKey) -> str:
        yours = f" · {own[key]} of yours" if own[key] else ""
        return f"{bench.unexplained(key):>{count},}  {stream_words(bench, key)}{yours}"

    return keys, [Choice(words(key)) for key in keys]


def match_choices(matches: Sequence[Match]) -> list[Choice]:
    """Give the candidates for a reading, the likeliest first."""
    return [Choice(_match_words(one)) for one in matches]


def _match_words(one: Match) -> str:
    at = one.at
    same = f" · {len(one.same_as)} the same" if one.same_as else ""
    offset = f" {one.offset:+.6g}" if one.offset else ""
    carrier = f" {carrier_text(at.stream.carrier)}" if at.stream.carrier is not None else ""
    number = f"{at.stream.can_id:0{8 if at.stream.extended else 3}X}"
    place = f"{number}{carrier} {field_text(at.field)} {under_text(at.multiplexor)}".rstrip()
    quantity = f" {one.quantity}" if one.quantity else ""
    return (
        f"{100 * one.likelihood:5.1f} %  {place} · ×{one.scale:.6g}{offset}{quantity} · off by {one.residual:.2g}{same}"
    )


def meaning_in_words(work: Work) -> str:
    """Say what the chosen field means."""
    return "" if work.meaning is None else meaning_words(work.meaning)
