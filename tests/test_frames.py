"""A capture as columns."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.account import Account
from decoder.errors import UsageError
from decoder.frames import ERROR, EXTENDED, FD_SIZES, RAW_DLC_SHIFT, REMOTE, Frames, Key, concatenate
from tests.building import capture

_IDS = st.sampled_from([0, 1, 0x123, 0x7FF, 0x10001, 0x18FF50E5, 0x1FFFFFFF])
_ROWS = st.lists(
    st.tuples(_IDS, st.integers(0, 2), st.sampled_from([0, 0, EXTENDED, REMOTE, ERROR]), st.binary(max_size=8)),
    max_size=40,
)


def made(rows, bus_names=("a", "b", "c")):
    return capture([(i, can_id, payload, bus, flag) for i, (can_id, bus, flag, payload) in enumerate(rows)], bus_names)


@given(_ROWS)
def test_streams_differ_by_bus_identifier_and_29_bits_and_hold_data_frames_only(rows):
    expected = {}
    for row, (can_id, bus, flag, _) in enumerate(rows):
        if not flag & (REMOTE | ERROR):
            expected.setdefault(Key(bus, can_id, can_id > 0x7FF or bool(flag & EXTENDED)), []).append(row)
    assert {key: found.tolist() for key, found in made(rows).rows_of.items()} == expected


@given(_ROWS, st.lists(st.integers(0, 40), max_size=4))
def test_parts_put_together_are_the_capture(rows, cuts):
    frames = made(rows)
    cuts = sorted([0, *(min(cut, len(rows)) for cut in cuts), len(rows)])
    parts = [frames.take(slice(a, b)) for a, b in pairwise(cuts)]
    again = concatenate(parts, Account(frames=len(rows)))
    assert len(again) == len(rows)
    for name in ("time_ns", "bus", "can_id", "flags", "length", "data", "line", "source"):
        assert np.array_equal(getattr(again, name), getattr(frames, name))
    assert again.account.frames == len(rows)


def test_buses_of_one_name_become_one_when_captures_are_joined():
    one = capture([(0, 1, b"\1", 0), (1, 1, b"\2", 1)], ("a", "b"))
    two = capture([(2, 1, b"\3", 0), (3, 1, b"\4", 1)], ("b", "c"))
    joined = concatenate([one, Frames.empty(("d",)), two], Account())
    assert [joined.bus_names[bus] for bus in joined.bus] == ["a", "b", "b", "c"]


def test_a_classic_capture_beside_an_fd_one_is_widened_with_zeros():
    joined = concatenate([capture([(0, 1, b"\1\2")]), capture([(1, 1, bytes(range(64)))])], Account())
    assert joined.payload(0) == b"\1\2"
    assert joined.payload(1) == bytes(range(64))
    assert not joined.data[0, 2:].any()


def test_a_remote_frame_has_no_payload_whatever_length_it_asks_for():
    frames = capture([(0, 1, bytes(4), 0, REMOTE)])
    assert (frames.payload(0), int(frames.length[0])) == (b"", 4)


def test_the_dlc_is_that_of_iso_11898_1_for_every_length():
    frames = capture([(i, 1, bytes(size)) for i, size in enumerate(FD_SIZES)])
    assert frames.dlc.tolist() == list(range(16))


def test_a_classic_frame_sent_with_a_dlc_above_8_keeps_it():
    assert capture([(0, 1, bytes(8), 0, 12 << RAW_DLC_SHIFT)]).dlc.tolist() == [12]


def test_an_unknown_bus_names_those_that_are_there():
    frames = made([(1, 0, 0, b"")])
    assert frames.bus_number("b") == 1
    with pytest.raises(UsageError, match="a, b, c"):
        frames.bus_number("x")


def test_an_empty_capture_has_no_streams():
    assert Frames.empty().rows_of == {}
    assert len(concatenate([Frames.empty(), Frames.empty()], Account())) == 0
