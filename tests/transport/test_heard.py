"""What else is on the wire, in words."""

from decoder.transport.heard import heard_lines
from tests.building import capture


def test_a_node_of_canopen_is_named_with_its_states():
    rows = [(n, 0x705, b"\x05") for n in range(5)] + [(n + 0.1, 0x185, bytes(8)) for n in range(3)]
    lines = heard_lines(capture(sorted(rows, key=lambda row: row[0])))
    assert ("CANopen", "185 on can0: TPDO1 of node 5, 3 frames") in lines
    assert any(text.startswith("705 on can0: heartbeat of node 5, 5 frames: operational 5") for _, text in lines)


def test_long_parameter_groups_are_counted_by_group_and_source():
    rows = [(1.0, 0x1CECFFE5, bytes.fromhex("20140003FF50FF00"))]
    rows += [(1.0 + 0.06 * n, 0x1CEBFFE5, bytes([n]) + bytes(7)) for n in (1, 2, 3)]
    rows += [(5.0, 0x1CECFFE5, bytes.fromhex("20140003FF50FF00")), (9.0, 0x123456, b"")]
    assert heard_lines(capture(rows)) == (
        ("J1939", "parameter group 0FF50 from address E5 on can0, in packets: 1 whole, 1 time-out"),
    )


def test_plain_frames_are_not_mentioned():
    assert heard_lines(capture([(n, 0x100, bytes(8)) for n in range(10)])) == ()


def test_text_from_the_capture_cannot_act_on_the_terminal():
    lines = heard_lines(capture([(n, 0x705, b"\x05") for n in range(3)], ("can\x1b[2J",)))
    assert "\x1b" not in "".join(text for _, text in lines)
