"""ISO 15765-2 conversations of can-isotp, heard by a third participant, put together again."""

import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Key
from decoder.transport.iso_tp import conversations
from tests.transport import talkers
from tests.transport.frame_by_frame import read_slowly
from tests.transport.talkers import frames_of, in_time_order, listen, timed


def found_in(heard, **more):
    frames = frames_of(heard)
    found = conversations(frames, **more)
    check_shape(frames, found)
    return found


def check_shape(frames, found):
    """What holds of transfers whatever was in the capture."""
    transfers = found.transfers
    assert (transfers.last_row[1:] >= transfers.last_row[:-1]).all()
    assert len(transfers.paths) == len(found.side) or not len(transfers)
    for n in range(len(transfers)):
        path = transfers.paths[transfers.path[n]]
        rows = transfers.frames_of(n)
        assert len(rows)
        assert (rows[1:] > rows[:-1]).all()
        assert {frames.key_of(row) for row in rows.tolist()} == {path.key}
        assert transfers.received[n] == len(transfers.payload(n))
        if transfers.whole[n]:
            assert transfers.received[n] == transfers.length[n]
        else:
            assert transfers.length[n] == -1 or transfers.received[n] <= transfers.length[n]
        # Every byte stands in the frames that are named, in their order.
        told = b"".join(frames.payload(row) for row in rows.tolist())
        assert _is_part(transfers.payload(n), told)


def _is_part(payload, told):
    rest = iter(told)
    return all(byte in rest for byte in payload)


def key_of(line, can_id):
    return Key(line.bus, can_id, line.wide)


def whole(found):
    """What arrived whole: (stream, address, payload, rows) in order of the last rows."""
    transfers = found.transfers
    return [
        (
            transfers.paths[transfers.path[n]].key,
            transfers.paths[transfers.path[n]].address,
            transfers.payload(n),
            tuple(transfers.frames_of(n).tolist()),
        )
        for n in range(len(transfers))
        if transfers.whole[n]
    ]


def said(messages, heard):
    """The same as the participants know it."""
    rows = {}
    for row, one in enumerate(heard):
        if one.message >= 0:
            rows.setdefault((one.line, one.message), []).append(row)
    listed = []
    for line, told in messages.items():
        for number, message in enumerate(told):
            if (line, number) in rows:
                where = tuple(rows[line, number])
                address = line.address_in(message.can_id)
                listed.append((key_of(line, message.can_id), address, message.payload, where))
    return sorted(listed, key=lambda one: one[3][-1])


def sides(found):
    return {(p.key, p.address): side for p, side in zip(found.transfers.paths, found.side, strict=True)}


def pairs(found):
    """The pairs (asker, answerer), each as (stream, address)."""
    named = [(path.key, path.address) for path in found.transfers.paths]
    return {(named[asker], named[answerer]) for answerer, of_it in found.askers.items() for asker in of_it}


def ends(line):
    return tuple((key_of(line, can_id), line.address_in(can_id)) for can_id in (line.asker, line.answerer))


@st.composite
def talks(draw, *, addressed=None, bus=0, taken=(), most=4095, turns=3, least=30, waits=(0, 0, 0, 1, 3)):
    """One conversation: its line, its messages, its frames with times."""
    line = draw(talkers.lines(addressed=addressed, bus=bus, taken=taken))
    dialogue = [
        draw(talkers.introductions(least, len(taken))),
        *draw(st.lists(talkers.turns(most=most), max_size=turns)),
    ]
    messages, heard = listen(line, dialogue, **draw(talkers.manners()))
    rng = random.Random(draw(st.integers(0, 2**32)))
    start_ns = 10**9 + rng.randrange(10**7)
    return talkers.Talk(line, messages, list(timed(heard, rng, start_ns=start_ns, waits=draw(st.sampled_from(waits)))))


def expect_all(found, messages, heard):
    assert whole(found) == said(messages, heard)
    assert found.transfers.whole.all()
    assert pairs(found) == {ends(line) for line in messages}
    assert sides(found) == {
        end: side for line in messages for end, side in zip(ends(line), ("asker", "answerer"), strict=True)
    }


@given(talks())
def test_a_conversation_is_found_to_the_last_frame(talk):
    line, messages, heard = talk
    expect_all(found_in(heard), {line: messages}, heard)


@given(st.data())
@settings(max_examples=60)
def test_several_conversations_among_other_traffic_are_told_apart(data):
    spoken, lists = {}, []
    for bus in data.draw(st.lists(st.integers(0, 1), min_size=2, max_size=4)):
        line, messages, heard = data.draw(talks(bus=bus, taken=tuple(spoken), waits=(0, 0, 1)))
        spoken[line] = messages
        lists.append(heard)
    used = {can_id for line in spoken for can_id in (line.asker, line.answerer)}
    rng = random.Random(data.draw(st.integers(0, 2**32)))
    others = rng.sample(sorted(set(range(0x800)) - used), 12)
    noise = [talkers.broadcasts(rng, others[bus::2], 2 * 10**9, bus) for bus in (0, 1)]
    heard = in_time_order(*lists, *noise)
    found = found_in(heard)
    mine = {key_of(line, can_id) for line in spoken for can_id in (line.asker, line.answerer)}
    assert {path.key for path in found.transfers.paths} == mine
    expect_all(found, spoken, heard)


@given(talks(addressed=True))
def test_an_address_byte_is_seen_and_said_why(talk):
    line, _, heard = talk
    paths = found_in(heard).transfers.paths
    assert [path.address for path in paths if path.key.can_id == line.asker] == [line.addresses[0]]
    for path in paths:
        assert path.reason.startswith("extended addressing: byte 0 is an address; ")
        assert path.reason.endswith("at byte 1 in 100%")


@given(talks(addressed=False))
def test_no_address_byte_is_seen_and_said_why(talk):
    _, _, heard = talk
    for path in found_in(heard).transfers.paths:
        assert path.address is None
        assert path.reason.startswith("normal addressing: protocol bytes at byte 0 in 100% of the frames, at byte 1 in")


# Long enough for a few frames of any size; without the asker nobody knows of waits.
@given(talks(least=300, waits=(0,)))
def test_answers_are_found_where_the_asker_is_not_heard(talk):
    line, messages, heard = talk
    alone = [one for one in heard if one.can_id == line.answerer]
    found = found_in(alone)
    assert whole(found) == said({line: messages}, alone)
    assert pairs(found) == set()
    assert list(sides(found)) == [ends(line)[1]]


# Damage. The first two questions and answers stay whole, so that there is no doubt who talks to whom.


@st.composite
def damaged(draw):
    """A conversation with frames lost, doubled, exchanged and late; most of its answers are alike in length."""
    line = draw(talkers.lines())
    length = draw(st.integers(8, 150))
    dialogue = [draw(talkers.introductions(100, number)) for number in (0, 1)]
    for number in range(draw(st.integers(1, 8))):
        if draw(st.integers(0, 2)):
            body = random.Random(draw(st.integers(0, 2**32))).randbytes(length - 3)
            dialogue.append((bytes([0x22, 0x50, number]), bytes([0x62, 0x50, number]) + body))
        else:
            dialogue.append(draw(talkers.turns(most=300)))
    messages, heard = listen(line, dialogue, **draw(talkers.manners()))
    rng = random.Random(draw(st.integers(0, 2**32)))
    heard = list(timed(heard, rng, waits=draw(st.sampled_from([0, 0, 0, 1]))))
    whole_until = next(at for at, one in enumerate(heard) if one.message > 3)
    rate = draw(st.sampled_from([0.01, 0.05, 0.2, 0.4]))
    kinds = draw(st.lists(st.sampled_from(["lost", "lost", "twice", "exchanged", "late"]), min_size=1, max_size=3))
    heard = [*heard[:whole_until], *_damage(heard[whole_until:], rng, rate, kinds)]
    return talkers.Talk(line, messages, heard)


def _damage(heard, rng, rate, kinds):
    times = [one.time_ns for one in heard]
    order = list(range(len(heard)))
    if "exchanged" in kinds:
        for at in range(len(order) - 1):
            if rng.random() < rate:
                order[at : at + 2] = order[at + 1], order[at]
    late_ns = 0
    for time_ns, at in zip(times, order, strict=True):
        if "lost" in kinds and rng.random() < rate:
            continue
        if "late" in kinds and rng.random() < rate / 4:
            late_ns += 1_200_000_000
        yield replace(heard[at], time_ns=time_ns + late_ns)
        if "twice" in kinds and rng.random() < rate:
            yield replace(heard[at], time_ns=time_ns + late_ns + 50_000)


def _patched(heard, rows):
    """Tell whether the frames in these rows come from more than one message."""
    return len({heard[row].message for row in rows}) > 1


def _is_told_by_the_bus(talk, rows):
    """Tell whether a listener can know that frames of two messages do not belong together.

    Where the end of one message and the beginning of the next are lost, and the numbers and the length fit, only what
    the other side says between them can tell. For answers that is the question, if its beginning is there.
    """
    heard = talk.heard
    numbers = [heard[row].message for row in rows]
    change = next(at for at in range(1, len(rows)) if numbers[at] != numbers[at - 1])
    before, after = rows[change - 1], rows[change]
    if heard[rows[0]].can_id != talk.line.answerer:
        return False
    # A first frame exchanged to behind the frames that it announces answers the question all the same.
    at = 0 if talk.line.addresses is None else 1
    if any(one.message == numbers[change] and one.data[at] >> 4 == 1 for one in heard[rows[-1] :]):
        return False
    return any(
        one.message == numbers[change] - 1 and beginning for one, beginning in _beginnings(talk, before + 1, after)
    )


def _beginnings(talk, begin, end):
    for one in talk.heard[begin:end]:
        at = 0 if talk.line.addresses is None else 1
        yield one, one.can_id == talk.line.asker and one.data[at] >> 4 in {0, 1}


@given(damaged())
@settings(max_examples=200)
def test_no_message_is_made_up_of_a_damaged_conversation(talk):
    told = {(message.can_id, message.payload) for message in talk.messages}
    for key, address, payload, rows in whole(found_in(talk.heard)):
        assert address == talk.line.address_in(key.can_id)
        if (key.can_id, payload) not in told:
            assert _patched(talk.heard, rows)
            assert not _is_told_by_the_bus(talk, rows)


def _looks_patched(talk, rows):
    """Tell whether the bus looks as if the end of this answer, and the beginning of the next, were lost.

    That is so where another question was exchanged with frames of this answer, and no answer to it begins behind it;
    or its own question, where the one before is the same and nothing seems to answer that. Nobody can tell these from
    an answer that was patched up, which is the likelier by far: frames are lost more often than exchanged.
    """
    number = talk.heard[rows[0]].message
    inside = [one.message for one, beginning in _beginnings(talk, rows[0], rows[-1]) if beginning]
    before = [one for one, beginning in _beginnings(talk, 0, rows[0]) if beginning]
    own = talk.messages[number - 1].payload
    same = before and talk.messages[before[-1].message].payload == own
    return any(question != number - 1 or same for question in inside)


@given(damaged())
@settings(max_examples=200)
def test_what_a_reader_of_single_frames_gets_whole_out_of_damage_is_found(talk):
    found = whole(found_in(talk.heard))
    slow = read_slowly(talk.heard)
    lost = [one for one in slow if one not in found and not _patched(talk.heard, one[3])]
    assert [one for one in lost if not _looks_patched(talk, one[3])] == []
    assert [one for one in found if one not in slow] == []
