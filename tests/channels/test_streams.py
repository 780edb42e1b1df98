"""Which frames and payloads a message describes: parameter groups of SAE J1939 from any source, by any priority."""

import pytest

from decoder.bits import Field
from decoder.channels import decode
from decoder.channels.streams import messages_of
from decoder.channels.table import long_table
from decoder.frames import Key
from decoder.maps import load_map
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture

VOLT = Signal("Pack_V", Field(0, 16), 0.1, unit="V")


def group(can_id, *signals, length=8, name="PackState"):
    return Message(name, can_id, True, length, signals or (VOLT,), is_j1939=True)


def frame(time_s, can_id, value, bus=0):
    return time_s, can_id, value.to_bytes(2, "little") + bytes(6), bus


def test_any_priority_of_one_source_is_one_channel():
    channels = decode(
        capture([frame(1, 0x18FF50E5, 3000), frame(2, 0x0CFF50E5, 3010), frame(3, 0x18FF50E5, 3020)]),
        SignalMap((group(0x18FF50FE),)),
    )
    assert list(channels) == ["Pack_V"]
    assert channels["Pack_V"].raw.tolist() == [3000, 3010, 3020]
    assert channels["Pack_V"].channel.source_address == 0xE5


def test_two_sources_are_two_channels_named_by_their_addresses():
    rows = [frame(1, 0x18FF50E5, 3000), frame(2, 0x18FF50E6, 4000), frame(3, 0x18FF50E5, 3001)]
    channels = decode(capture(rows), SignalMap((group(0x18FF50FE),)))
    assert {name: series.raw.tolist() for name, series in channels.items()} == {
        "E5:Pack_V": [3000, 3001],
        "E6:Pack_V": [4000],
    }
    assert set(long_table(channels)["id"]) == {"18FF50E5", "18FF50E6"}


def test_the_same_source_on_two_buses_is_told_apart_by_bus():
    rows = [frame(1, 0x18FF50E5, 3000), frame(2, 0x18FF50E5, 4000, 1)]
    channels = decode(capture(rows, ("can0", "can1")), SignalMap((group(0x18FF50FE),)))
    assert sorted(channels) == ["can0:Pack_V", "can1:Pack_V"]


def test_a_message_that_names_the_source_takes_it_from_the_general_one():
    own = group(0x18FF50E6, Signal("Second_V", Field(0, 16)), name="Second")
    rows = [frame(1, 0x18FF50E5, 3000), frame(2, 0x18FF50E6, 4000)]
    channels = decode(capture(rows), SignalMap((group(0x18FF50FE), own)))
    assert {name: series.raw.tolist() for name, series in channels.items()} == {"Pack_V": [3000], "Second_V": [4000]}


@pytest.mark.parametrize("destination", [0x00, 0x21, 0xFF])
def test_the_destination_of_a_pdu1_group_does_not_matter(destination):
    rows = [frame(1, 0x18EF0000 | destination << 8 | 0xF4, 3000)]
    assert decode(capture(rows), SignalMap((group(0x18EF21F4),)))["Pack_V"].raw.tolist() == [3000]


def test_another_group_is_not_taken():
    channels = decode(capture([frame(1, 0x18FF51E5, 3000)]), SignalMap((group(0x18FF50FE),)))
    assert not channels
    assert channels.account.unseen == ("PackState",)


def test_a_message_without_the_format_keeps_to_its_identifier():
    plain = Message("PackState", 0x18FF50E5, True, 8, (VOLT,))
    channels = decode(capture([frame(1, 0x18FF50E5, 1), frame(2, 0x18FF50E6, 2)]), SignalMap((plain,)))
    assert channels["Pack_V"].raw.tolist() == [1]


def broadcast(time_s, payload, pgn=0xFF50, source=0xE5):
    """A long group by announcement and packets of seven bytes (SAE J1939-21 clause 5.10)."""
    packets = -(-len(payload) // 7)
    head = bytes([0x20]) + len(payload).to_bytes(2, "little") + bytes([packets, 0xFF]) + pgn.to_bytes(3, "little")
    rows = [(time_s, 0x1CECFF00 | source, head)]
    for number in range(packets):
        part = payload[7 * number : 7 * number + 7].ljust(7, b"\xff")
        rows.append((time_s + 0.05 * (number + 1), 0x1CEBFF00 | source, bytes([number + 1]) + part))
    return rows


LONG = group(0x18FF50FE, *(Signal(f"Cell_{n + 1}", Field(16 * n, 16)) for n in range(10)), length=20, name="Cells")


def test_a_long_group_is_put_together_from_its_packets():
    payload = b"".join(n.to_bytes(2, "little") for n in range(3600, 3610))
    frames = capture(broadcast(1, payload) + broadcast(2, payload, source=0xE6))
    channels = decode(frames, SignalMap((LONG,)))
    assert channels["E5:Cell_10"].raw.tolist() == [3609]
    assert channels["E6:Cell_1"].raw.tolist() == [3600]
    assert channels["E5:Cell_10"].rows.tolist() == [3]
    assert channels.payload_of(channels["E6:Cell_1"], 0) == payload


def test_a_long_group_that_fits_a_frame_now_and_then_is_one_channel_with_the_others():
    payload = b"".join(n.to_bytes(2, "little") for n in range(3600, 3610))
    rows = [*broadcast(1, payload), (2.0, 0x18FF50E5, payload[:8]), *broadcast(3, payload)]
    channels = decode(capture(rows), SignalMap((LONG,)))
    assert channels["Cell_4"].raw.tolist() == [3603] * 3
    assert channels["Cell_10"].raw.tolist() == [3609] * 2
    assert channels.payload_of(channels["Cell_4"], 1) == payload[:8]


def test_the_format_comes_from_the_map_file(tmp_path):
    path = tmp_path / "j.dbc"
    path.write_text(
        'VERSION ""\nBU_: A\nBO_ 2566869246 PackState: 8 A\n SG_ Pack_V : 0|16@1+ (0.1,0) [0|0] "V" A\n'
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_ "VFrameFormat" BO_ 2566869246 3;\n'
    )
    assert decode(capture([frame(1, 0x0CFF50A0, 3001)]), load_map(path, strict=True))["Pack_V"].value[0] == 300.1


# Which messages describe an identifier


def test_a_plain_message_describes_its_identifier_on_every_bus():
    plain = Message("Cells", 0x310, False, 8, (VOLT,))
    keys = [Key(0, 0x310, extended=False), Key(1, 0x310, extended=False), Key(0, 0x310, extended=True)]
    assert messages_of(keys, SignalMap((plain,))) == {keys[0]: (plain,), keys[1]: (plain,), keys[2]: ()}


def test_two_messages_of_one_identifier_are_both_given():
    frames = Message("Flow", 0x6EA, False, 8, (VOLT,))
    answers = Message("Answers", 0x6EA, False, 59, (VOLT,), is_reassembled=True)
    key = Key(0, 0x6EA, extended=False)
    assert messages_of([key], SignalMap((answers, frames))) == {key: (answers, frames)}


def test_a_group_is_described_by_any_priority_and_by_the_message_that_names_its_source():
    general, own = group(0x18FF50FE), group(0x18FF50E6, name="Second")
    keys = {can_id: Key(0, can_id, extended=True) for can_id in (0x18FF50E5, 0x0CFF50E6, 0x18FF51E5)}
    found = messages_of(keys.values(), SignalMap((general, own)))
    assert [found[keys[can_id]] for can_id in keys] == [(general,), (own,), ()]


def test_the_messages_that_describe_are_those_that_the_channels_come_from():
    rows = [frame(1, 0x18FF50E5, 1), frame(2, 0x0CFF50E6, 2), frame(3, 0x310, 3), frame(4, 0x311, 4)]
    signal_map = SignalMap((group(0x18FF50FE), Message("Cells", 0x310, False, 8, (Signal("Cell_V", Field(0, 16)),))))
    frames = capture(rows)
    described = {
        (key.can_id, one.name) for key, some in messages_of(frames.rows_of, signal_map).items() for one in some
    }
    channels = decode(frames, signal_map)
    assert described == {(s.channel.can_id, s.channel.message.name) for s in channels.values()}
