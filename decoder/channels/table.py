"""Channels as pandas tables: long (a row a sample) and wide (a row a time step)."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decoder.channels.series import Channels, Series, State
from decoder.channels.states import stale_at
from decoder.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.maps.signal_map import Signal

COLUMNS = ("time_s", "bus", "id", "message", "channel", "raw", "value", "unit", "state")
_STATE_WORDS = [state.word for state in State]
# Steps of a resolution with more decimals than this are not rounded to: the scale is no round number.
_MOST_DECIMALS = 9
# Rows of a wide table; a wrong stamp can make a capture last for years.
_MOST_STEPS = 10_000_000


def long_table(channels: Channels, first_ns: int | None = None) -> pd.DataFrame:
    """Give one row a sample, in the order of the capture.

    time_s : float64, seconds from the capture's first frame (or from `first_ns`)
    raw : int64; uint64 or object where a channel needs it
    value : float64, NaN where absent; object where a channel holds integers beyond 53 bits
    bus, id, message, channel, unit, state : categories; id in hex without prefix
    """
    series = [one for one in channels.values() if len(one)]
    if not series:
        return pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})
    counts = [len(one) for one in series]
    rows = np.concatenate([one.rows for one in series])
    order = np.argsort(rows, kind="stable")
    which = np.repeat(np.arange(len(series)), counts)[order]
    zero = channels.first_ns if first_ns is None else first_ns
    time_ns = np.concatenate([one.time_ns for one in series])[order] - zero
    return pd.DataFrame(
        {
            "time_s": time_ns / 1e9,
            "bus": _category([one.channel.bus for one in series], which),
            "id": _category([identifier_text(one) for one in series], which),
            "message": _category([one.channel.message.name for one in series], which),
            "channel": _category([one.channel.name for one in series], which),
            "raw": _joined([one.raw for one in series])[order],
            "value": _joined([rounded(one.channel.signal, one.value) for one in series])[order],
            "unit": _category([one.channel.unit for one in series], which),
            "state": _category(_STATE_WORDS, np.concatenate([one.state for one in series])[order]),
        }
    )


def identifier_text(series: Series) -> str:
    """Give the identifier in hex, as in a candump log: three digits, or eight for 29 bits."""
    channel = series.channel
    return f"{channel.can_id:08X}" if channel.message.extended else f"{channel.can_id:03X}"


def _category(words: Sequence[str], which: NDArray[Any]) -> pd.Categorical[str]:
    distinct = list(dict.fromkeys(words))
    numbers = {word: number for number, word in enumerate(distinct)}
    codes = np.array([numbers[word] for word in words], np.intp)
    return pd.Categorical(distinct, categories=distinct).take(codes[which])


def _joined(columns: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Join columns without losing a digit: object where neither int64, uint64 nor float64 holds them all."""
    kinds = {column.dtype for column in columns}
    if np.dtype(np.uint64) in kinds and len(kinds) > 1:
        columns = [_signed_if_small(column) for column in columns]
        kinds = {column.dtype for column in columns}
    if len(kinds) == 1:
        return np.concatenate(columns)
    if kinds == {np.dtype(np.int64), np.dtype(np.float64)} and all(_fits_float(column) for column in columns):
        return np.concatenate([column.astype(np.float64) for column in columns])
    return np.concatenate([column.astype(object) for column in columns])


def _signed_if_small(column: NDArray[Any]) -> NDArray[Any]:
    small = column.dtype == np.uint64 and (not len(column) or int(column.max()) < 1 << 63)
    return column.astype(np.int64) if small else column


def _fits_float(column: NDArray[Any]) -> bool:
    return column.dtype == np.float64 or not len(column) or bool(np.abs(column).max() <= 1 << 53)


def rounded(signal: Signal, value: NDArray[Any]) -> NDArray[Any]:
    """Round to the decimals that scale and offset have, so that 3651 * 0.001 is written 3.651."""
    places = decimals(signal)
    if value.dtype != np.float64 or places is None:
        return value
    return np.round(value, places)


def decimals(signal: Signal) -> int | None:
    """Give the decimals that values of a signal have; ``None`` if they are not few, or it is a float signal."""
    if signal.is_float:
        return None
    numbers = [Decimal(repr(number)) for number in (signal.scale, signal.offset)]
    if not all(number.is_finite() for number in numbers):
        return None
    places = max(-int(number.normalize().as_tuple().exponent) for number in numbers)
    return max(places, 0) if places <= _MOST_DECIMALS else None


def wide_table(channels: Channels, every_s: float) -> pd.DataFrame:
    """Give one row a time step of `every_s` seconds: each channel's latest value, empty where absent or stale.

    The first column is time_s, the others are named ``channel [unit]``. Raises `UsageError` for a step that is not
    positive or gives more than ten million rows.
    """
    step_ns = time_step_ns(channels.first_ns, channels.last_ns, every_s)
    at_ns = np.arange(channels.first_ns, channels.last_ns + 1, step_ns) if len(channels.frames) else np.empty(0, int)
    columns: dict[str, NDArray[Any]] = {"time_s": (at_ns - channels.first_ns) / 1e9}
    # Where the capture's clock jumps back, a row holds what came latest.
    clock_ns = np.maximum.accumulate(channels.frames.time_ns) if len(channels.frames) else channels.frames.time_ns
    for name, series in channels.items():
        if len(series):
            unit = series.channel.unit
            latest = replace(series, time_ns=clock_ns[series.rows])
            columns[f"{name} [{unit}]" if unit else name] = held(latest, at_ns)
    return pd.DataFrame(columns)


def time_step_ns(first_ns: int, last_ns: int, every_s: float) -> int:
    """Give the time step of a wide table. Raises `UsageError` if not positive, or if it gives too many rows."""
    if not (math.isfinite(every_s) and every_s > 0):
        raise UsageError(f"the time step must be more than 0 s, not {every_s:g}", advice="try --every 0.1")
    step_ns = max(round(every_s * 1e9), 1)
    steps = (last_ns - first_ns) // step_ns + 1
    if steps > _MOST_STEPS:
        raise UsageError(f"{steps} time steps are too many", advice="take a larger --every, or a range of time")
    return step_ns


def held(series: Series, at_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the latest value at each time, NaN before the first sample, where absent, and where stale."""
    index = np.searchsorted(series.rising_ns, at_ns, side="right") - 1
    number = np.asarray(rounded(series.channel.signal, series.number), np.float64)
    value = np.where(index >= 0, number[np.maximum(index, 0)], np.nan)
    value[stale_at(series, np.maximum(index, 0), at_ns)] = np.nan
    return value
