"""Writing decoded blocks as CSV or Parquet.

CSV: UTF-8, LF, comma; times with 9 decimals; values rounded to the decimals of their scale; empty where absent.
Parquet: the same columns; a wide table keeps the unit of each channel in its field's metadata too.
"""

from __future__ import annotations

import fnmatch
import sys
from dataclasses import replace
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decoder.atomic import replacing
from decoder.channels.table import held, long_table
from decoder.errors import OutputError, UsageError, Where

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from decoder.channels.blocks import Learned
    from decoder.channels.series import Channel, Channels, Series

_NANO = 1_000_000_000
# Rows of a wide table that are made at once.
_STEPS_AT_ONCE = 100_000


def chosen(channels: Mapping[str, Channel], patterns: Sequence[str]) -> list[str]:
    """Give the names that fit any of the patterns, all without one. Raises `UsageError` if none fits."""
    if not patterns:
        return list(channels)
    names = [name for name in channels if any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns)]
    if not names:
        some = ", ".join(list(channels)[:3])
        raise UsageError(
            f"no channel fits {' or '.join(patterns)}",
            expected=f"names such as {some}" if some else "a signal map that fits the capture",
        )
    return names


def write_table(
    parts: Iterable[Channels],
    learned: Learned,
    wanted: Sequence[str],
    out: Path | None,
    *,
    every_s: float | None = None,
    labels: bool = False,
) -> int:
    """Write a long table, or a wide one with a row every `every_s` seconds; give the count of rows.

    `out` ending in ``.parquet`` gives Parquet, anything else CSV; ``None`` is CSV on standard output.
    """
    if every_s is None:
        tables = _long_tables(parts, learned, wanted, labels=labels)
    else:
        tables = _wide_tables(parts, learned, wanted, every_s)
    if out is None:
        return _write_csv(tables, sys.stdout)
    with replacing(out) as temporary:
        if out.suffix.lower() == ".parquet":
            return _write_parquet(tables, temporary, _units(learned, wanted))
        with temporary.open("w", encoding="utf-8", newline="") as file:
            return _write_csv(tables, file)


def _long_tables(
    parts: Iterable[Channels], learned: Learned, wanted: Sequence[str], *, labels: bool
) -> Iterator[pd.DataFrame]:
    names = frozenset(wanted)
    for part in parts:
        kept = replace(part, series={name: one for name, one in part.series.items() if name in names})
        table = long_table(kept, learned.first_ns)
        if labels:
            table["label"] = _labels(table, learned.channels)
        yield table


def _labels(table: pd.DataFrame, channels: Mapping[str, Channel]) -> list[str | None]:
    return [
        channels[name].signal.labels.get(int(raw)) for name, raw in zip(table["channel"], table["raw"], strict=True)
    ]


def _wide_tables(
    parts: Iterable[Channels], learned: Learned, wanted: Sequence[str], every_s: float
) -> Iterator[pd.DataFrame]:
    """Give the rows whose time lies in each block; a channel's last sample before the block is carried into it."""
    step_ns = max(round(every_s * _NANO), 1)
    next_ns = learned.first_ns
    carried: dict[str, Series] = {}
    for part in parts:
        here = {name: _after(carried.get(name), part.series[name]) for name in wanted if name in part.series}
        carried.update({name: series for name, series in here.items() if len(series)})
        until_ns = min(int(part.frames.time_ns.max()), learned.last_ns) if len(part.frames) else next_ns - 1
        while next_ns <= until_ns:
            count = min((until_ns - next_ns) // step_ns + 1, _STEPS_AT_ONCE)
            at_ns = next_ns + np.arange(count) * step_ns
            yield _wide_rows(at_ns, learned, wanted, carried)
            next_ns = int(at_ns[-1]) + step_ns
        carried = {name: _last_of(series) for name, series in carried.items()}


def _wide_rows(
    at_ns: NDArray[np.int64], learned: Learned, wanted: Sequence[str], series: Mapping[str, Series]
) -> pd.DataFrame:
    columns: dict[str, NDArray[Any]] = {"time_s": (at_ns - learned.first_ns) / 1e9}
    for name in wanted:
        here = series.get(name)
        columns[_heading(learned.channels[name])] = np.full(len(at_ns), np.nan) if here is None else held(here, at_ns)
    return pd.DataFrame(columns)


def _heading(channel: Channel) -> str:
    return f"{channel.name} [{channel.unit}]" if channel.unit else channel.name


def _units(learned: Learned, wanted: Sequence[str]) -> dict[str, str]:
    return {_heading(learned.channels[name]): learned.channels[name].unit for name in wanted}


def _after(earlier: Series | None, series: Series) -> Series:
    """Put the carried sample before those of the block."""
    if earlier is None:
        return series
    return replace(
        series,
        time_ns=np.concatenate([earlier.time_ns, series.time_ns]),
        rows=np.concatenate([earlier.rows, series.rows]),
        raw=np.concatenate([earlier.raw, series.raw]),
        value=np.concatenate([earlier.number, series.number]),
        absent=None,
    )


def _last_of(series: Series) -> Series:
    end = slice(-1, None)
    return replace(
        series,
        time_ns=series.time_ns[end],
        rows=series.rows[end],
        raw=series.raw[end],
        value=series.number[end],
        absent=None,
    )


def _write_csv(tables: Iterable[pd.DataFrame], file: IO[str]) -> int:
    rows = 0
    for number, table in enumerate(tables):
        text = table.assign(time_s=_time_text(table["time_s"].to_numpy()))
        text.to_csv(file, index=False, header=number == 0, lineterminator="\n")
        rows += len(table)
    return rows


def _time_text(time_s: NDArray[np.float64]) -> list[str]:
    """Write times with 9 decimals; rows of one frame share the text."""
    distinct, where = np.unique(time_s, return_inverse=True)
    texts = [f"{value:.9f}" for value in distinct]
    return [texts[index] for index in where]


def _write_parquet(tables: Iterable[pd.DataFrame], path: Path, units: Mapping[str, str]) -> int:
    try:
        import pyarrow as pa  # noqa: PLC0415
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as error:
        raise OutputError(
            "Parquet needs pyarrow, which is not installed",
            where=Where(str(path)),
            advice="pip install 'cellglean[parquet]', or write CSV",
        ) from error
    rows = 0
    writer = None
    try:
        for table in tables:
            arrow = pa.Table.from_pandas(_plain(table), preserve_index=False)
            if writer is None:
                schema = _with_units(pa, arrow.schema, units)
                writer = parquet.ParquetWriter(path, schema)
            writer.write_table(arrow.cast(schema))
            rows += len(table)
    finally:
        if writer is not None:
            writer.close()
    return rows


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Give columns whose types are the same in every block: text as text, raw exact, value as float64."""
    plain = table.copy()
    for name in plain.columns:
        if isinstance(plain[name].dtype, pd.CategoricalDtype) or name == "label":
            plain[name] = plain[name].astype("str")
    if "raw" in plain.columns and "value" in plain.columns:
        from decimal import Decimal  # noqa: PLC0415

        if plain["raw"].dtype != np.int64:
            plain["raw"] = pd.Series([Decimal(int(raw)) for raw in plain["raw"]], dtype="object")
        plain["value"] = pd.to_numeric(plain["value"].astype("float64"))
    return plain


def _with_units(pa: Any, schema: Any, units: Mapping[str, str]) -> Any:  # noqa: ANN401  (pyarrow has no types)
    fields = [field.with_metadata({"unit": units[field.name]}) if units.get(field.name) else field for field in schema]
    return pa.schema(fields)
