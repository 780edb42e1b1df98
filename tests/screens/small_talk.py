"""A small conversation: 6E2 asks, 6EA answers; identity, polls, a refusal, more time, no answer, a cut-off answer."""

from tests.building import capture

ASKS, ANSWERS = 0x6E2, 0x6EA
VIN = b"TESTV1N0000000001"
POLLS = 30


def frames_of(payload, time_s, can_id, step_s=0.001):
    """A payload as frames of ISO 15765-2: (time_s, identifier, data)."""
    if len(payload) <= 7:
        return [(time_s, can_id, (bytes([len(payload)]) + payload).ljust(8, b"\x00"))]
    rows = [(time_s, can_id, bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:6])]
    for number, at in enumerate(range(6, len(payload), 7), 1):
        # Behind the first frame there is room for the flow control.
        data = (bytes([0x20 | number & 15]) + payload[at : at + 7]).ljust(8, b"\x00")
        rows.append((time_s + (number + 1) * step_s, can_id, data))
    return rows


def ask(time_s, request, *answers, lost=()):
    """A question and its answers, 5 ms apart; frames of the last answer with the numbers in `lost` are not there."""
    rows = frames_of(request, time_s, ASKS)
    for number, answer in enumerate(answers, 1):
        sent = frames_of(answer, time_s + number * 0.005, ANSWERS)
        if len(sent) > 1:
            rows.append((sent[0][0] + 0.001, ASKS, b"\x30\x00\x00\x00\x00\x00\x00\x00"))
        rows += [frame for at, frame in enumerate(sent) if at not in lost]
    return rows


def talk_rows(polls=POLLS):
    """The rows of the conversation, as `tests.building.capture` takes them."""
    rows = [
        *ask(1.0, b"\x22\xf1\x87", b"\x62\xf1\x87HS-PK-TEST-1"),
        *ask(1.1, b"\x22\xf1\x8c", b"\x62\xf1\x8cSN-0007"),
        *ask(1.2, b"\x22\xf1\x90", b"\x62\xf1\x90" + VIN),
        *ask(1.3, b"\x19\x02\xff", b"\x59\x02\xff\x0a\xa6\x17\x09"),
        *ask(1.4, b"\x2e\xf1\x8cNEW", b"\x7f\x2e\x33"),
        *ask(1.5, b"\x31\x01\x02\x02", b"\x7f\x31\x78", b"\x7f\x31\x78", b"\x71\x01\x02\x02\x00"),
        *ask(1.6, b"\x22\x01\x99"),
        *ask(1.7, b"\x22\xf1\x87\xf1\x8c", b"\x62\xf1\x87HS-PK-TEST-1\xf1\x8cSN-0007"),
    ]
    for number in range(polls):
        answer = b"\x62\x01\x04" + bytes((number + at) % 251 for at in range(40))
        rows += ask(2 + number * 0.2, b"\x22\x01\x04", answer, lost=(3,) if number == 7 else ())
    return sorted(rows, key=lambda row: row[0])


def talk_frames(polls=POLLS):
    """The conversation alone."""
    return capture(talk_rows(polls))
