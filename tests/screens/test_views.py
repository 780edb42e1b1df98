"""What the screens show, computed without a terminal."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.errors import UsageError
from decoder.judgement import Finding, Severity
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import Signal
from decoder.screens.cells import in_case_order, module_now, modules_of
from decoder.screens.facts import facts_of
from decoder.screens.ink import fitted, wrapped
from decoder.screens.playhead import Playhead, step_from
from decoder.screens.plot import plot
from decoder.screens.rows import Extremes, flagged_names, in_order, moment_of, natural, row_of, titles
from decoder.screens.strip import strip_line
from decoder.screens.symbols import (
    SEVERITY_SYMBOLS,
    STATE_SYMBOLS,
    age_words,
    digits_of,
    time_from_words,
    time_words,
)
from decoder.screens.table import columns_for, gap_for
from decoder.screens.timeline import LASTING, QUIET, bar, column_of
from decoder.screens.trend import binned, trend
from tests.building import capture, one_message
from tests.screens.small_pack import BAD_NAME, open_session


def series_of(values, times=None, **signal):
    """One channel of 16-bit values, one every 0.1 s unless `times` says otherwise."""
    times = [index / 10 for index in range(len(values))] if times is None else times
    rows = [(time, 0x123, int(value).to_bytes(2, "little")) for time, value in zip(times, values, strict=True)]
    made = Signal("One", Field(0, 16), **signal)
    return decode(capture(rows), one_message([made], length=2))["One"]


@given(st.lists(st.integers(0, 65534), min_size=1, max_size=700), st.data())
def test_lowest_and_highest_are_those_of_all_samples_so_far(values, data):
    series = series_of(values)
    index = data.draw(st.integers(0, len(values) - 1))
    assert Extremes().at(series, index) == (min(values[: index + 1]), max(values[: index + 1]))


def test_absent_samples_are_no_extremes():
    series = series_of([5, 65535, 7], maximum=1000, minimum=0)
    assert Extremes().at(series, 2) == (5, 7)
    assert moment_of(series, int(0.15e9)).state is State.ABSENT


@given(st.lists(st.integers(0, 65534), min_size=1, max_size=200), st.integers(1, 40))
def test_bins_together_hold_every_extreme_once(values, count):
    series = series_of(values)
    low, high = binned(series, -1, len(values) * 10**8, count)
    assert np.nanmin(low) == min(values)
    assert np.nanmax(high) == max(values)
    assert np.count_nonzero(~np.isnan(low)) <= len(values)


def test_a_bin_shows_its_own_samples_only():
    low, high = binned(series_of([1, 5, 9, 3]), -1, int(0.39e9), 2)
    assert list(low) == [1, 3]
    assert list(high) == [5, 9]


def test_trend_rises_with_the_value_is_flat_at_rest_and_empty_without_samples():
    assert trend(series_of(range(0, 800, 10)), int(8e9), 8, 8) == "▁▂▃▄▅▆▇█"
    assert set(trend(series_of([7] * 80), int(7.9e9), 8, 8)) == {"─"}
    assert trend(series_of([7] * 80), int(60e9), 8, 8) == " " * 8
    assert trend(series_of([7] * 80), int(60e9), 8, 0) == ""


def test_time_that_jumps_back_is_drawn_all_the_same():
    series = series_of([1, 2, 3, 4], times=[0.0, 5.0, 1.0, 6.0])
    assert len(trend(series, int(6e9), 10, 9)) == 9
    assert moment_of(series, int(5.5e9)).value == 3


def test_a_step_is_drawn_in_one_column_and_a_gap_is_left_open():
    values = [100] * 100 + [200] * 100
    times = [index / 10 for index in range(100)] + [20 + index / 10 for index in range(100)]
    drawn = plot(series_of(values, times), -1, int(30e9), int(40e9), 0, (60, 10))
    columns = ["".join(line[column] for line in drawn.lines) for column in range(60)]
    assert all(column.strip() for column in columns[:19])
    assert not any(column.strip() for column in columns[22:39])  # stale after five cycle times
    assert all(column.strip() for column in columns[41:])
    assert drawn.axis.startswith("0.000 s")
    assert drawn.axis.endswith("30.000 s")


def test_the_joined_step_stands_where_the_value_steps():
    drawn = plot(series_of([0] * 50 + [1000] * 50), -1, int(10e9), int(60e9), 0, (50, 8))
    middle = drawn.lines[4]
    assert len(middle.strip()) == 1
    assert middle.index(middle.strip()) in {24, 25}


def test_limits_are_drawn_where_they_are_near_and_told_where_not():
    near = plot(series_of([100, 140] * 20, minimum=0, maximum=150), -1, int(4e9), 0, 0, (40, 10))
    assert any(label == "▲ 150" for label in near.labels)
    assert any("╌" in line for line in near.lines)
    far = plot(series_of([100, 140] * 20, minimum=0, maximum=9000), -1, int(4e9), 0, 0, (40, 10))
    assert not any("▲" in label for label in far.labels)
    assert not any("╌" in line for line in far.lines)


def test_titles_follow_the_quantities_and_cells_the_places(tmp_path):
    session = open_session(tmp_path)
    flagged = flagged_names(session.judgement.findings)
    found = titles(session.channels, flagged)
    assert [one.title for one in found] == [
        "Cell voltages",
        "Pack voltage and current",
        "Temperatures",
        "Contactors and interlock",
        "Other channels",
    ]
    assert found[0].names[0] == "Cell_1_01_V"
    assert found[0].names[-1] == "Cell_2_04_V"
    assert titles(session.channels, flagged, find="temp_")[0].names == ("Temp_1_1_degC",)
    assert all(set(one.names) <= flagged for one in titles(session.channels, flagged, only_flagged=True))


@pytest.mark.parametrize("column", ["name", "value", "lowest", "highest", "state", "age", "trend", "unit"])
def test_every_order_holds_every_name_and_reverses(tmp_path, column):
    channels = open_session(tmp_path).channels
    names = list(channels)
    up = in_order(names, channels, Extremes(), int(11e9), by=column, downwards=False)
    down = in_order(names, channels, Extremes(), int(11e9), by=column, downwards=True)
    assert sorted(up) == sorted(down) == sorted(names)
    assert up != down


def test_natural_order_counts():
    assert sorted(["C_10", "C_9", "c_2"], key=natural) == ["c_2", "C_9", "C_10"]


def test_a_row_shows_labels_for_values_and_escapes_for_control_characters(tmp_path):
    channels = open_session(tmp_path).channels
    row = row_of(channels["Contactor_Positive"], Extremes(), int(1e9), frozenset())
    assert row.value == "closed"
    row = row_of(channels[BAD_NAME], Extremes(), int(1e9), frozenset())
    assert "\x1b" not in row.label + row.comment
    before = row_of(channels["Pack_A"], Extremes(), -1, frozenset())
    assert (before.value, before.state, before.age) == ("—", State.ABSENT, "—")


def test_cells_of_one_scan_give_the_spread_of_each_module(tmp_path):
    channels = open_session(tmp_path).channels
    modules = modules_of(channels)
    calm, odd = (module_now(channels, module, modules[module], None, int(11e9)) for module in (1, 2))
    assert calm.spread_v == pytest.approx(0.003)
    assert not calm.beyond
    assert odd.highest == "Cell_2_03_V"
    assert odd.spread_v > 0.5
    assert odd.beyond
    assert sum(cell.over_mean_mv for cell in odd.cells) == pytest.approx(0, abs=1e-6)


def test_cells_are_those_of_the_latest_frame_at_every_moment(tmp_path):
    channels = open_session(tmp_path).channels
    cells = modules_of(channels)[2]
    for time_ns in (int(second * 1e9) + 2_000_000 for second in np.arange(1, 19, 0.35)):
        now = module_now(channels, 2, cells, None, time_ns)
        frame = int(np.flatnonzero(cells[0].time_ns <= time_ns)[-1])  # one frame holds all cells of the module
        assert [cell.volt for cell in now.cells] == [float(one.number[frame]) for one in cells]
        assert now.steady


def test_modules_stand_in_the_rows_of_the_case_and_none_is_left_out():
    assert in_case_order([1, 2, 3, 5, None], [[2, 1], [3, 4]]) == [[2, 1], [3], [5], [None]]


def test_bits_shown_are_those_of_the_field(tmp_path):
    channels = open_session(tmp_path).channels
    facts = {fact.word: fact.text for fact in facts_of(channels, "Contactor_Positive", int(1e9), (0.0, 1.0))}
    assert facts["bits"].split()[2] == "······01"
    assert "means 'closed'" in facts["raw"]
    assert "line " in facts["frame"]


def test_step_goes_to_the_neighbouring_sample_and_stays_at_the_ends(tmp_path):
    channels = open_session(tmp_path).channels
    series = channels["Cell_1_01_V"]
    times = series.time_ns
    assert step_from(series, channels, int(times[5]), 1) == times[6]
    assert step_from(series, channels, int(times[5]), -1) == times[4]
    assert step_from(series, channels, int(times[-1]), 1) == times[-1]


def test_the_playhead_stays_within_the_capture():
    head = Playhead(0, int(10e9), int(9e9))
    head.go_to(-5)
    assert head.now_ns == 0
    head.go_to(int(11e9))
    assert head.now_ns == int(10e9)


def finding(severity, from_ns, to_ns):
    return Finding("code", severity, Place(), None, None, "", from_ns, to_ns, "", "")


def test_the_bar_shows_begin_and_length_and_the_gravest_on_top():
    characters, gravest = bar(
        [finding(Severity.DANGER, 50, 60), finding(Severity.NOTICE, 0, 99), finding(Severity.NOTICE, 50, 50)],
        0,
        100,
        10,
    )
    assert (
        characters == SEVERITY_SYMBOLS[Severity.NOTICE] + LASTING * 4 + SEVERITY_SYMBOLS[Severity.DANGER] + LASTING * 4
    )
    assert gravest[5] is gravest[6] is Severity.DANGER
    assert gravest[4] is Severity.NOTICE
    assert bar([], 0, 100, 4) == (QUIET * 4, (None,) * 4)
    assert bar([], 0, 0, 0) == ("", ())
    assert column_of(100, 0, 100, 10) == 9


@pytest.mark.parametrize(
    ("words", "seconds"),
    [
        ("41.2", 41.2),
        ("1:02.5", 62.5),
        ("1:02:03", 3723),
        ("50 %", 100),
        ("+5", 15),
        ("-5", 5),
        ("7 s", 7),
        ("3,5", 3.5),
    ],
)
def test_times_to_go_to_are_read_as_people_write_them(words, seconds):
    assert time_from_words(words, 10, 200) == pytest.approx(seconds)


@pytest.mark.parametrize("words", ["", "soon", "nan", "inf", "1:x", "%", "1e999"])
def test_what_is_no_time_is_refused(words):
    with pytest.raises(UsageError):
        time_from_words(words, 10, 200)


@given(st.floats(0, 1e7))
def test_ages_fit_their_column(age_s):
    assert len(age_words(age_s)) <= 8
    assert age_words(age_s).split()[1] in {"ms", "s", "min", "h"}


def test_times_never_show_a_minus_zero():
    assert time_words(-1e-9) == "0.000 s"
    assert time_words(3723.5) == "1:02:03.500"


def test_digits_follow_one_raw_step():
    assert [digits_of(series_of([1], scale=scale).channel) for scale in (1, 0.5, 0.25, 0.001, 10)] == [0, 1, 2, 3, 0]


def test_every_symbol_is_one_column_wide_and_told_apart():
    symbols = [*STATE_SYMBOLS.values(), *SEVERITY_SYMBOLS.values()]
    assert all(cell_len(symbol) == 1 for symbol in symbols)
    assert len(set(symbols)) == len(symbols)


@given(st.integers(80, 250), st.integers(1, 80), st.integers(1, 20))
def test_columns_fit_the_width_and_never_leave_out_value_or_state(width, name, place):
    columns = columns_for(width, name, place)
    assert sum(column.width for column in columns) + gap_for(width) * (len(columns) - 1) + 2 <= width
    keys = [column.key for column in columns]
    assert {"name", "place", "value", "unit", "state"} <= set(keys)
    widths = {column.key: column.width for column in columns}
    assert widths["state"] >= len("∅ absent")
    kept = [key in keys for key in ("trend", "lowest", "highest", "age")]
    assert kept == sorted(kept, reverse=True)  # age goes first, then highest, then lowest


@given(st.integers(60, 250), st.integers(0, 4))
def test_the_strip_always_shows_the_current_page(tmp_path_factory, width, number):
    shown = titles(open_session(tmp_path_factory.mktemp("strip")).channels, frozenset())
    drawn = "".join(text for text, _ in strip_line(shown, shown[number], 1, 3, width).parts)
    assert f"[{shown[number].title} 1/3]" in drawn
    assert cell_len(drawn) <= width


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=80), st.integers(1, 40))
def test_fitted_text_has_exactly_the_width(text, width):
    assert cell_len(fitted(text, width)) == width


@given(st.text("abc 漢", max_size=200), st.integers(2, 40))
def test_wrapped_text_loses_nothing_and_fits(text, width):
    lines = wrapped(text, width)
    assert all(cell_len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_a_vehicle_identification_number_in_an_answer_is_hidden_in_the_details():
    from decoder.bits import Field
    from decoder.channels import decode
    from decoder.maps.signal_map import Message, Signal, SignalMap
    from tests.building import capture, cut_up

    message = Message("Who", 0x6EA, False, 20, (Signal("Letter", Field(24, 8)),), is_reassembled=True)
    rows = [(0.01 * n, 0x6EA, frame) for n, frame in enumerate(cut_up(b"\x62\xf1\x90CGHARBRSHTL000001"))]
    channels = decode(capture(rows), SignalMap((message,)))
    hidden = facts_of(channels, "Letter", int(1e9), (0.0, 1.0))
    shown = facts_of(channels, "Letter", int(1e9), (0.0, 1.0), show_vin=True)
    assert "[**]" in {fact.word: fact.text for fact in hidden}["payload"]
    assert not any("67" in fact.text or "43 hex" in fact.text for fact in hidden if fact.word in {"value", "raw"})
    assert "[43]" in {fact.word: fact.text for fact in shown}["payload"]
