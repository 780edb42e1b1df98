"""CANopen objects named where a bus shows a heartbeat."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.frames import ERROR, EXTENDED, REMOTE, Frames
from decoder.transport.canopen import canopen_objects, emergency_words, heartbeat_word, nmt_words, sdo_words
from tests.building import capture

_KINDS = [
    (0x000, None, "NMT", 2),
    (0x080, None, "SYNC", 0),
    (0x085, 5, "EMCY", 8),
    (0x100, None, "TIME", 6),
    (0x185, 5, "TPDO1", 8),
    (0x285, 5, "TPDO2", 3),
    (0x385, 5, "TPDO3", 8),
    (0x485, 5, "TPDO4", 8),
    (0x205, 5, "RPDO1", 8),
    (0x305, 5, "RPDO2", 8),
    (0x405, 5, "RPDO3", 1),
    (0x505, 5, "RPDO4", 8),
    (0x585, 5, "SDO answer", 8),
    (0x605, 5, "SDO request", 8),
    (0x705, 5, "heartbeat", 1),
]


def told(*rows, alive=(5,)):
    """Objects of frames (identifier, payload, ...), the nodes `alive` sending two heartbeats on bus 0 each."""
    beats = [(0x700 + node, b"\x05", 0) for node in alive for _ in range(2)]
    numbered = [(n * 0.01, *row) for n, row in enumerate([*rows, *beats])]
    return canopen_objects(capture(numbered, ("can0", "can1")))


def detail(kind, *rows):
    return next(found.detail for found in told(*rows) if found.kind == kind)


def test_every_object_of_the_predefined_set_is_named_once_its_node_shows_a_heartbeat():
    found = told(*[(can_id, bytes(length)) for can_id, _, kind, length in _KINDS if kind != "heartbeat"])
    assert [(o.can_id, o.node, o.kind) for o in found] == sorted(row[:3] for row in _KINDS)
    assert {o.bus for o in found} == {"can0"}
    assert {o.frames for o in found if o.kind != "heartbeat"} == {1}


def test_nothing_is_named_on_a_bus_without_heartbeat():
    rows = [(can_id, bytes(length)) for can_id, _, kind, length in _KINDS if kind != "heartbeat"]
    assert told(*rows, alive=()) == ()
    assert {o.bus for o in told(*[(*row, 1) for row in rows])} == {"can0"}


def test_nothing_is_named_for_a_node_without_heartbeat():
    found = told((0x186, bytes(8)), (0x606, bytes(8)), (0x086, bytes(8)), (0x706, b"\x05"), (0x185, bytes(8)))
    assert [(o.kind, o.node) for o in found] == [("TPDO1", 5), ("heartbeat", 5)]


@pytest.mark.parametrize(
    "payloads",
    [[b"\x05"], [b"\x05", b"\x06"], [b"\x05", b"\x05\x00"], [b"\x05", b""], [b"\x01", b"\x01"]],
    ids=["once", "unknown state", "two bytes", "no byte", "unknown states"],
)
def test_what_is_no_heartbeat_is_no_evidence(payloads):
    assert told(*[(0x705, payload) for payload in payloads], (0x185, bytes(8)), alive=()) == ()


@pytest.mark.parametrize("flag", [ERROR, REMOTE, EXTENDED])
def test_error_remote_and_29_bit_frames_are_no_evidence(flag):
    assert told(*[(0x705, b"\x05", 0, flag)] * 3, alive=()) == ()


def test_a_guarded_node_toggles_bit_7_of_its_state():
    (found,) = told((0x709, b"\x85"), (0x709, b"\x05"), (0x709, b"\xff"), alive=())
    assert (found.node, found.detail) == (9, "operational 2, pre-operational 1")


@pytest.mark.parametrize(("can_id", "length"), [(0x000, 8), (0x080, 8), (0x085, 7), (0x100, 8), (0x585, 4), (0x605, 7)])
def test_an_object_of_another_length_than_its_own_is_not_named(can_id, length):
    assert [o.kind for o in told((can_id, bytes(length)))] == ["heartbeat"]


@pytest.mark.parametrize("can_id", [0x001, 0x07F, 0x101, 0x180, 0x205 + 0x400 + 0x80, 0x700, 0x785, 0x7FF])
def test_identifiers_outside_the_set_are_not_named(can_id):
    assert [o.kind for o in told((can_id, bytes(8)))] == ["heartbeat"]


def test_a_heartbeat_lists_its_states_with_counts():
    assert detail("heartbeat", (0x705, b"\x00"), (0x705, b"\x7f")) == "operational 2, boot-up 1, pre-operational 1"


def test_nmt_lists_its_commands_with_the_nodes():
    said = detail("NMT", (0, b"\x01\x05"), (0, b"\x81\x00"), (0, b"\x01\x05"), (0, b"\x33\x07"))
    assert said == "start (node 5) 2, unknown command 33h (node 7) 1, reset node (all nodes) 1"


def test_emcy_lists_its_codes():
    assert detail("EMCY", (0x85, bytes([0x10, 0x31] + [0] * 6)), (0x85, bytes(8))) == "0000h 1, 3110h 1"


def test_sdo_counts_reads_writes_and_aborts_of_each_direction():
    requests = [(0x605, bytes([word, *[0] * 7])) for word in (0x40, 0x40, 0x23, 0x2F, 0x2B, 0x27, 0x80, 0x60)]
    answers = [(0x585, bytes([word, *[0] * 7])) for word in (0x43, 0x47, 0x4B, 0x4F, 0x60, 0x60, 0x80, 0x20)]
    assert detail("SDO request", *requests) == "writes 4, reads 2, parts 1, aborts 1"
    assert detail("SDO answer", *answers) == "reads 4, writes 2, parts 1, aborts 1"


def test_no_frames_hold_no_objects():
    assert canopen_objects(Frames.empty()) == ()


@pytest.mark.parametrize(
    ("state", "word"),
    [
        (0x00, "boot-up"),
        (0x04, "stopped"),
        (0x05, "operational"),
        (0x7F, "pre-operational"),
        (0x85, "operational"),
        (0x03, "unknown state 03h"),
    ],
)
def test_states_have_their_words(state, word):
    assert heartbeat_word(state) == word


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("0105", "start (node 5)"),
        ("0200", "stop (all nodes)"),
        ("807F", "enter pre-operational (node 127)"),
        ("8101", "reset node (node 1)"),
        ("8201", "reset communication (node 1)"),
        ("01", "no NMT: length 1 instead of 2"),
    ],
)
def test_nmt_commands_have_their_words(payload, words):
    assert nmt_words(bytes.fromhex(payload)) == words


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("4018100100000000", "read request 1018:01"),
        ("4318100178563412", "read answer 1018:01 = 78 56 34 12"),
        ("4718100178563400", "read answer 1018:01 = 78 56 34"),
        ("4B17100064000000", "read answer 1017:00 = 64 00"),
        ("4F00200205000000", "read answer 2000:02 = 05"),
        ("2300200278563412", "write 2000:02 = 78 56 34 12"),
        ("2700200278563400", "write 2000:02 = 78 56 34"),
        ("2B171000E8030000", "write 1017:00 = E8 03"),
        ("2F00180105000000", "write 1800:01 = 05"),
        ("6017100000000000", "write done 1017:00"),
        ("8000200200000206", "abort 2000:02, code 06020000h"),
        ("0041424344454647", "other SDO, command 00h"),
        ("4018", "no SDO: length 2 instead of 8"),
    ],
)
def test_sdo_frames_have_their_words(payload, words):
    assert sdo_words(bytes.fromhex(payload)) == words


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("1031050000000000", "error 3110h, register: generic, voltage"),
        ("0000000000000000", "no error any more, register: none"),
        (
            "1042 89 0102030405",
            "error 4210h, register: generic, temperature, maker's own, maker's bytes 01 02 03 04 05",
        ),
        ("0020720000000000", "error 2000h, register: current, communication, device profile, reserved bit"),
        ("1042", "no EMCY: length 2 instead of 8"),
    ],
)
def test_emergencies_have_their_words(payload, words):
    assert emergency_words(bytes.fromhex(payload)) == words


@given(st.binary(max_size=10))
def test_any_payload_gets_some_words(payload):
    for words in (nmt_words, sdo_words, emergency_words):
        assert words(payload)


@given(st.lists(st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8), st.integers(0, 1)), max_size=50))
def test_any_frames_are_counted_once_and_named_only_beside_a_heartbeat(rows):
    found = told(*rows, alive=(5, 6))
    assert len({(o.bus, o.can_id) for o in found}) == len(found)
    for o in found:
        bus = ["can0", "can1"].index(o.bus)
        beats = 2 if bus == 0 and o.can_id in (0x705, 0x706) else 0
        assert o.frames == sum(row[0] == o.can_id and row[2] == bus for row in rows) + beats
        assert o.node is None or any(p.kind == "heartbeat" and (p.bus, p.node) == (o.bus, o.node) for p in found)
        assert o.kind == "heartbeat" or any(p.kind == "heartbeat" and p.bus == o.bus for p in found)
