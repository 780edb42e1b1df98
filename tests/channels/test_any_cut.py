"""However a capture is cut into blocks, every sample, every count and every written byte stays the same."""

import io
import struct
from collections import Counter
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.channels.blocks import decoded_blocks, learn
from decoder.channels.export import write_table
from decoder.channels.table import wide_table
from decoder.errors import UsageError
from decoder.frames import ERROR, REMOTE
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from tests.building import capture

MAP = SignalMap(
    (
        Message(
            "Heavy",
            0x10,
            extended=False,
            length=3,
            is_j1939=True,
            cycle_s=0.1,
            signals=(
                Signal("Temp_1_1", Field(0, 8), 0.4, 0, "degC"),
                Signal("Temp_2_1", Field(8, 8), 0.4, 0, "degC", labels={0: "not available"}),
                Signal("Temp_3_1", Field(16, 8), 0.4, 0, "degC"),
            ),
        ),
        Message(
            "Paged",
            0x20,
            extended=False,
            length=3,
            signals=(
                Signal("Page", Field(0, 8), is_multiplexor=True),
                Signal("Cell_1_1_V", Field(8, 16), 0.001, unit="V", page=Page("Page", ((0, 0),))),
                Signal("Cell_1_1_V", Field(8, 16), 0.001, unit="V", page=Page("Page", ((1, 1),))),
            ),
        ),
        Message(
            "Numbers",
            0x30,
            extended=False,
            length=8,
            signals=(
                Signal("Double", Field(0, 64), is_float=True),
                Signal("Big", Field(0, 64)),
                Signal("B", Field(0, 1)),
            ),
        ),
    )
)
SHEET = PackSheet(
    rules=(
        ChannelRule("Temp_3_1", absent=(7,)),
        ChannelRule("*Temp*", quantity="module temperature", high=60.0),
        ChannelRule("*Big", absent=(2**64 - 2, 3)),
    )
)
_HEAVY = st.tuples(st.just(0x10), st.lists(st.sampled_from([0, 7, 205, 206, 253, 254, 255]), max_size=4).map(bytes))
_PAGED = st.tuples(st.just(0x20), st.tuples(st.integers(0, 3), st.just(0xFF), st.sampled_from([14, 255])).map(bytes))
_NUMBERS = st.tuples(
    st.just(0x30),
    st.one_of(
        st.integers(0, 4).map(lambda n: n.to_bytes(8, "little")),
        st.integers(2**64 - 3, 2**64 - 1).map(lambda n: n.to_bytes(8, "little")),
        st.sampled_from([1.5, float("inf"), -1e300]).map(lambda x: struct.pack("<d", x)),
        st.just(bytes(12)),
    ),
)
_OTHER = st.tuples(st.just(0x77), st.just(b"\1"))


@st.composite
def cut_captures(draw, *, forward=False):
    rows = draw(st.lists(st.one_of(_HEAVY, _HEAVY, _PAGED, _NUMBERS, _OTHER), min_size=1, max_size=50))
    steps = [0.0, 0.1, 0.1, 1.0] if forward else [0.0, 0.1, 0.1, 1.0, -3.0]
    times = np.cumsum(draw(st.lists(st.sampled_from(steps), min_size=len(rows), max_size=len(rows)))) + 100
    made = [
        (time, can_id, payload, draw(st.sampled_from([0, 0, 0, 1])), draw(st.sampled_from([0] * 9 + [REMOTE, ERROR])))
        for time, (can_id, payload) in zip(times, rows, strict=True)
    ]
    cuts = sorted(draw(st.lists(st.integers(0, len(rows)), max_size=6)))
    frames = capture(made, ("can0", "can1"))
    return frames, [frames.take(slice(a, b)) for a, b in pairwise([0, *cuts, len(rows)])]


def joined(parts, name, what):
    found = [getattr(part[name], what) for part in parts if name in part]
    return [value for column in found for value in column.tolist()]


def alike(one, other):
    """Equal, or both empty: NaN, or None where a block has integers beyond 53 bits."""
    return one == other or {str(one), str(other)} <= {"None", "nan"}


@settings(max_examples=150)
@given(cut_captures())
def test_raw_value_and_state_are_those_of_the_whole(made):
    frames, blocks = made
    whole = decode(frames, MAP, SHEET)
    learned = learn(lambda: iter(blocks), MAP, SHEET)
    assert list(learned.channels) == list(whole)
    assert (learned.first_ns, learned.last_ns) == (whole.first_ns, whole.last_ns)
    parts = list(decoded_blocks(iter(blocks), MAP, SHEET, learned))
    assert len(parts) == len(blocks)
    for name, series in whole.items():
        assert joined(parts, name, "time_ns") == series.time_ns.tolist()
        assert joined(parts, name, "raw") == series.raw.tolist()
        assert joined(parts, name, "state") == series.state.tolist(), name
        ours, theirs = joined(parts, name, "value"), series.value.tolist()
        assert all(alike(a, b) for a, b in zip(ours, theirs, strict=True)), name
        assert {part[name].cycle_s for part in parts if name in part} <= {series.cycle_s}
        assert {part[name].stuck for part in parts if name in part} <= {series.stuck}


@settings(max_examples=60)
@given(cut_captures())
def test_the_counts_of_all_blocks_add_up_to_those_of_the_whole(made):
    frames, blocks = made
    whole = decode(frames, MAP, SHEET).account
    learned = learn(lambda: blocks, MAP, SHEET)
    parts = [part.account for part in decoded_blocks(blocks, MAP, SHEET, learned)]
    for name in ("frames", "decoded_frames", "remote_frames", "error_frames"):
        assert sum(getattr(part, name) for part in parts) == getattr(whole, name)
    for name in ("unknown_identifiers", "unknown_pages", "short_frames", "long_frames"):
        assert sum((Counter(getattr(part, name)) for part in parts), Counter()) == Counter(getattr(whole, name))


def csv_of(blocks, every_s=None):
    learned = learn(lambda: blocks, MAP, SHEET)
    file = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", file)
        parts = decoded_blocks(blocks, MAP, SHEET, learned)
        count = write_table(parts, learned, list(learned.channels), None, every_s=every_s)
    lines = file.getvalue().splitlines()
    assert len(lines) == count + 1
    return lines


@settings(max_examples=80)
@given(cut_captures())
def test_the_long_csv_is_the_same_text(made):
    frames, blocks = made
    assert csv_of(blocks) == csv_of([frames])


@settings(max_examples=80)
@given(cut_captures())
def test_the_wide_csv_is_the_same_text_also_with_equal_and_backward_stamps(made):
    frames, blocks = made
    assert csv_of(blocks, 0.1) == csv_of([frames], 0.1)
    assert len(csv_of(blocks, 0.1)) == len(wide_table(decode(frames, MAP, SHEET), 0.1)) + 1


def as_of(series, at_ns):
    """The latest value, the slow and obvious way."""
    earlier = [row for row, time in enumerate(series.time_ns.tolist()) if time <= at_ns]
    if not earlier or (series.cycle_s and at_ns - int(series.time_ns[earlier[-1]]) > series.cycle_s * 5e9):
        return np.nan
    return series.number[earlier[-1]]


@settings(max_examples=60)
@given(cut_captures(forward=True))
def test_a_wide_table_holds_the_latest_sample_up_to_each_moment(made):
    frames, _ = made
    whole = decode(frames, MAP, SHEET)
    table = wide_table(whole, 0.1)
    for name, series in whole.items():
        if len(series):
            heading = f"{name} [{series.channel.unit}]" if series.channel.unit else name
            expected = [as_of(series, whole.first_ns + step * 100_000_000) for step in range(len(table))]
            np.testing.assert_allclose(table[heading], expected, rtol=1e-12, atol=1e-9)


@settings(max_examples=25)
@given(cut_captures())
def test_parquet_holds_every_raw_value_exactly_in_any_cut(tmp_path_factory, made):
    parquet = pytest.importorskip("pyarrow.parquet")
    frames, blocks = made
    learned = learn(lambda: blocks, MAP, SHEET)
    path = tmp_path_factory.mktemp("parquet") / "a.parquet"
    write_table(decoded_blocks(blocks, MAP, SHEET, learned), learned, list(learned.channels), path)
    read = parquet.read_table(path)
    table = decode(frames, MAP, SHEET).to_pandas()
    assert [int(raw) for raw in read["raw"].to_pylist()] == [int(raw) for raw in table["raw"]]
    assert read["channel"].to_pylist() == table["channel"].tolist()
    assert read["state"].to_pylist() == table["state"].tolist()


def test_a_wide_parquet_file_keeps_the_units(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    frames = capture([(i / 10, 0x10, b"\1\2\3") for i in range(5)])
    learned = learn(lambda: [frames], MAP, SHEET)
    path = tmp_path / "a.parquet"
    write_table(decoded_blocks([frames], MAP, SHEET, learned), learned, ["Temp_1_1"], path, every_s=0.2)
    schema = parquet.read_schema(path)
    assert schema.names == ["time_s", "Temp_1_1 [degC]"]
    assert schema.field("Temp_1_1 [degC]").metadata[b"unit"] == b"degC"


@pytest.mark.parametrize("every_s", [None, 0.1])
def test_a_capture_without_a_known_frame_still_gives_a_table_with_a_head(tmp_path, every_s):
    parquet = pytest.importorskip("pyarrow.parquet")
    frames = capture([(0, 0x77, b"\1")])
    learned = learn(lambda: [frames.take(slice(0, 0)), frames], MAP, None)
    parts = list(decoded_blocks([frames.take(slice(0, 0)), frames], MAP, None, learned))
    assert len(parts) == 2
    for name in ("a.csv", "a.parquet"):
        write_table(parts, learned, [], tmp_path / name, every_s=every_s)
    assert (tmp_path / "a.csv").read_text("utf-8").startswith("time_s")
    assert parquet.read_table(tmp_path / "a.parquet").column_names[0] == "time_s"


def test_labels_stand_beside_raw_values():
    frames = capture([(0, 0x10, b"\0\0\0"), (0.1, 0x10, b"\1\1\1")])
    learned = learn(lambda: [frames], MAP, None)
    file = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", file)
        write_table(decoded_blocks([frames], MAP, None, learned), learned, ["Temp_2_1"], None, labels=True)
    assert [line.rsplit(",", 1)[1] for line in file.getvalue().splitlines()] == ["label", "not available", ""]


def test_an_interrupted_table_leaves_the_old_file_and_nothing_else(tmp_path):
    frames = capture([(i / 10, 0x10, b"\1\2\3") for i in range(5)])
    learned = learn(lambda: [frames], MAP, SHEET)
    path = tmp_path / "a.csv"
    path.write_text("old", "utf-8")

    def interrupted():
        yield from decoded_blocks([frames], MAP, SHEET, learned)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_table(interrupted(), learned, list(learned.channels), path)
    assert [p.read_text("utf-8") for p in tmp_path.iterdir()] == ["old"]


def test_a_wrong_stamp_years_ahead_gives_no_endless_wide_table(tmp_path):
    frames = capture([(0, 0x10, b"\1\2\3"), (4e8, 0x10, b"\1\2\3")])
    learned = learn(lambda: [frames], MAP, None)
    with pytest.raises(UsageError, match="too many"):
        write_table(decoded_blocks([frames], MAP, None, learned), learned, [], tmp_path / "a.csv", every_s=0.1)
    assert list(tmp_path.iterdir()) == []


def test_64_bits_without_sign_beside_others_keep_their_digits():
    frames = capture([(0, 0x30, b"\xfe" + b"\xff" * 7), (1, 0x30, b"\5" + bytes(7)), (2, 0x10, b"\1\2\3")])
    table = decode(frames, MAP).to_pandas()
    big = table[table["channel"] == "Big"]
    assert [int(v) for v in big["value"]] == [2**64 - 2, 5]
    assert [Decimal(int(v)) for v in big["raw"]] == [2**64 - 2, 5]


def test_the_columns_of_the_long_table_and_their_types():
    frames = capture([(5, 0x10, b"\x0a\x14\x1e"), (5.000001, 0x20, b"\0\x10\x0e")])
    table = decode(frames, MAP).to_pandas()
    assert list(table.columns) == ["time_s", "bus", "id", "message", "channel", "raw", "value", "unit", "state"]
    assert (table["time_s"].dtype, table["raw"].dtype, table["value"].dtype) == (np.float64, np.int64, np.float64)
    assert all(str(table[name].dtype) == "category" for name in ("bus", "id", "message", "channel", "unit", "state"))
    row = table.iloc[-1]
    assert row.tolist() == [1e-6, "can0", "020", "Paged", "Cell_1_1_V@0", 3600, 3.6, "V", "ok"]
    assert table["value"].tolist()[:3] == [4.0, 8.0, 12.0]
