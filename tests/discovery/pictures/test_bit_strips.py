"""What a bit did within each column of time."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.pictures.bit_strips import BUSY, HIGH, LOW, SILENT, strips
from tests.discovery.carvings import stream


def tones(payloads, columns, bit=0, close=0, **more):
    one = stream(payloads, **more)
    return [strip.tones[bit].tolist() for strip in strips(one.time_ns, one.data, [bit], columns, close)]


def bits(text):
    return [bytes([int(digit)]) for digit in text]


def test_as_many_columns_as_payloads_show_each_of_them():
    assert tones(bits("0110"), 4) == [[LOW, HIGH, HIGH, LOW]]


def test_a_slow_bit_is_a_bar_with_one_edge():
    assert tones(bits("0" * 40 + "1" * 60), 10) == [[LOW] * 4 + [HIGH] * 6]


def test_a_bit_that_toggles_with_every_payload_is_busy_however_many_fall_into_a_column():
    for columns in (10, 20, 25, 50):
        (row,) = tones(bits("01" * 50), columns)
        assert set(row[1:-1]) == {BUSY}


def test_a_glitch_is_seen_whatever_the_width_of_a_column():
    assert BUSY in tones(bits("0" * 500 + "1" + "0" * 499), 10)[0]


def test_columns_without_payloads_go_on_as_before():
    assert tones(bits("01"), 6) == [[LOW] * 3 + [HIGH] * 3]


def test_a_long_silence_shows():
    (row,) = tones(bits("1" * 20), 30, times_s=[0.1 * n for n in range(10)] + [29 + 0.1 * n for n in range(10)])
    assert row[0] == row[-1] == HIGH
    assert set(row[3:28]) == {SILENT}


def test_the_close_up_shows_payloads_in_a_row_from_the_middle():
    text = "".join(np.random.default_rng(5).choice(list("01"), 200))
    whole, close = tones(bits(text), 60, close=20)
    assert (len(whole), len(close)) == (39, 20)
    assert close == [int(digit) for digit in text[90:110]]


def test_few_payloads_need_no_close_up():
    assert len(tones(bits("01" * 10), 40, close=12)) == 1


def test_a_clock_that_goes_back_mixes_nothing_up():
    assert tones(bits("0011"), 4, times_s=[2, 3, 0, 1]) == [[HIGH, HIGH, LOW, LOW]]


def test_payloads_of_one_instant_can_be_drawn():
    assert tones(bits("11"), 5, times_s=[7, 7]) == [[HIGH] * 5]


@given(st.lists(st.integers(0, 1), min_size=1, max_size=60), st.integers(1, 40))
def test_a_bit_that_is_never_1_or_never_0_is_never_shown_so(values, columns):
    (row,) = tones([bytes([value]) for value in values], columns)
    assert len(row) == columns
    assert HIGH not in row or 1 in values
    assert LOW not in row or 0 in values
    assert BUSY not in row or len(set(values)) == 2
