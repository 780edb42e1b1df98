"""Who talks to whom: nothing is found in traffic that is no conversation, and conversations in it are found."""

import numpy as np
import pytest

from decoder.frames import Frames, concatenate
from decoder.transport.exchanges import exchanges
from decoder.transport.iso_tp import conversations
from tools.traffic import columns, noise, periodic

# Identifiers that ISO 15765-4 keeps for questions and answers; a lone frame there that could be one is taken for one.
_KEPT = range(0x7DF, 0x7F0)
_LIKE_THE_PROTOCOL = [1, 2, 3, 4, 5, 6, 7, 0x10, 0x20, 0x21, 0x22, 0x30]


def planted(traffic, rows):
    """The traffic with rows of (time_s, identifier, payload, wide) put in by time; and where these stand."""
    added = columns(
        np.array([row[0] * 1e9 for row in rows]),
        np.array([row[1] for row in rows]),
        np.array([list(row[2].ljust(8, b"\0")) for row in rows], np.uint8),
        length=np.array([len(row[2]) for row in rows]),
        wide=np.array([row[3] for row in rows]),
    )
    time_ns = np.concatenate([traffic.time_ns, added.time_ns])
    order = np.argsort(time_ns, kind="stable")
    joined = {
        name: np.concatenate([getattr(traffic, name), getattr(added, name)])[order]
        for name in ("bus", "can_id", "flags", "length", "data", "source")
    }
    line = np.arange(1, len(order) + 1, dtype=np.uint32)
    return Frames(time_ns=time_ns[order], line=line, bus_names=traffic.bus_names, **joined)


def count(frames):
    found = conversations(frames)
    assert len(exchanges(frames, found)) >= len(found.askers)
    return len(exchanges(frames, found))


def without(frames, ids):
    return frames.take(~np.isin(frames.can_id, list(ids)))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("ids", [30, 100, 500])
def test_periodic_frames_are_no_exchanges(seed, ids):
    assert count(without(periodic(seed, 50_000, ids), _KEPT)) == 0


@pytest.mark.parametrize("seed", range(4))
def test_periodic_frames_that_begin_as_the_protocol_does_are_no_exchanges(seed):
    assert count(without(periodic(seed, 50_000, 100, start_with=_LIKE_THE_PROTOCOL), _KEPT)) == 0


@pytest.mark.parametrize("seed", range(40))
def test_a_few_seconds_of_periodic_frames_are_no_exchanges(seed):
    assert count(without(periodic(seed, 4_000), _KEPT)) == 0


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(
    "manner",
    [
        {"pool": 50},
        {"pool": 2048},
        {"pool": None},
        {"pool": None, "share_wide": 1.0},
        {"pool": 1000, "share_wide": 1.0},
        {"pool": 5000, "share_wide": 0.5},
        {"pool": 50, "first_bytes": _LIKE_THE_PROTOCOL},
    ],
)
def test_noise_gives_less_than_one_exchange_in_100_000_frames(seed, manner):
    assert count(noise(seed, 100_000, **manner)) == 0


def test_much_noise_that_begins_as_the_protocol_does_gives_none():
    """Among 500 identifiers of 2000 frames each, numbers follow a first frame often enough to look like messages."""
    assert count(without(noise(3, 1_000_000, 500, first_bytes=_LIKE_THE_PROTOCOL), _KEPT)) == 0


@pytest.mark.parametrize("seed", range(3))
def test_noise_among_periodic_frames_gives_none_either(seed):
    parts = [without(periodic(seed, 30_000), _KEPT), noise(seed, 30_000, 300, 0.5)]
    mixture = concatenate(parts, parts[0].account)
    assert count(mixture.take(np.argsort(mixture.time_ns, kind="stable"))) == 0


# Conversations put into it: 22 F190 and its answer of 20 bytes; polls; OBD.


def single(payload):
    return (bytes([len(payload)]) + payload).ljust(8, b"\xaa")


def read_name(rng, asker, answerer, wide, *, flow=True):
    answer = bytes.fromhex("62F190") + rng.bytes(17)
    at_s = rng.uniform(0.3, 1.0)
    words = [
        (asker, single(bytes.fromhex("22F190"))),
        (answerer, bytes([0x10, 20]) + answer[:6]),
        *([(asker, bytes.fromhex("300000AAAAAAAAAA"))] if flow else []),
        (answerer, b"\x21" + answer[6:13]),
        (answerer, b"\x22" + answer[13:]),
    ]
    return [(at_s + n / 1000, *word, wide) for n, word in enumerate(words)], [(bytes.fromhex("22F190"), answer)]


def poll(rng, asker, answerer, wide):
    rows, told = [], []
    for turn in range(100):
        question, answer = bytes.fromhex("225000"), bytes.fromhex("625000") + rng.bytes(4)
        rows.append((0.1 + turn / 70, asker, single(question), wide))
        rows.append((0.104 + turn / 70, answerer, single(answer), wide))
        told.append((question, answer))
    return rows, told


def read_current_data(rng):
    rows, told = [], []
    for turn, number in enumerate([0x00, 0x0C, 0x0D, 0x05, 0x2F]):
        question, answer = bytes([1, number]), bytes([0x41, number]) + rng.bytes(2)
        rows.append((0.1 + turn / 10, 0x7DF, single(question), False))
        rows.append((0.11 + turn / 10, 0x7E8, single(answer), False))
        told.append((question, answer))
    return rows, told


def traffic(kind, seed):
    return {
        "periodic": lambda: periodic(seed, 5_000),
        "noise": lambda: noise(seed, 5_000, 50),
        "noise on all identifiers": lambda: noise(seed, 5_000, None),
        "noise with 29 bits": lambda: noise(seed, 5_000, 500, 0.5),
    }[kind]()


def is_found(kind, seed, rows, told):
    """Tell whether just these questions and answers, and nothing else, are found in traffic of a kind."""
    frames = planted(without(traffic(kind, seed), {*_KEPT, *(row[1] for row in rows)}), rows)
    return [(one.request, one.answer) for one in exchanges(frames)] == told


@pytest.mark.parametrize("kind", ["periodic", "noise", "noise on all identifiers", "noise with 29 bits"])
def test_a_single_long_answer_at_any_identifiers_is_found(kind):
    found = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        wide = bool(seed % 2)
        asker, answerer = rng.choice(0x20000000 if wide else 0x7DF, 2, replace=False).tolist()
        found.append(is_found(kind, seed, *read_name(rng, asker, answerer, wide, flow=seed % 3 > 0)))
    assert all(found)


@pytest.mark.parametrize("kind", ["periodic", "noise", "noise on all identifiers", "noise with 29 bits"])
def test_polls_of_one_identifier_at_any_identifiers_are_found(kind):
    found = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        asker, answerer = rng.choice(0x7DF, 2, replace=False).tolist()
        found.append(is_found(kind, seed, *poll(rng, asker, answerer, wide=False)))
    # A service and two bytes repeated are 22 bits: periodic counters can by chance leave too many places for those.
    assert sum(found) >= 9


@pytest.mark.parametrize("kind", ["periodic", "noise", "noise on all identifiers", "noise with 29 bits"])
def test_current_data_asked_of_all_is_found(kind):
    assert all(is_found(kind, seed, *read_current_data(np.random.default_rng(seed))) for seed in range(10))


@pytest.mark.parametrize(
    ("fillings", "is_one"),
    [
        ([bytes([0xAA] * 6)] * 20, True),
        ([b""] * 20, True),
        ([bytes([turn] * 6) for turn in range(20)], False),  # a counter
        ([bytes(range(turn, turn + 6)) for turn in range(20)], False),
        ([bytes([0xAA])] * 20, False),  # neither as short as can be nor filled up
    ],
)
def test_a_lone_asker_on_a_kept_identifier_is_told_from_a_broadcast_by_its_filling(fillings, is_one):
    rows = [(turn / 10, 0x7E1, b"\x01\x03" + filling, False) for turn, filling in enumerate(fillings)]
    assert count(planted(noise(1, 0, 5), rows)) == (20 if is_one else 0)


def test_the_two_sides_of_one_stream_are_not_taken_for_a_pair():
    """Both addresses of one identifier cannot talk to each other: an identifier has one sender."""
    rows = []
    for turn in range(20):
        rows.append((turn / 10, 0x6F0, bytes.fromhex("100322F190AAAAAA"), False))
        rows.append((turn / 10 + 0.01, 0x6F0, bytes.fromhex("110562F1900102AA"), False))
    assert conversations(planted(noise(1, 0, 5), rows)).askers == {}


def test_named_identifiers_are_believed_on_somebodys_word():
    rows = [(turn / 10, 0x123, single(bytes([0x99, turn])), False) for turn in range(5)]
    frames = planted(noise(1, 0, 5), rows)
    assert len(conversations(frames).transfers) == 0
    named = conversations(frames, named=frozenset({(0x123, False)}))
    assert [named.transfers.payload(n) for n in range(5)] == [bytes([0x99, turn]) for turn in range(5)]
    assert len(conversations(frames, named=frozenset({(0x123, True)})).transfers) == 0


def test_flow_control_of_one_conversation_inside_another_makes_no_pair():
    """One tester writes a long value while another reads one; the flow control of either comes where both are due."""
    written, read = bytes.fromhex("2EF198") + b"HARBOUR YARD" * 4, bytes.fromhex("62F18C") + b"TESTV1N0000000001"
    words = [
        (0x333, single(bytes.fromhex("22F18C"))),
        (0x444, b"\x10\x14" + read[:6]),
        (0x111, b"\x10\x33" + written[:6]),
        (0x333, bytes.fromhex("300000AAAAAAAAAA")),
        (0x222, bytes.fromhex("300000AAAAAAAAAA")),
        (0x444, b"\x21" + read[6:13]),
        (0x444, b"\x22" + read[13:]),
        *((0x111, bytes([0x21 + at // 7]) + written[at + 6 : at + 13]) for at in range(0, 45, 7)),
        (0x222, single(bytes.fromhex("6EF198"))),
    ]
    frames = planted(noise(1, 0, 5), [(n / 1000, *word, False) for n, word in enumerate(words)])
    found = conversations(frames)
    ids = [path.key.can_id for path in found.transfers.paths]
    assert {ids[answerer]: [ids[asker] for asker in of_it] for answerer, of_it in found.askers.items()} == {
        0x222: [0x111],
        0x444: [0x333],
    }
    assert sorted((one.request, one.answer) for one in exchanges(frames, found)) == [
        (bytes.fromhex("22F18C"), read),
        (written, bytes.fromhex("6EF198")),
    ]


@pytest.mark.parametrize(("others", "is_one"), [(0, True), (2, True), (3, False), (8, False)])
def test_what_speaks_for_a_pair_is_set_against_the_places_where_chance_could_strike(others, is_one):
    """A service and one repeated byte are 13.6 bits; n more of each side take 2 log2(n + 1); 10 must be left."""
    rows = [
        (1.0, 0x411, bytes.fromhex("0210030000000000"), False),
        (1.01, 0x522, bytes.fromhex("0250030000000000"), False),
    ]
    for number in range(others):
        rows.append((2.0 + number, 0x300 + number, bytes([2, 0x11, number + 1]) + bytes(5), False))
        rows.append((2.5 + number, 0x200 + number, bytes([2, 0x67, number + 1]) + bytes(5), False))
    assert (count(planted(noise(1, 0, 5), sorted(rows))) == 1) == is_one
