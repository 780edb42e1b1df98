"""Packs that carry a current and rest, made into frames and decoded: what the judgements of charge and map read."""

import numpy as np

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.cells.cell_table import cell_table
from decoder.maps.pack_sheet import ChannelRule
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture

RULES = (ChannelRule("Module_{module}_V", quantity="module voltage"),)
WORD = 0xFFFF


def pack(
    time_s,
    current_a,
    volt,
    sheet=None,
    *,
    step_v=0.001,
    shown=None,
    pack_v=None,
    module_v=None,
    scales=(1, 1),
    apart_s=0.0,
):
    """Channels and cell table of a pack.

    current_a : A, positive while discharging; NaN is not sent. ``None``: no such channel
    volt : moments x modules x cells, V; up to four cells a module. NaN is sent as 'not available'
    shown : the controller's state of charge, %, in steps of 0.5
    pack_v, module_v : measured voltages: moments, moments x modules
    scales : what the map has wrong: by this factor all cells of module 1, and the pack voltage
    apart_s : so much later than the module before, each module is sent
    """
    modules, cells = volt.shape[1:]
    messages = [
        Message(
            f"Cells_{module}",
            0x100 + module,
            extended=False,
            length=8,
            signals=tuple(
                Signal(
                    f"Cell_{module}_{cell + 1}_V",
                    Field(16 * cell, 16),
                    step_v * (scales[0] if module == 1 else 1),
                    unit="V",
                )
                for cell in range(cells)
            ),
        )
        for module in range(1, modules + 1)
    ]
    rows = [
        (time_s + module * apart_s, 0x100 + module + 1, _words(volt[:, module] / step_v)) for module in range(modules)
    ]
    if current_a is not None:
        messages.append(_alone("Pack_A", 0x200, 0.1, "A"))
        heard = np.isfinite(current_a)
        rows.append((time_s[heard], 0x200, _words(current_a[heard, None] / 0.1)))
    if shown is not None:
        messages.append(_alone("State_Of_Charge", 0x201, 0.5, "%"))
        rows.append((time_s, 0x201, _words(np.round(shown * 2)[:, None])))
    if pack_v is not None:
        messages.append(_alone("Pack_V", 0x202, 0.1 * scales[1], "V"))
        rows.append((time_s, 0x202, _words(pack_v[:, None] / 0.1)))
    for module in range(modules if module_v is not None else 0):
        messages.append(_alone(f"Module_{module + 1}_V", 0x300 + module, 0.01, "V"))
        rows.append((time_s, 0x300 + module, _words(module_v[:, module, None] / 0.01)))
    frames = sorted(
        (
            (float(at), number, payload)
            for times, number, payloads in rows
            for at, payload in zip(times, payloads, strict=True)
        ),
        key=lambda row: row[:2],
    )
    channels = decode(capture(frames), SignalMap(tuple(messages)), sheet)
    return channels, cell_table(channels)


def _alone(name, can_id, scale, unit):
    signed = unit == "A"
    return Message(
        name, can_id, extended=False, length=2, signals=(Signal(name, Field(0, 16, signed=signed), scale, unit=unit),)
    )


def _words(values):
    """Two bytes a value, lowest first; NaN is all ones."""
    raw = np.where(np.isnan(values), WORD, np.round(np.nan_to_num(values)).astype(np.int64) & WORD)
    return [row.tobytes() for row in raw.astype("<u2")]


def relaxing(time_s, current_a, tau_s):
    """The current as a cell's slow part feels it (A): it follows with a time constant."""
    felt = np.zeros(len(time_s))
    for at in range(1, len(time_s)):
        share = 1 - np.exp(-(time_s[at] - time_s[at - 1]) / tau_s)
        felt[at] = felt[at - 1] + share * (current_a[at - 1] - felt[at - 1])
    return felt


def drive(parts, cycle_s=1.0):
    """Times and current from parts (seconds, A)."""
    current_a = np.concatenate([np.full(round(seconds / cycle_s), float(ampere)) for seconds, ampere in parts])
    return np.arange(len(current_a)) * cycle_s, current_a


def cells_of(charge_percent, current_a, time_s, curve, *, offset_v=None, shape=(2, 4), ohm=0.001, slow_ohm=0.001):
    """Cell voltages (moments x modules x cells): curve, an ohmic drop, and one that takes two minutes."""
    open_v = np.interp(charge_percent, curve.charge_percent, curve.volt)
    middle = open_v - ohm * current_a - slow_ohm * relaxing(time_s, current_a, 120.0)
    offsets = np.zeros(shape) if offset_v is None else offset_v
    return middle[:, None, None] + offsets


def charge_over(time_s, current_a, start_percent, capacity_ah):
    """State of charge (%) at each time: the current holds from one time to the next."""
    hours = np.diff(time_s, prepend=time_s[0]) / 3600
    return start_percent - 100 / capacity_ah * np.cumsum(np.append(0.0, current_a[:-1]) * hours)
