"""Frames whose checksum or CRC does not hold.

How a check is calculated is found from the frames; where too many fail for that, the form that the pack sheet names is
tried, then the known ones. The constant of a check is always that which most frames have.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.streams import carried, streams_of
from decoder.discovery.checks import find_checks
from decoder.discovery.checks.evidence import held
from decoder.discovery.checks.kernels import Kernel, named_crcs
from decoder.discovery.checks.relation import CrcRule, LinearRule, Relation, Rule, SumRule, groups, residual
from decoder.discovery.checks.sample import take_sample
from decoder.judgement.finding import Finding, Severity
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.channels import Channels, Series
    from decoder.channels.streams import Carried
    from decoder.discovery.checks import Check
    from decoder.discovery.checks.evidence import Found
    from decoder.discovery.checks.relation import Parts, SumKind

# So many percent of an identifier's frames failing, if so many fail at all. Common practice, no source.
GRAVE_PERCENT: Final = 0.1
_FEWEST_FAILED: Final = 3
# A form that is tried holds in so many frames and so many different ones. Common practice, no source.
_HOLDS: Final = 0.5
_FEWEST_DIFFERENT: Final = 8
_REPEATED: Final = 3
# Of scattered failures no more than this share follow another one. Common practice, no source.
_IN_A_ROW: Final = 0.5
# Of very many payloads so many stretches of so many are searched; then all are checked, so many at once.
_STRETCHES: Final = 8
_STRETCH: Final = 500
_AT_ONCE: Final = 100_000
_PARTS: Final[tuple[Parts, ...]] = ("bytes", "nibbles")
_SIGNS: Final[tuple[SumKind, ...]] = ("plus", "minus")


@dataclass(frozen=True, slots=True, eq=False)
class Failed:
    """form : in words; time_ns : int64, of all n payloads; fails : bool, n."""

    form: str
    time_ns: NDArray[np.int64]
    fails: NDArray[np.bool_]


def check_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each check of the map; reasons for not judging go to `not_judged`."""
    checks = channels.of("check")
    if not checks:
        not_judged["check-failed"] = "no check in the map"
    payloads = _payloads(channels)
    for series in checks:
        one = payloads.get(_stream_of(series))
        failed = None if one is None else failed_checks(series, one)
        if failed is None:
            name = printable(series.channel.name)
            not_judged["check-failed"] = f"how {name} is calculated is not known, and its frames do not tell"
        elif failed.fails.any():
            yield _finding(series, failed)


def _payloads(channels: Channels) -> dict[tuple[str, int, int | None], Carried]:
    """Give the payloads of the messages that have a check."""
    wanted = {_stream_of(one) for one in channels.of("check")}
    frames = channels.frames
    streams = streams_of(frames.rows_of, frames.bus_names, channels.signal_map, channels.assembled)
    named = {(one.bus, id(one.message), one.address): one for one in streams}
    return {key: carried(frames, one, channels.assembled) for key, one in named.items() if key in wanted}


def _stream_of(series: Series) -> tuple[str, int, int | None]:
    channel = series.channel
    return channel.bus, id(channel.message), channel.source_address


def failed_checks(series: Series, payloads: Carried) -> Failed | None:
    """Tell in which payloads a check fails; ``None`` where nothing tells how it is calculated."""
    field = series.channel.signal.field
    here = np.isin(payloads.rows, series.rows)  # those of its page
    usual = int(np.median(payloads.length[here])) if here.any() else 0
    here &= payloads.length == usual
    data = np.ascontiguousarray(payloads.data[here][:, :usual])
    if usual <= field.last_byte or usual < 2 or len(data) < _FEWEST_DIFFERENT:
        return None
    time_ns = payloads.time_ns[here]
    some = _some(data)
    form = series.channel.role.form
    check = _found(some, field, series.channel.can_id)
    fails = None if check is None or len(some) == len(data) else _by_sample(data, some, check)
    if fails is None and len(some) < len(data):
        check = _found(data, field, series.channel.can_id)
    if fails is None and check is not None:
        fails = np.zeros(len(data), np.bool_)
        fails[list(check.damaged)] = True
    if check is not None and fails is not None and (check.proved or _is_named(form, check) or _are_scattered(fails)):
        return Failed(check.form, time_ns, fails)
    tried = _tried(some, data, field, form)
    if tried is None or not (form is not None or _are_scattered(tried[1])):
        return None
    return Failed(tried[0], time_ns, tried[1])


def _is_named(form: str | None, check: Check) -> bool:
    return form is not None and form.lower() == check.form.lower()


def _are_scattered(fails: NDArray[np.bool_]) -> bool:
    """Tell whether failures stand alone: those in a row are rather of a state that a doubtful form does not fit."""
    return int(np.count_nonzero(fails[1:] & fails[:-1])) <= _IN_A_ROW * int(np.count_nonzero(fails))


def _some(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give all payloads, or of very many some stretches spread over them."""
    if len(data) <= _STRETCHES * _STRETCH:
        return data
    begins = np.linspace(0, len(data) - _STRETCH, _STRETCHES).astype(np.intp)
    return np.take(data, (begins[:, None] + np.arange(_STRETCH)).ravel(), axis=0)


def _found(data: NDArray[np.uint8], field: Field, can_id: int) -> Check | None:
    bits = set(field.bit_numbers())
    return next((one for one in find_checks(data, can_id) if set(one.field.bit_numbers()) == bits), None)


def _by_sample(data: NDArray[np.uint8], some: NDArray[np.uint8], check: Check) -> NDArray[np.bool_] | None:
    """Tell where a check fails that was found in some of the payloads; ``None`` if that needs all of them."""
    sample = take_sample(some)
    for rule in _rules_of(check):
        found = held(sample, Relation(check.field, check.covers, rule, check.parameters.counter), _HOLDS)
        if found is not None and found.holds == check.holds:
            return _fails(data, found)
    return None


def _rules_of(check: Check) -> Iterator[Rule]:
    """Give the rules that a check may follow; one whose constants hang on the rest of a payload has none here."""
    known = check.parameters
    if known.taps:
        yield LinearRule(known.taps)
    elif known.polynomial is None or known.reflected is None:
        yield from _sums(known.width)
    elif known.bits is None:
        kernel = Kernel(known.width, known.polynomial, known.reflected)
        yield CrcRule(kernel, len(known.hidden_behind), known.zeroed)


def _fails(data: NDArray[np.uint8], found: Found) -> NDArray[np.bool_]:
    """Tell in which payloads a relation does not hold with the constants that were found."""
    fails = np.zeros(len(data), np.bool_)
    for begin in range(0, len(data), _AT_ONCE):
        sample = take_sample(data[begin : begin + _AT_ONCE])
        left, group = residual(sample, found.relation), groups(sample, found.relation)
        wrong = np.zeros(len(left), np.bool_)
        for number, constant in found.constants.items():
            wrong |= (group == number) & (left != constant)
        fails[begin : begin + _AT_ONCE] = wrong[sample.inverse]
    return fails


def _tried(
    some: NDArray[np.uint8], data: NDArray[np.uint8], field: Field, form: str | None
) -> tuple[str, NDArray[np.bool_]] | None:
    """Try known forms over all other bytes: the one that holds most often, and where it does not."""
    sample = take_sample(some)
    covers = tuple(byte for byte in range(data.shape[1]) if not field.first_byte <= byte <= field.last_byte)
    best = None
    for name, rule in _forms(field, form):
        found = held(sample, Relation(field, covers, rule), _HOLDS)
        if found is None or not _holds_for_most(sample.counts, found.agrees):
            continue
        if best is None or found.holds > best[1].holds:
            best = name, found
    return None if best is None else (best[0], _fails(data, best[1]))


def _holds_for_most(counts: NDArray[np.intp], agrees: NDArray[np.bool_]) -> bool:
    """Tell whether a form holds for most different payloads: of those that repeat, since damaged ones seldom do.

    One payload that is sent nearly always would make any form hold.
    """
    repeat = counts >= _REPEATED
    usual = repeat if np.count_nonzero(repeat) >= _FEWEST_DIFFERENT else np.ones_like(repeat)
    held_by = int(np.count_nonzero(agrees & usual))
    return held_by >= max(_FEWEST_DIFFERENT, _HOLDS * np.count_nonzero(usual))


def _forms(field: Field, form: str | None) -> Iterator[tuple[str, Rule]]:
    width = field.length
    if width % 8 or width > 64:
        return
    for row in named_crcs(width):
        if form is None or row.name.lower() == form.lower():
            yield row.name, CrcRule(row.kernel, behind=0)
            yield f"{row.name} with a hidden byte behind", CrcRule(row.kernel, behind=1)
    if form is None or "crc" not in form.lower():
        for rule in _sums(width):
            yield f"{rule.kind} over {rule.parts}, modulo {rule.modulus}", rule


def _sums(width: int) -> Iterator[SumRule]:
    for parts in _PARTS:
        yield SumRule("exclusive or", parts, 1 << width)
        for kind in _SIGNS:
            yield SumRule(kind, parts, 1 << width)
            yield SumRule(kind, parts, (1 << width) - 1)


def _finding(series: Series, failed: Failed) -> Finding:
    channel = series.channel
    where = np.flatnonzero(failed.fails)
    percent = 100 * len(where) / len(failed.fails)
    grave = percent >= GRAVE_PERCENT and len(where) >= _FEWEST_FAILED
    return Finding(
        code="check-failed",
        severity=Severity.CAUTION if grave else Severity.NOTICE,
        place=Place(),
        value=percent,
        limit=GRAVE_PERCENT,
        unit="%",
        from_ns=int(failed.time_ns[where].min()),
        to_ns=int(failed.time_ns[where].max()),
        worst_ns=int(failed.time_ns[where[0]]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} ({printable(failed.form, 60)}) does not hold in {len(where):,} of "
            f"{len(failed.fails):,} payloads of {printable(channel.message.name)} ({channel.can_id:X}). Their values "
            "are not to be trusted: the sender, a gateway or the recorder damaged them"
        ),
        source="check of the payload; limit: common practice, no source",
    )
