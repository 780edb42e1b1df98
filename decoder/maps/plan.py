"""How a message is taken apart: its signals as columns, for all of its frames at once.

A plan walks the tree of multiplexors once a message, not once a frame: plain signals are cut from all rows, the
signals of a page from the rows that carry this page. The values equal those of cantools to the last bit: integers
stay integers while scale and offset are whole, everything else is ``raw * scale + offset`` in double precision.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from decoder import bits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.maps.signal_map import Message, Signal

    Column = NDArray[Any]

_INT64 = range(-(1 << 63), 1 << 63)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The raw values of one signal: int64 or uint64, one for each of `rows` (positions among the message's frames).

    `rows` is shared between signals that were cut from the same frames.
    """

    signal: Signal
    rows: NDArray[np.intp]
    raw: Column


@dataclass(slots=True)
class Pages:
    """Multiplexor values for which the map has no page: name of the multiplexor -> value -> frames."""

    unknown: dict[str, Counter[int]] = field(default_factory=dict)


def extract(
    message: Message, data: NDArray[np.uint8], length: NDArray[np.integer[Any]], pages: Pages | None = None
) -> list[Samples]:
    """Cut every signal of `message` from its frames, in the order of the map.

    Parameters
    ----------
    message : what the map says
    data : payloads, n x width; width at least the longest frame
    length : payload bytes of each frame; a signal that leaves a frame has no sample there
    pages : takes the count of multiplexor values that the map does not know
    """
    rows = np.arange(len(data))
    found = {id(samples.signal): samples for samples in _cut(message, None, data, length, rows, pages)}
    return [found.get(id(signal)) or _none(signal) for signal in message.signals]


def _cut(
    message: Message,
    within: tuple[Signal, tuple[tuple[int, int], ...]] | None,
    data: NDArray[np.uint8],
    length: NDArray[np.integer[Any]],
    rows: NDArray[np.intp],
    pages: Pages | None,
) -> Iterator[Samples]:
    """Cut the signals that stand directly under `within` (a multiplexor and a page of it), then those below them."""
    payloads = bits.Payloads(data)
    shortest = int(length.min()) if len(length) else 0
    fitting: dict[int, tuple[NDArray[np.intp], Any]] = {}  # by last byte, so that signals share their rows
    for signal in message.signals:
        if not _stands_under(signal, within):
            continue
        last = signal.field.last_byte
        if last >= data.shape[1]:
            continue
        raw = payloads.field(signal.field)
        if last < shortest:
            samples = Samples(signal, rows, raw)
        else:
            if last not in fitting:
                fits = length > last
                fitting[last] = (rows[fits], fits)
            kept_rows, fits = fitting[last]
            samples = Samples(signal, kept_rows, raw[fits])
        yield samples
        if signal.is_multiplexor:
            mask = None if last < shortest else length > last
            yield from _cut_pages(message, samples, data, length, mask, pages)


def _cut_pages(
    message: Message,
    selector: Samples,
    data: NDArray[np.uint8],
    length: NDArray[np.integer[Any]],
    fits: NDArray[np.bool_] | None,
    pages: Pages | None,
) -> Iterator[Samples]:
    """Cut what the values of one multiplexor bring, page by page."""
    children = [s for s in message.signals if s.page is not None and s.page.multiplexor == selector.signal.name]
    if not children:
        return
    if fits is not None:
        data, length = data[fits], length[fits]
    known = np.zeros(len(data), np.bool_)
    for values in dict.fromkeys(child.page.values for child in children if child.page):
        carries = np.zeros(len(data), np.bool_)
        for low, high in values:
            carries |= selector.raw == low if low == high else (selector.raw >= low) & (selector.raw <= high)
        known |= carries
        on_page = np.flatnonzero(carries)
        if len(on_page):
            yield from _cut(
                message, (selector.signal, values), data[on_page], length[on_page], selector.rows[on_page], pages
            )
    if pages is not None and not known.all():
        values_seen, counts = np.unique(selector.raw[~known], return_counts=True)
        counter = pages.unknown.setdefault(selector.signal.name, Counter())
        counter.update(dict(zip(values_seen.tolist(), counts.tolist(), strict=True)))


def _stands_under(signal: Signal, within: tuple[Signal, tuple[tuple[int, int], ...]] | None) -> bool:
    if within is None:
        return signal.page is None
    selector, values = within
    return signal.page is not None and signal.page.multiplexor == selector.name and signal.page.values == values


def _none(signal: Signal) -> Samples:
    return Samples(signal, np.empty(0, np.intp), np.empty(0, np.int64))


def values(signal: Signal, raw: Column) -> Column:
    """Turn raw values into values with a unit: int64, uint64, float64, or Python integers where 64 bits overflow.

    The order of the operations is that of Python's ``raw * scale + offset``, so that the last bit is the same too.
    """
    scale, offset = signal.scale, signal.offset
    if signal.is_float:
        number = bits.as_float(raw, signal.field.length)
        if scale == 1 and offset == 0:
            return number
        with np.errstate(over="ignore", invalid="ignore"):  # as in Python, a product that is too large is infinite
            return number * scale + offset
    if scale == 1 and offset == 0:
        return raw
    if float(scale).is_integer() and float(offset).is_integer():
        return _whole(raw, int(scale), int(offset), signal)
    if isinstance(scale, int):
        return _whole(raw, scale, 0, signal).astype(np.float64) + offset
    return raw * float(scale) + offset


def _whole(raw: Column, scale: int, offset: int, signal: Signal) -> Column:
    """Scale without leaving the integers, in Python's own where 64 bits are too few."""
    low, high = bits.raw_range(signal.field)
    products = [low * scale, high * scale]
    if raw.dtype == np.int64 and all(p in _INT64 and p + offset in _INT64 for p in products):
        return raw * scale + offset
    return raw.astype(object) * scale + offset
