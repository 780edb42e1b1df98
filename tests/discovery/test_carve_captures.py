"""Carving whole captures: checks, transports, buses, siblings, and captures with little or nothing in them."""

from itertools import pairwise

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carve import carve, carve_streams
from decoder.discovery.streams import streams
from decoder.frames import ERROR, REMOTE
from tests.building import capture, conversation
from tests.discovery.made_captures import (
    assert_parted,
    assert_sound,
    carve_payloads,
    changing,
    is_found,
    measured,
    payloads,
    sent,
    slow,
    sweep,
    tell,
)

VALUE = Field(15, 16, "big")


def voltages(seed, count=300, low=3000, high=4100):
    return measured(np.random.default_rng(seed), sweep(count, low, high, count / 400))


def with_check(rows):
    return [row + bytes([Crc8SaeJ1850.calc(row)]) for row in rows]


def test_a_check_is_found_and_damaged_frames_are_told():
    values = voltages(1, 400)
    rows = with_check(payloads(3, {Field(0, 4): np.arange(400) % 16, VALUE: values}))
    damaged = [40, 170, 171, 333]
    for at in damaged:
        rows[at] = bytes([rows[at][0], rows[at][1] ^ 0x5A, *rows[at][2:]])
    found = carve_payloads(rows)
    assert_parted(found)
    assert found.damaged.tolist() == damaged
    (check,) = (one for one in found.proposals if one.kind == "check")
    assert check.field.bit_numbers() == tuple(range(24, 32))
    assert check.multiplexor is None
    assert is_found(found, VALUE, np.delete(values, damaged), "number"), tell(found)
    assert is_found(found, Field(0, 4), np.arange(400) % 16, "counter"), tell(found)


def test_without_a_check_nothing_is_damaged():
    found = carve_payloads(payloads(3, {VALUE: voltages(2)}))
    assert found.damaged.tolist() == []
    assert not any(one.kind == "check" for one in found.proposals)


def test_siblings_get_the_same_places():
    """Four identifiers with two cells each; each alone shows little."""
    chance = np.random.default_rng(3)
    cells = [Field(7, 16, "big"), Field(23, 16, "big")]
    rows = []
    for number in range(4):
        columns = {cell: 3600 + slow(chance, 150, 20 * number + at, 0.3) for at, cell in enumerate(cells)}
        rows += sent(payloads(4, columns), 0x300 + number)
    found = carve(capture(sorted(rows)))
    assert [one.stream.can_id for one in found] == [0x300, 0x301, 0x302, 0x303]
    for one in found:
        assert_parted(one)
        lowest = [field.field.bit_numbers()[0] for field in changing(one)]
        assert lowest == [8, 24], tell(one)


def talk_of(values, prefix=b"\x62\x01\x01"):
    question = b"\x22" + prefix[1:]
    return [
        (1 + 0.5 * at, question, prefix + bytes([7]) + int(value).to_bytes(2, "big") + bytes(range(12)))
        for at, value in enumerate(values)
    ]


def test_answers_are_carved_as_messages():
    values = voltages(4, 150)
    found = carve(capture(conversation(talk_of(values))))
    for one in found:
        assert_parted(one)
        assert one.stream.carrier is not None
    answers = next(one for one in found if one.stream.can_id == 0x6EA)
    assert (answers.stream.carrier.kind, answers.stream.carrier.prefix) == ("iso-tp", b"\x62\x01\x01")
    assert is_found(answers, Field(8 * 4 + 7, 16, "big"), values, "number"), tell(answers)
    assert min(min(one.field.bit_numbers()) for one in answers.proposals) == 8 * len(answers.stream.carrier.prefix)


def test_long_groups_are_carved_as_messages():
    values = voltages(5, 150)
    group, source, rows = 0xFF21, 0x51, []
    for at, value in enumerate(values):
        message = b"\x01" + int(value).to_bytes(2, "little") + bytes(9)
        opening = bytes([0x20, 12, 0, 2, 0xFF, *group.to_bytes(3, "little")])
        packets = (b"\x01" + message[:7], b"\x02" + message[7:].ljust(7, b"\xff"))
        rows += [(at, 0x1CECFF00 | source, opening)]
        rows += [(at + 0.06 * (n + 1), 0x1CEBFF00 | source, packet) for n, packet in enumerate(packets)]
    (found,) = carve(capture(rows))
    assert_parted(found)
    assert (found.stream.carrier.kind, found.stream.carrier.pgn) == ("j1939-tp", group)
    assert found.stream.data.shape == (150, 12)
    assert is_found(found, Field(8, 16), values, "number"), tell(found)


def test_one_identifier_on_two_buses_is_two_streams():
    big, little = Field(7, 16, "big"), Field(0, 16)
    one, other = voltages(6), voltages(7, low=9000, high=9900)
    rows = sent(payloads(2, {big: one}), bus=0) + sent(payloads(2, {little: other}), bus=1)
    found = carve(capture(sorted(rows), ("can0", "can1")))
    assert [carving.stream.bus for carving in found] == ["can0", "can1"]
    assert is_found(found[0], big, one, "number"), tell(found[0])
    assert is_found(found[1], little, other, "number"), tell(found[1])


def test_identifiers_come_in_order():
    rows = [(0.1 * at, can_id, bytes([at])) for at, can_id in enumerate([0x300, 0x18FF0017, 0x100, 0x200] * 3)]
    found = carve(capture(rows))
    assert [one.stream.can_id for one in found] == [0x100, 0x200, 0x300, 0x18FF0017]


@pytest.mark.parametrize("count", range(6))
@pytest.mark.parametrize("width", [0, 1, 8])
def test_captures_with_few_frames_are_carved(count, width):
    chance = np.random.default_rng(count)
    rows = [chance.integers(0, 256, width, np.uint8).tobytes() for _ in range(count)]
    found = carve(capture(sent(rows)))
    assert len(found) == (count > 0 and width > 0)
    for one in found:
        assert_sound(one)


@pytest.mark.parametrize("flag", [REMOTE, ERROR])
def test_frames_that_carry_no_data_give_nothing(flag):
    assert carve(capture([(0.1 * at, 0x123, b"", 0, flag) for at in range(30)])) == ()


def test_all_bytes_of_can_fd_are_carved():
    values = voltages(8, 120)
    places = [Field(8 * 6 + 7, 16, "big"), Field(8 * 62 + 7, 16, "big")]
    found = carve_payloads(payloads(64, {places[0]: values, places[1]: values[::-1]}))
    assert_parted(found)
    assert is_found(found, places[0], values, "number"), tell(found)
    assert is_found(found, places[1], values[::-1], "number"), tell(found)


def test_times_that_jump_back_change_no_field():
    rows = payloads(2, {Field(7, 16, "big"): voltages(9)})
    frames = sent(rows)
    jumped = [(time_s - 25 * (at > 150), *rest) for at, (time_s, *rest) in enumerate(frames)]
    (straight,), (back,) = carve(capture(frames)), carve(capture(jumped))
    assert tell(back) == tell(straight)
    assert_parted(back)


def test_states_whose_times_jump_back_stay_for_no_negative_time():
    rows = [(5.0 - 0.1 * at, 0x123, bytes([at // 10 % 2])) for at in range(100)]
    (found,) = carve(capture(rows))
    (flag,) = changing(found)
    assert flag.kind == "flag"
    assert [row["frames"] for row in flag.detail["values"]] == [50, 50]


def test_progress_goes_forward_to_the_end_at_most():
    rows = [(0.1 * at, 0x100 + at % 5, bytes([at % 7])) for at in range(100)]
    told = []
    carve(capture(rows), progress=told.append)
    assert told
    assert all(0 <= one <= other <= 1 for one, other in pairwise([0.0, *told]))


def test_streams_can_be_carved_without_their_capture():
    frames = capture(sent(payloads(2, {Field(7, 16, "big"): voltages(10)})))
    (one,), (other,) = carve_streams(streams(frames)), carve(frames)
    assert one.proposals == other.proposals


def test_no_streams_no_carvings():
    assert carve_streams([]) == ()


@settings(max_examples=15)
@given(st.lists(st.tuples(st.sampled_from([0x100, 0x101, 0x7E8, 0x1CECFF03]), st.binary(max_size=8)), max_size=30))
def test_any_small_capture_is_carved(frames):
    for one in carve(capture([(0.01 * at, *frame) for at, frame in enumerate(frames)])):
        assert_sound(one)
