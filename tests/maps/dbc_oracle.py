"""What cantools gives for a DBC text, and the same comparison for all tests: independent readers must agree."""

import logging

from cantools.database.can.formats import dbc

from decoder.maps.dbc_file import parse_map

logging.getLogger("cantools").setLevel(logging.ERROR)


def theirs(text):
    """The messages that cantools reads, signals in the order of the file."""
    return dbc.load_string(text, strict=False, sort_signals=None).messages


def assert_equals_cantools(text):
    """Every message and signal is the same as in cantools; gives our map."""
    ours = parse_map(text, "t.dbc")
    expected = theirs(text)
    assert [m.name for m in ours.messages] == [m.name for m in expected]
    for mine, other in zip(ours.messages, expected, strict=True):
        assert (mine.can_id, mine.extended, mine.length) == (other.frame_id, other.is_extended_frame, other.length)
        assert mine.cycle_s == (other.cycle_time / 1000 if other.cycle_time else None)
        assert (mine.is_fd, mine.is_j1939) == (other.is_fd, other.protocol == "j1939")
        assert mine.comment == (other.comment or "")
        assert [s.name for s in mine.signals] == [s.name for s in other.signals]
        for signal, reference in zip(mine.signals, other.signals, strict=True):
            _assert_same_signal(signal, reference)
    return ours


def _assert_same_signal(signal, reference):
    field = signal.field
    assert (field.start, field.length, field.signed) == (reference.start, reference.length, reference.is_signed)
    assert f"{field.byte_order}_endian" == reference.byte_order
    assert signal.is_float == reference.is_float
    assert (signal.scale, signal.offset) == (reference.scale, reference.offset)
    if reference.choices is None:
        assert type(signal.scale) is type(reference.scale)
        assert type(signal.offset) is type(reference.offset)
    assert signal.unit == (reference.unit or "")
    assert (signal.minimum, signal.maximum) == (reference.minimum, reference.maximum)
    assert signal.labels == {int(k): str(v) for k, v in (reference.choices or {}).items()}
    assert signal.comment == (reference.comment or "")
    assert signal.is_multiplexor == reference.is_multiplexer
    if signal.page is None:
        assert reference.multiplexer_ids is None
    else:
        assert signal.page.multiplexor == reference.multiplexer_signal
        values = [v for low, high in signal.page.values for v in range(low, high + 1)]
        assert values == sorted(reference.multiplexer_ids)
