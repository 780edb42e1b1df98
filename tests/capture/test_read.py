"""Whole captures: every line accounted for, exact times, files and pipes, ranges."""

import bz2
import gc
import gzip
import io
import lzma
import random
import tracemalloc
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import read_blocks, read_capture
from decoder.capture.blocks import parse_block
from decoder.errors import CaptureError, UsageError
from decoder.frames import ERROR, EXTENDED, FD, REMOTE
from tests.strategies import candump_texts


def write(folder, text, name="a.log"):
    path = folder / name
    path.write_bytes(text.encode("latin-1") if isinstance(text, str) else text)
    return path


def log_lines(count, start=1_700_000_000.0, step=0.01, bus="can0"):
    return "".join(f"({start + i * step:.6f}) {bus} {0x100 + i % 3:03X}#{i % 256:02X}00\n" for i in range(count))


@settings(max_examples=100)
@given(candump_texts(clean=True))
def test_equals_python_can_on_the_lines_that_it_reads(text):
    class KeptOpen(io.StringIO):
        def close(self):
            pass

    block = parse_block(text, 1)
    theirs = list(can.CanutilsLogReader(KeptOpen(text.decode())))
    assert len(theirs) == len(block.line)
    for row, message in enumerate(theirs):
        flags = int(block.flags[row])
        assert message.arbitration_id == block.can_id[row]
        assert message.is_extended_id == bool(flags & EXTENDED)
        assert message.is_remote_frame == bool(flags & REMOTE)
        assert message.is_fd == bool(flags & FD)
        assert message.dlc == block.length[row]
        if not message.is_remote_frame:
            assert bytes(message.data) == block.data[row, : block.length[row]].tobytes()
        assert message.timestamp == pytest.approx(block.stamp_ns[row] / 1e9, abs=1e-6)


def test_where_python_can_is_wrong_we_are_right(tmp_path):
    text = (
        "(1700000000.000000) can0 123#010\n"  # it makes bytes 01 00 of this
        "(1700000000.123456789) can0 123#0102\n"  # it loses the nanoseconds
        "(1700000000.200000) can0 20000080#0011223344556677\n"  # it loses identifier and payload
        "damaged\n"  # it stops here
        "(1700000000.300000) can0 321#1122334455667788_B\n"
        "(1700000000.400000) can0 123#aa.bb\n"
    )
    frames = read_capture(write(tmp_path, text))
    assert [line.line for line in frames.account.skipped_lines] == [1, 4]
    assert frames.time_ns[0] == 1_700_000_000_123_456_789
    assert frames.flags[1] == ERROR
    assert frames.payload(1).hex() == "0011223344556677"
    assert frames.dlc[2] == 11
    assert frames.payload(3).hex() == "aabb"


def test_both_layouts_in_one_file(tmp_path):
    text = "(1700000000.000000) can0 123#0A1B\n (1700000000.100000)  can1  18FF50E5   [2]  0A 1B\n"
    frames = read_capture(write(tmp_path, text))
    assert frames.bus_names == ("can0", "can1")
    assert frames.can_id.tolist() == [0x123, 0x18FF50E5]
    assert frames.time_ns.tolist() == [1_700_000_000_000_000_000, 1_700_000_000_100_000_000]


@pytest.mark.parametrize(
    ("name", "pack"),
    [("a.log", bytes), ("a.log.gz", gzip.compress), ("a.log.xz", lzma.compress), ("a.log.bz2", bz2.compress)],
)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_plain_and_compressed_lf_and_crlf(tmp_path, name, pack, ending):
    text = log_lines(50).replace("\n", ending)
    frames = read_capture(write(tmp_path, pack(text.encode()), name))
    assert len(frames) == frames.account.frames == frames.account.lines == 50


def test_standard_input(monkeypatch):
    class Pipe:
        buffer = io.BufferedReader(io.BytesIO(log_lines(20).encode()))

    monkeypatch.setattr("sys.stdin", Pipe())
    assert len(read_capture("-")) == 20


def test_a_compressed_file_cut_short_gives_what_is_there(tmp_path):
    packed = gzip.compress(b"".join(log_lines(1, 1_700_000_000 + random.random()).encode() for _ in range(5000)))
    frames = read_capture(write(tmp_path, packed[: len(packed) // 2], "a.log.gz"))
    assert 0 < len(frames) < 5000
    assert any("cut off" in remark for remark in frames.account.remarks)
    assert frames.account.adds_up()


def test_a_byte_order_mark_is_no_part_of_the_first_line(tmp_path):
    frames = read_capture(write(tmp_path, b"\xef\xbb\xbf" + log_lines(3).encode()))
    assert len(frames) == 3


def test_no_stamps_count_frames_at_1_ms_and_say_so(tmp_path):
    frames = read_capture(write(tmp_path, "  can0  123   [1]  0A\n" * 5))
    assert frames.time_ns.tolist() == [0, 1_000_000, 2_000_000, 3_000_000, 4_000_000]
    assert frames.account.time_bases == ("counted",)
    assert any("1 ms" in remark for remark in frames.account.remarks)


def test_differences_are_summed(tmp_path):
    steps = [0, 10_020, 9_980, 10_500, 9_000, 10_000]
    text = "".join(f" (000.{step:06d})  can0  123   [1]  0A\n" for step in steps)
    frames = read_capture(write(tmp_path, text))
    assert frames.account.time_bases == ("summed",)
    assert frames.time_ns.tolist() == (np.cumsum(steps) * 1000).tolist()


def test_times_since_the_first_line_stay_relative(tmp_path):
    text = "".join(f" (000.{step:06d})  can0  123   [1]  0A\n" for step in (0, 10_020, 20_000, 30_500, 40_000))
    frames = read_capture(write(tmp_path, text))
    assert frames.account.time_bases == ("relative",)
    assert frames.time_ns.tolist() == [0, 10_020_000, 20_000_000, 30_500_000, 40_000_000]


def test_dates_without_zone_are_said_to_be_local(tmp_path):
    frames = read_capture(write(tmp_path, " (2023-11-14 22:13:20.123456)  can0  123   [1]  0A\n"))
    assert frames.account.time_bases == ("local",)
    assert frames.time_ns[0] == 1_700_000_000_123_456_000


def test_time_that_jumps_back_gaps_and_equal_stamps_are_reported_not_repaired(tmp_path):
    stamps = [100.0 + i * 0.01 for i in range(50)] + [99.0 + i * 0.01 for i in range(50)] + [109.0, 109.0]
    text = "".join(f"({1_700_000_000 + s:.6f}) can0 123#00\n" for s in stamps)
    frames = read_capture(write(tmp_path, text))
    account = frames.account
    assert (account.backwards, account.gaps, account.duplicate_stamps) == (1, 1, 1)
    assert [(fault.kind, fault.line) for fault in account.time_faults] == [("backwards", 51), ("gap", 101)]
    assert frames.time_ns[50] < frames.time_ns[49]


def test_a_cut_last_line_is_told(tmp_path):
    frames = read_capture(write(tmp_path, log_lines(10) + "(1700000009.12"))
    assert frames.account.skipped_lines[-1].reason == "the line is cut off at the end of the file"
    assert any("no line end" in remark for remark in frames.account.remarks)


@pytest.mark.parametrize("text", [b"", b"\n\n", b"hello\n", b"\x1b]0;evil\x07\n" * 3, bytes(1000)])
def test_nothing_readable_is_an_error_that_says_what_was_expected(tmp_path, text):
    with pytest.raises(CaptureError) as caught:
        read_capture(write(tmp_path, text))
    assert "123#0A1B2C" in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_the_first_unreadable_line_is_quoted_safely(tmp_path):
    with pytest.raises(CaptureError) as caught:
        read_capture(write(tmp_path, b"\n\x1b[2Jhello\n"))
    assert "line 2" in str(caught.value)
    assert r"\x1b[2Jhello" in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(CaptureError, match="cannot be read"):
        read_capture(tmp_path / "none.log")
    with pytest.raises(CaptureError, match="cannot be read"):
        read_capture(tmp_path)


def test_several_files_in_time_order(tmp_path):
    late = write(tmp_path, log_lines(100, 1_700_000_010), "late.log")
    early = write(tmp_path, log_lines(100, 1_700_000_000, bus="can1"), "early.log")
    frames = read_capture([late, early])
    assert len(frames) == 200
    assert (np.diff(frames.time_ns) > 0).all()
    assert frames.source[0] == 1
    assert frames.account.lines == 200


@given(
    st.lists(st.lists(st.integers(0, 50), min_size=1, max_size=12), min_size=2, max_size=3),
    st.integers(20, 200),
)
def test_overlapping_files_keep_each_files_order(tmp_path_factory, stamps, block_bytes):
    folder = tmp_path_factory.mktemp("several")
    paths = [
        write(
            folder, "".join(f"({1_700_000_000 + s}.000000) can0 123#{i:02X}\n" for i, s in enumerate(one)), f"{n}.log"
        )
        for n, one in enumerate(stamps)
    ]
    parts = list(read_blocks(paths, block_bytes=block_bytes))
    order = [(int(s), int(line)) for part in parts for s, line in zip(part.source, part.line, strict=True)]
    assert sorted(order) == [(n, i + 1) for n, one in enumerate(stamps) for i in range(len(one))]
    for n, one in enumerate(stamps):
        assert [line for s, line in order if s == n] == list(range(1, len(one) + 1))
    keys = [max(stamps[s][:line]) for s, line in order]
    assert keys == sorted(keys)


def test_files_that_count_from_different_zeros_stand_one_after_the_other(tmp_path):
    utc = write(tmp_path, log_lines(5), "utc.log")
    zero = write(tmp_path, "(000.500000) can0 123#00\n", "zero.log")
    frames = read_capture([utc, zero])
    assert frames.source.tolist() == [0] * 5 + [1]
    assert any("same zero" in remark for remark in frames.account.remarks)
    assert frames.account.backwards == 1


def test_a_range_of_seconds_from_the_first_frame(tmp_path):
    path = write(tmp_path, log_lines(1000))
    frames = read_capture(path, from_s=1.0, to_s=2.0)
    assert len(frames) == 100
    assert frames.account.frames == 1000
    with pytest.raises(UsageError):
        read_capture(path, from_s=2.0, to_s=1.0)


def test_one_bus_only(tmp_path):
    path = write(tmp_path, log_lines(10) + log_lines(10, 1_700_000_001, bus="can1"))
    assert len(read_capture(path, bus="can1")) == 10
    with pytest.raises(UsageError, match="can0, can1"):
        read_capture(path, bus="can7")


@given(candump_texts(), st.integers(10, 300))
def test_blocks_together_are_the_whole(tmp_path_factory, text, block_bytes):
    path = write(tmp_path_factory.mktemp("blocks"), text + b"\n(1700000000.000000) can0 123#00\n")
    whole = read_capture(path)
    parts = list(read_blocks(path, block_bytes=block_bytes))
    account = parts[-1].account
    assert account.adds_up()
    assert (account.lines, account.frames, account.notes) == (
        whole.account.lines,
        whole.account.frames,
        whole.account.notes,
    )
    assert [int(i) for part in parts for i in part.can_id] == whole.can_id.tolist()
    assert [int(i) for part in parts for i in part.line] == whole.line.tolist()


@given(st.binary(max_size=400))
def test_any_bytes_are_accounted_for(tmp_path_factory, junk):
    junk = b"." + junk  # not the beginning of a compressed file
    path = write(tmp_path_factory.mktemp("junk"), junk + b"\n(1700000000.000000) can0 123#00\n")
    frames = read_capture(path)
    assert frames.account.adds_up()
    assert frames.account.lines == (junk + b"\nx\n").count(b"\n")


def test_progress_is_told_bytes_and_size(tmp_path):
    path = write(tmp_path, log_lines(1000))
    told = []
    read_capture(path, progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (Path(path).stat().st_size, Path(path).stat().st_size)


@pytest.mark.parametrize("mark", [b"\x1f\x8b", b"\xfd7zXZ\x00", b"BZh9"])
def test_a_damaged_compressed_file_is_an_error_that_says_so(tmp_path, mark):
    with pytest.raises(CaptureError, match="damaged"):
        read_capture(write(tmp_path, mark + b"no such thing"))


def test_progress_adds_up_over_files(tmp_path):
    paths = [write(tmp_path, log_lines(50), "a.log"), write(tmp_path, log_lines(70), "b.log")]
    told = []
    read_capture(paths, progress=lambda done, total: told.append((done, total)))
    size = sum(path.stat().st_size for path in paths)
    assert [total for _, total in told] == [size] * len(told)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert told[-1][0] == size


@pytest.mark.parametrize(("lines", "zero"), [("  can0  123   [1]  0A\n", 0), ("(000.000000) can0 123#00\n", 0)])
def test_files_that_each_count_from_their_own_beginning_are_not_mixed(tmp_path, lines, zero):
    paths = [write(tmp_path, lines * 3, name) for name in ("a.log", "b.log")]
    frames = read_capture(paths)
    assert frames.source.tolist() == [0, 0, 0, 1, 1, 1]
    assert any("same zero" in remark for remark in frames.account.remarks)


def test_parts_of_one_log_that_counts_from_zero_are_put_in_order(tmp_path):
    late = write(tmp_path, "(010.000000) can0 123#00\n", "late.log")
    early = write(tmp_path, "(000.000000) can0 123#00\n(001.000000) can0 123#00\n", "early.log")
    assert read_capture([late, early]).source.tolist() == [1, 1, 0]


@pytest.mark.parametrize("ends", [{"from_s": float("nan")}, {"to_s": float("nan")}, {"from_s": float("inf")}])
def test_a_range_that_is_no_range(tmp_path, ends):
    with pytest.raises(UsageError):
        read_capture(write(tmp_path, log_lines(3)), **ends)


@pytest.mark.parametrize(
    "ends", [{"to_s": float("inf")}, {"from_s": float("-inf")}, {"to_s": 1e300}, {"from_s": -1e300}]
)
def test_a_range_without_end(tmp_path, ends):
    assert len(read_capture(write(tmp_path, log_lines(3)), **ends)) == 3


def test_a_range_is_half_open(tmp_path):
    path = write(tmp_path, log_lines(4, step=1.0))
    assert read_capture(path, from_s=1.0, to_s=3.0).line.tolist() == [2, 3]


def test_too_many_files_at_once(tmp_path):
    with pytest.raises(UsageError, match="257"):
        read_capture([write(tmp_path, log_lines(1))] * 257)


def test_the_first_unreadable_line_of_standard_input_is_quoted(monkeypatch):
    class Pipe:
        buffer = io.BufferedReader(io.BytesIO(b"\x1b]0;title\x07hello\n"))

    monkeypatch.setattr("sys.stdin", Pipe())
    with pytest.raises(CaptureError, match=r"\\x1b\]0;title\\x07hello"):
        read_capture("-")


def test_no_standard_input_at_all(monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    with pytest.raises(CaptureError, match="standard input"):
        read_capture("-")


def test_utf_16_is_named(tmp_path):
    with pytest.raises(CaptureError, match="UTF-16"):
        read_capture(write(tmp_path, ("\ufeff" + log_lines(3)).encode("utf-16-le")))


def test_an_endless_line_is_one_skipped_line(tmp_path):
    path = write(tmp_path, log_lines(2).encode() + b"x" * 40_000_000 + b"\n" + log_lines(2).encode())
    frames, peak = peak_of(lambda: read_capture(path))
    assert peak < 20e6
    assert frames.line.tolist() == [1, 2, 4, 5]
    assert [line.line for line in frames.account.skipped_lines] == [3]


def test_a_cut_end_blames_the_last_line_only(tmp_path):
    account = read_capture(write(tmp_path, log_lines(1) + "junk\n# a comment")).account
    assert [(line.line, line.reason) for line in account.skipped_lines] == [(2, "no bus name and frame")]
    assert account.notes == 1


def test_a_frame_in_a_last_line_without_line_end_is_read_and_the_missing_end_told(tmp_path):
    frames = read_capture(write(tmp_path, log_lines(3).rstrip("\n")))
    assert len(frames) == 3
    assert any("no line end" in remark for remark in frames.account.remarks)


def test_two_logs_joined_in_the_middle_of_a_line_lose_that_line_only(tmp_path):
    text = log_lines(5)[:-4] + log_lines(5, 1_600_000_000.0)
    frames = read_capture(write(tmp_path, text))
    assert (len(frames), frames.account.skipped, frames.account.backwards) == (8, 1, 1)


def test_prompts_and_other_words_between_frames(tmp_path):
    text = log_lines(3) + "user@bench:~$ candump -l can0\n\n^C\nread: network is down\n" + log_lines(3, 1_700_000_001.0)
    account = read_capture(write(tmp_path, text)).account
    assert (account.frames, account.skipped, account.blank) == (6, 3, 1)


def peak_of(work):
    gc.collect()
    tracemalloc.start()
    try:
        return work(), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("with_fd", [False, True])
def test_memory_stays_below_three_times_the_text(tmp_path, with_fd):
    """Also where few CAN FD frames make all payload columns 64 bytes wide."""
    rows = [f"(1700000{n:03d}.000000) can0 18FF50E5#00112233445566{n % 256:02X}\n" for n in range(1000)]
    if with_fd:
        rows[500] = f"(1700000500.000000) can0 123##5{'AB' * 64}\n"
    path = write(tmp_path, "".join(rows) * 500)
    frames, peak = peak_of(lambda: read_capture(path))
    assert len(frames) == 500_000
    assert frames.data.shape[1] == (64 if with_fd else 8)
    assert peak < 3 * path.stat().st_size


def test_memory_of_a_range_does_not_grow_with_the_file(tmp_path):
    path = write(tmp_path, log_lines(1000) * 500)
    frames, peak = peak_of(lambda: [len(part) for part in read_blocks(path, from_s=0, to_s=1)])
    assert sum(frames) == 100 * 500
    assert peak < 12e6 < path.stat().st_size
