"""What stamps mean, and what is odd about times."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import read_blocks, read_capture

DATE_NS = 1_700_000_000 * 10**9


def screen(stamps_us, digits=3):
    rows = (f" ({us // 1_000_000:0{digits}d}.{us % 1_000_000:06d})  can0  123   [1]  0A\n" for us in stamps_us)
    return "".join(rows)


def log(stamps_us, bus="can0"):
    return "".join(f"({us // 1_000_000:010d}.{us % 1_000_000:06d}) {bus} 123#0A\n" for us in stamps_us)


def read(folder, text, **more):
    path = folder / "a.log"
    path.write_text(text)
    return read_capture(path, **more)


def test_two_recordings_with_a_coarse_clock_from_zero_are_not_taken_for_differences(tmp_path):
    stamps = [n // 10 * 10_000 for n in range(60)]
    frames = read(tmp_path, screen(stamps + stamps))
    assert frames.account.time_bases == ("relative",)
    assert frames.time_ns.tolist() == [us * 1000 for us in stamps + stamps]
    assert frames.account.backwards == 1


def test_differences_of_a_perfectly_steady_bus_are_summed(tmp_path):
    frames = read(tmp_path, screen([0] + [10_000] * 5))
    assert frames.account.time_bases == ("summed",)
    assert frames.time_ns.tolist() == [n * 10_000_000 for n in range(6)]


def test_differences_with_many_zeros_are_summed(tmp_path):
    stamps = [0, 0, 0, 10_000] * 20
    frames = read(tmp_path, screen(stamps))
    assert frames.account.time_bases == ("summed",)
    assert frames.time_ns.tolist() == (np.cumsum(stamps) * 1000).tolist()


def test_times_since_the_first_line_may_be_clamped_at_zero(tmp_path):
    stamps = [0, 10, 20, 30, 0, 0, 50, 60, 70, 80, 90, 100]
    frames = read(tmp_path, screen(stamps))
    assert frames.account.time_bases == ("relative",)
    assert frames.account.backwards == 1


def test_small_stamps_padded_to_ten_digits_are_times_as_they_stand(tmp_path):
    frames = read(tmp_path, screen([12_000_100, 12_000_050, 12_000_070, 12_000_020, 12_000_090], digits=10))
    assert frames.account.time_bases == ("relative",)
    assert frames.time_ns.tolist() == [12_000_100_000, 12_000_050_000, 12_000_070_000, 12_000_020_000, 12_000_090_000]


def test_each_line_of_a_text_that_was_put_together_keeps_its_time_base(tmp_path):
    text = log([1_700_000_000_000_000, 1_700_000_000_100_000]) + screen([0, 30, 10, 30]) + "  can0  123   [1]  0A\n"
    frames = read(tmp_path, text)
    assert set(frames.account.time_bases) == {"utc", "summed", "counted"}
    assert frames.time_ns.tolist() == [DATE_NS, DATE_NS + 100_000_000, 0, 30_000, 40_000, 70_000, 0]
    assert [(fault.kind, fault.line) for fault in frames.account.time_faults] == [("backwards", 3), ("backwards", 7)]


@given(st.lists(st.integers(0, 400), min_size=1, max_size=80), st.integers(3, 400))
def test_what_small_stamps_are_does_not_hang_on_the_size_of_blocks(tmp_path_factory, stamps, block_bytes):
    path = tmp_path_factory.mktemp("small") / "a.log"
    path.write_text("junk\n" + screen([0, *stamps]))
    whole = read_capture(path)
    parts = list(read_blocks(path, block_bytes=block_bytes))
    assert [int(ns) for part in parts for ns in part.time_ns] == whole.time_ns.tolist()
    assert parts[-1].account == whole.account


@pytest.mark.parametrize("year", ["0001", "9999", "2300"])
def test_dates_that_do_not_fit_are_skipped_with_a_reason(tmp_path, year):
    frames = read(
        tmp_path, f" ({year}-01-01 00:00:00.000000)  can0  123   [1]  0A\n" * 20 + log([1_700_000_000_000_000])
    )
    assert len(frames) == 1
    assert dict(frames.account.skipped_reasons) == {"the time stamp is too far from today": 20}


def test_a_leap_second_is_no_time_of_day(tmp_path):
    good = " (2016-12-31 23:59:59.000000)  can0  123   [1]  0A\n"
    frames = read(tmp_path, good * 20 + good.replace(":59.", ":60."))
    assert len(frames) == 20
    assert frames.account.skipped_lines[0].line == 21


def test_dates_before_1970_count_down(tmp_path):
    frames = read(tmp_path, " (1969-12-31 23:59:59.250000)  can0  123   [1]  0A\n" * 10)
    assert frames.time_ns.tolist() == [-750_000_000] * 10


def test_a_first_line_that_begins_behind_its_stamp_is_no_frame_at_time_zero(tmp_path):
    text = screen([1_700_000_000_000_000 + n for n in range(20)], digits=10)
    frames = read(tmp_path, text[text.index(")") + 1 :])
    assert frames.account.time_bases == ("utc",)
    assert frames.account.skipped_lines[0].reason == "the line is cut off at the beginning of the file"
    assert (frames.account.lines, len(frames)) == (20, 19)


def test_gaps_are_long_against_the_usual_spacing(tmp_path):
    steps_s = [3] * 30 + [50] + [3] * 30 + [61] + [3] * 5
    frames = read(tmp_path, log(1_700_000_000_000_000 + np.cumsum(steps_s) * 1_000_000))
    assert [(fault.kind, fault.line, fault.by_ns) for fault in frames.account.time_faults] == [("gap", 62, 61 * 10**9)]


def test_a_gap_is_at_least_a_second(tmp_path):
    frames = read(tmp_path, log(1_700_000_000_000_000 + np.cumsum([1000] * 9 + [999_999] + [1000] * 9 + [1_000_000])))
    assert [fault.line for fault in frames.account.time_faults] == [20]


@given(
    st.lists(st.sampled_from([0, 1000, 500_000, 2_000_000, 45_000_000, -700]), min_size=1, max_size=60),
    st.integers(3, 300),
)
def test_what_is_odd_does_not_hang_on_the_size_of_blocks(tmp_path_factory, steps, block_bytes):
    path = tmp_path_factory.mktemp("odd") / "a.log"
    path.write_text(log(1_700_000_000_000_000 + np.cumsum(steps)))
    *_, last = read_blocks(path, block_bytes=block_bytes)
    assert last.account == read_capture(path).account
    assert last.account.backwards == sum(step < 0 for step in steps[1:])
    assert last.account.duplicate_stamps == sum(step == 0 for step in steps[1:])


def test_equal_stamps_on_two_buses_are_no_duplicates(tmp_path):
    one = [1_700_000_000_000_000]
    assert read(tmp_path, (log(one) + log(one, "can1")) * 5).account.duplicate_stamps == 0


def test_a_coarse_clock_is_said(tmp_path):
    frames = read(tmp_path, log([1_700_000_000_000_000 + n // 4 * 1000 for n in range(100)]))
    assert frames.account.duplicate_stamps == 75
    assert any("coarse" in remark for remark in frames.account.remarks)


def test_faults_are_listed_up_to_1000_and_all_counted(tmp_path):
    frames = read(tmp_path, log([1_700_000_000_000_000 + n % 2 * 1000 for n in range(3001)]))
    assert frames.account.backwards == 1500
    assert [fault.line for fault in frames.account.time_faults] == list(range(3, 2002, 2))
