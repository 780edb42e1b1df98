"""Captures of sensors side by side, made from tables of true values."""

import numpy as np

from decoder.bits import Field
from decoder.channels import decode
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture

TEMPERATURE = ChannelRule("Temp_{module}_{sensor}", "module temperature", absent=(255,))
BUSBAR = ChannelRule("Busbar_{module}", "module temperature", sensor="busbar")
PRESSURE = ChannelRule("Swelling_{module}", "swelling pressure")
CELL = ChannelRule("Cell_{module}_{cell}", "cell voltage")


def message_of(names, can_id, *, step, offset=0.0, bits=8, unit="degC"):
    """A message of one frame with a signal for each name."""
    signals = tuple(Signal(name, Field(bits * n, bits), step, offset, unit=unit) for n, name in enumerate(names))
    length = (bits * len(names) + 7) // 8
    return Message(f"M{can_id:X}", can_id, extended=False, length=length, signals=signals)


def rows_of(message, table, time_s):
    """Frames of a message from values (k x signals); what is NaN is sent as all ones."""
    rows = []
    for at_s, values in zip(time_s, table, strict=True):
        bits = 0
        for signal, value in zip(message.signals, values, strict=True):
            most = (1 << signal.field.length) - 1
            raw = most if np.isnan(value) else int(np.clip(round((value - signal.offset) / signal.scale), 0, most))
            bits |= raw << signal.field.start
        rows.append((float(at_s), message.can_id, bits.to_bytes(message.length, "little")))
    return rows


def heard(groups, rules, **sheet):
    """Decode messages with their values: `groups` holds (message, table, time_s)."""
    rows = sorted(row for message, table, time_s in groups for row in rows_of(message, table, time_s))
    signal_map = SignalMap(tuple(message for message, _, _ in groups))
    return decode(capture(rows), signal_map, PackSheet(rules=tuple(rules), **sheet))


def temperature_group(table, period_s=1.0, *, step=0.5, per_module=2, can_id=0x350):
    """A group of temperatures, some in each module, eight bits each from -40 degC on."""
    table = np.asarray(table, float)
    names = [f"Temp_{n // per_module + 1}_{n % per_module + 1}" for n in range(table.shape[1])]
    width = 64 if len(names) > 8 else 8
    assert len(names) <= width
    message = message_of(names, can_id, step=step, offset=-40.0)
    return message, table, np.arange(len(table)) * period_s


def temperatures_heard(table, period_s=1.0, *, step=0.5, per_module=2, **sheet):
    """Decode temperatures alone."""
    return heard([temperature_group(table, period_s, step=step, per_module=per_module)], [TEMPERATURE], **sheet)


def found(room, channels, *more):
    """Give the findings of a room, and what it could not judge."""
    not_judged = {}
    return list(room(channels, *more, not_judged)), not_judged
