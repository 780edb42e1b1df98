"""Writing decoded blocks as CSV or Parquet.

CSV: UTF-8, LF, comma; times with 9 decimals; values rounded to the decimals of their scale; empty where absent.
Parquet: the same columns; a wide table keeps the unit of each channel in its field's metadata too.
"""

from __future__ import annotations

import fnmatch
import sys
from dataclasses import replace
from decimal import Decimal
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decoder.atomic import replacing
from decoder.bits import MAX_FIELD_BITS
from decoder.channels.table import COLUMNS, held, long_table, time_step_ns
from decoder.errors import OutputError, UsageError, Where

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from decoder.channels.blocks import Learned
    from decoder.channels.series import Channel, Channels, Series

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
    wide = every_s is not None
    if every_s is None:
        tables = _long_tables(parts, learned, wanted, labels=labels)
    else:
        step_ns = time_step_ns(learned.first_ns, learned.last_ns, every_s)
        tables = _wide_tables(parts, learned, wanted, step_ns)
    if out is None:
        return _write_csv(tables, sys.stdout)
    with replacing(out) as temporary:
        if out.suffix.lower() == ".parquet":
            return _write_parquet(tables, temporary, learned, wanted, wide=wide)
        with temporary.open("w", encoding="utf-8", newline="") as file:
            return _write_csv(tables, file)


def _long_tables(
    parts: Iterable[Channels], learned: Learned, wanted: Sequence[str], *, labels: bool
) -> Iterator[pd.DataFrame]:
    """Give a table for each block, the first one empty, so that there is a head in any case."""
    names = frozenset(wanted)
    columns = [*COLUMNS, "label"] if labels else list(COLUMNS)
    yield pd.DataFrame({name: pd.Series(dtype="object") for name in columns})
    for part in parts:
        kept = replace(part, series={name: one for name, one in part.series.items() if name in names})
        table = long_table(kept, learned.first_ns)
        if labels:
            table["label"] = _labels(table, learned.channels)
        if len(table):
            yield table


def _labels(table: pd.DataFrame, channels: Mapping[str, Channel]) -> list[str | None]:
    return [
        channels[name].signal.labels.get(int(raw)) for name, raw in zip(table["channel"], table["raw"], strict=True)
    ]


def _wide_tables(
    parts: Iterable[Channels], learned: Learned, wanted: Sequence[str], step_ns: int
) -> Iterator[pd.DataFrame]:
    """Give the rows before the end of each block; a channel's last sample before the block is carried into it.

    The rows at a block's very end wait for the next one: it may begin with a frame of the same time stamp.
    """
    next_ns = learned.first_ns
    carried: dict[str, Series] = {}
    clock_ns = learned.first_ns
    any_frames = False
    yield _wide_rows(np.empty(0, np.int64), learned, wanted, carried)
    for part in parts:
        if not len(part.frames):
            continue
        any_frames = True
        # Where the capture's clock jumps back, a row holds what came latest.
        time_ns = np.maximum.accumulate(np.maximum(part.frames.time_ns, clock_ns))
        clock_ns = int(time_ns[-1])
        for name in wanted:
            series = part.series.get(name)
            if series is not None and len(series):
                carried[name] = _after(carried.get(name), replace(series, time_ns=time_ns[series.rows]))
        for at_ns in _steps(next_ns, clock_ns, step_ns):
            yield _wide_rows(at_ns, learned, wanted, carried)
            next_ns = int(at_ns[-1]) + step_ns
        carried = {name: _last_of(series) for name, series in carried.items()}
    if any_frames:
        for at_ns in _steps(next_ns, learned.last_ns + 1, step_ns):
            yield _wide_rows(at_ns, learned, wanted, carried)


def _steps(from_ns: int, before_ns: int, step_ns: int) -> Iterator[NDArray[np.int64]]:
    """Give the time steps from `from_ns` on, in portions."""
    portion = step_ns * _STEPS_AT_ONCE
    for start_ns in range(from_ns, before_ns, portion):
        yield np.arange(start_ns, min(start_ns + portion, before_ns), step_ns)


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
        if "value" in table.columns:
            text["value"] = _value_text(table["value"].to_numpy())
        text.to_csv(file, index=False, header=number == 0, lineterminator="\n")
        rows += len(table)
    return rows


def _time_text(time_s: NDArray[np.float64]) -> list[str]:
    """Write times with 9 decimals; rows of one frame share the text."""
    distinct, where = np.unique(time_s, return_inverse=True)
    texts = [f"{value:.9f}" for value in distinct]
    return [texts[index] for index in where]


def _value_text(value: NDArray[Any]) -> NDArray[Any]:
    """Write whole numbers without decimals, whatever column type the other channels of a block ask for."""
    if value.dtype == np.float64:
        distinct, where = np.unique(value, return_inverse=True)
        return np.array([_number_text(one) for one in distinct.tolist()], object)[where]
    return np.array([_number_text(one) for one in value.tolist()], object)


def _number_text(number: float | None) -> str:
    if number is None or number != number:  # noqa: PLR0124  (not a number)
        return ""
    if number == 0:
        return "0"  # also for minus zero
    return repr(number).removesuffix(".0")


def _write_parquet(
    tables: Iterable[pd.DataFrame], path: Path, learned: Learned, wanted: Sequence[str], *, wide: bool
) -> int:
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
            if writer is None:
                schema = _wide_schema(pa, learned, wanted) if wide else _long_schema(pa, table, learned, wanted)
                writer = parquet.ParquetWriter(path, schema)
            writer.write_table(pa.Table.from_pandas(_plain(table, schema), schema=schema, preserve_index=False))
            rows += len(table)
    finally:
        if writer is not None:
            writer.close()
    return rows


def _plain(table: pd.DataFrame, schema: Any) -> pd.DataFrame:  # noqa: ANN401  (pyarrow has no types)
    """Give columns of the types that the schema has: text as text, raw exact, numbers as float64."""
    plain = table.copy()
    for field in schema:
        column = plain[field.name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            plain[field.name] = column.astype("object")
        elif str(field.type) == "double":
            plain[field.name] = pd.to_numeric(column.astype("float64"))
        elif str(field.type).startswith("decimal"):
            plain[field.name] = pd.Series([Decimal(int(raw)) for raw in column], dtype="object")
    return plain


def _long_schema(pa: Any, table: pd.DataFrame, learned: Learned, wanted: Sequence[str]) -> Any:  # noqa: ANN401
    """Give types that hold for every block: raw is a decimal if any channel needs 64 bits without sign."""
    fields = [learned.channels[name].signal.field for name in wanted]
    unsigned_64 = any(field.length == MAX_FIELD_BITS and not field.signed for field in fields)
    kinds = {
        "time_s": pa.float64(),
        "value": pa.float64(),
        "raw": pa.decimal128(20, 0) if unsigned_64 else pa.int64(),
    }
    return pa.schema([pa.field(name, kinds.get(name, pa.string())) for name in table.columns])


def _wide_schema(pa: Any, learned: Learned, wanted: Sequence[str]) -> Any:  # noqa: ANN401
    """Give a column a channel, its unit in the metadata too."""
    fields = [pa.field("time_s", pa.float64(), metadata={"unit": "s"})]
    for name in wanted:
        channel = learned.channels[name]
        unit = {"unit": channel.unit} if channel.unit else None
        fields.append(pa.field(_heading(channel), pa.float64(), metadata=unit))
    return pa.schema(fields)
