"""Protocol bytes held against published worked transfers and against can-isotp's own parser."""

import isotp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from isotp.protocol import PDU

from decoder.frames import FD_SIZES
from decoder.transport.protocol_bytes import Role, plausible, protocol_bytes

_TYPES = {
    PDU.Type.SINGLE_FRAME: Role.SINGLE,
    PDU.Type.FIRST_FRAME: Role.FIRST,
    PDU.Type.CONSECUTIVE_FRAME: Role.CONSECUTIVE,
    PDU.Type.FLOW_CONTROL: Role.FLOW,
}


def read(frames, address_bytes=0):
    """Read frames as columns; rows of (role, said, number, payload in the frame)."""
    width = 64 if any(len(frame) > 8 for frame in frames) else 8
    data = np.array([list(bytes(frame).ljust(width, b"\0")) for frame in frames], np.uint8)
    length = np.array([len(frame) for frame in frames], np.uint8)
    got = protocol_bytes(data, length, np.full(len(frames), address_bytes, np.uint8))
    maybe = plausible(data, length, address_bytes)
    rows = []
    for n, frame in enumerate(frames):
        role = Role(got.role[n])
        # The quick look may let more through, never less.
        assert maybe[n] or role is Role.NONE
        rows.append((role, int(got.said[n]), int(got.number[n]), bytes(frame)[got.begin[n] :]))
        assert role is Role.NONE or got.room[n] == len(rows[-1][3])
    return rows


@pytest.mark.parametrize(
    ("frame", "role", "said", "number", "payload"),
    [
        # Read a data identifier, F190, and its answer of 20 bytes (ISO 15765-2, clause 9.6; ISO 14229-1, 11.2).
        ("0322F190AAAAAAAA", Role.SINGLE, 3, None, "22F190AAAAAAAA"),
        ("1014490201544553", Role.FIRST, 20, None, "490201544553"),
        ("300000", Role.FLOW, 0, 0, None),
        ("300000AAAAAAAAAA", Role.FLOW, 0, 0, None),
        ("310000", Role.FLOW, 0, 1, None),
        ("320000", Role.FLOW, 0, 2, None),
        ("215456314E303030", Role.CONSECUTIVE, 0, 1, "5456314E303030"),
        ("2230303030303031", Role.CONSECUTIVE, 0, 2, "30303030303031"),
        ("2F01", Role.CONSECUTIVE, 0, 15, "01"),
        ("037F2278", Role.SINGLE, 3, None, "7F2278"),
        # 30 bytes in one frame of CAN FD.
        ("001E" + "55" * 30, Role.SINGLE, 30, None, "55" * 30),
        # 4095 bytes are the most that 12 bits say; 4096 need 32 bits.
        ("1FFF620101000000", Role.FIRST, 4095, None, "620101000000"),
        ("1000000010000102", Role.FIRST, 4096, None, "0102"),
        ("1000FFFFFFFF0102", Role.FIRST, 2**32 - 1, None, "0102"),
        # The least that a first frame says is one more than a single frame carries.
        ("1008490201544553", Role.FIRST, 8, None, "490201544553"),
        ("1007490201544553", Role.NONE, 0, None, None),
        # Bad: longer than the frame, nothing behind the type, reserved types and states, too short.
        ("0801020304050607", Role.NONE, 0, None, None),
        ("0701020304", Role.NONE, 0, None, None),
        ("00", Role.NONE, 0, None, None),
        ("0000000000000000", Role.NONE, 0, None, None),
        ("4001020304050607", Role.NONE, 0, None, None),
        ("330000", Role.NONE, 0, None, None),
        ("3000", Role.NONE, 0, None, None),
        ("20", Role.NONE, 0, None, None),
        ("", Role.NONE, 0, None, None),
        ("1000000000080102", Role.NONE, 0, None, None),
        ("10144902015445", Role.NONE, 0, None, None),
    ],
)
def test_worked_frames(frame, role, said, number, payload):
    got = read([bytes.fromhex(frame)])[0]
    assert got[:2] == (role, said)
    assert number is None or got[2] == number
    assert payload is None or got[3] == bytes.fromhex(payload)


def test_behind_an_address_byte_everything_moves_by_one():
    frames = [
        bytes.fromhex(one) for one in ("F106010203040506", "F107010203040506", "F110074902015445", "F110064902015445")
    ]
    assert [row[:2] for row in read(frames, 1)] == [
        (Role.SINGLE, 6),
        (Role.NONE, 0),  # seven bytes do not fit behind the address
        (Role.FIRST, 7),  # the least, because a single frame carries six
        (Role.NONE, 0),
    ]


def theirs(frame, address_bytes):
    """What can-isotp's parser says: (role, said, payload in the frame), NONE where it objects."""
    try:
        pdu = PDU(isotp.CanMessage(data=bytearray(frame)), start_of_data=address_bytes)
    except ValueError:
        return Role.NONE, 0, b"", None
    return _TYPES[pdu.type], pdu.length or 0, bytes(pdu.data), pdu


def why_not(frame, address_bytes, pdu):
    """Say why the standard does not allow a frame that can-isotp's parser lets through, or None if it does."""
    size = len(frame)
    if pdu.type == PDU.Type.SINGLE_FRAME:
        if pdu.escape_sequence and size <= 8:
            return "a length of 0 is reserved in frames of up to 8 bytes"
        if not pdu.escape_sequence and size > 8:
            return "in frames of more than 8 bytes the length stands in the second byte"
    if pdu.type == PDU.Type.FIRST_FRAME:
        if size < 8 or size not in FD_SIZES:
            return "a first frame is filled up"
        if pdu.escape_sequence and pdu.length <= 4095:
            return "32 bits are for lengths that 12 bits cannot say"
        if pdu.length < (8 - address_bytes if size == 8 else size - 1 - address_bytes):
            return "what fits into a single frame is sent in one"
    if pdu.type == PDU.Type.CONSECUTIVE_FRAME and size == address_bytes + 1:
        return "a consecutive frame without payload carries nothing on"
    return None


def agree(frame, address_bytes, row):
    role, said, number, payload = row
    their_role, their_length, their_payload, pdu = theirs(frame, address_bytes)
    if pdu is None and role is Role.FLOW:
        # can-isotp objects to reserved separation times; senders take the longest instead (ISO 15765-2, 9.6.5.5).
        separation = frame[address_bytes + 2]
        assert 0x80 <= separation <= 0xF0 or separation >= 0xFA
        return
    if pdu is not None and why_not(frame, address_bytes, pdu):
        assert role is Role.NONE
        return
    assert (role, said) == (their_role, their_length)
    if role in {Role.SINGLE, Role.FIRST}:
        assert payload[:said] == their_payload
    if role is Role.CONSECUTIVE:
        assert (number, payload) == (pdu.seqnum, their_payload)
    if role is Role.FLOW:
        assert number == pdu.flow_status


@pytest.mark.parametrize("address_bytes", [0, 1])
@pytest.mark.parametrize("size", [*FD_SIZES, 9, 10, 33, 63])
def test_every_first_and_second_byte_is_read_as_can_isotp_reads_it(size, address_bytes):
    seconds = [*range(16), 62, 63, 64, 127, 128, 240, 241, 249, 250, 255]
    frames = [
        (bytes([0xF1] * address_bytes + [first, second]) + bytes(range(7, 70)))[:size]
        for first in range(256)
        for second in seconds
    ]
    for frame, row in zip(frames, read(frames, address_bytes), strict=True):
        agree(frame, address_bytes, row)


@given(
    st.lists(st.binary(max_size=8) | st.sampled_from(FD_SIZES).flatmap(lambda n: st.binary(min_size=n, max_size=n))),
    st.integers(0, 1),
)
def test_any_frame_is_read_as_can_isotp_reads_it(frames, address_bytes):
    if frames:
        for frame, row in zip(frames, read(frames, address_bytes), strict=True):
            agree(frame, address_bytes, row)


@given(st.integers(0, 0xFFFFFFFF), st.sampled_from([8, 12, 64]), st.integers(0, 1))
def test_32_bit_lengths_are_read_as_can_isotp_reads_them(said, size, address_bytes):
    frame = (bytes([0xF1] * address_bytes) + b"\x10\x00" + said.to_bytes(4, "big")).ljust(size, b"\x55")
    agree(frame, address_bytes, read([frame], address_bytes)[0])
