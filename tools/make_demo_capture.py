"""Make the demo: the capture of an invented harbour shuttle boat's pack, meter readings, and the truth about it.

    python tools/make_demo_capture.py            writes the three files into captures/
    python tools/make_demo_capture.py FOLDER     writes them elsewhere

One seed decides everything, so the same files come out each time.
"""

from __future__ import annotations

import json
import lzma
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import cantools
import numpy as np

ROOT: Final = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # so that it runs from a clone that is not installed

from decoder.atomic import replacing, write_text  # noqa: E402
from tools.demo import bus, controller, conversation, pack_model  # noqa: E402
from tools.demo.dice import Dice  # noqa: E402

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.demo.controller import Stream
    from tools.demo.conversation import Conversation
    from tools.demo.pack_model import Pack

SEED: Final = 20_300_101
SIGNAL_MAP: Final = ROOT / "signal_maps" / "harbour_shuttle.dbc"
NAME: Final = "harbour_shuttle"
XZ: Final = {"format": lzma.FORMAT_XZ, "check": lzma.CHECK_CRC64, "preset": 9 | lzma.PRESET_EXTREME}

# The person with the meter: a logging meter with its own clock, which goes round its inputs 0.3 s each.
METER_OFFSET_S: Final = 12.4  # its clock minus the capture's
METER_DRIFT_PPM: Final = 80
METER_NOISE_V: Final = 0.001
READ_AT_S: Final = (4.2, 12.0, 17.0, 24.5, 35.2, 42.0, 51.5, 61.0)
INPUT_S: Final = 0.3
METERED_CELLS: Final = ((1, 3), pack_model.RESISTIVE_CELL, (pack_model.WEAK_MODULE, pack_model.WEAK_ORDER[-1]))
METERED_SENSOR: Final = (1, 1)


def make() -> dict[str, bytes]:
    """Give the files by name, the log not yet compressed."""
    signal_map = cantools.database.load_file(SIGNAL_MAP, strict=True)
    pack = pack_model.run(Dice(SEED))
    # The answers are measured by the same sensors as the frames.
    dice = Dice(SEED + 4)
    meter = controller.Measured(pack, Dice(SEED + 1)).with_noise_of(dice)
    talk = conversation.talk(meter, signal_map, dice)
    streams = controller.streams(pack, signal_map, Dice(SEED + 1)) + talk.streams()
    sent = bus.arbitrate(streams, talk.chain())
    recorded = bus.record(sent, streams, Dice(SEED + 2))
    true = _truth(pack, recorded) | {"conversation": _conversation(talk, streams, sent, recorded)}
    return {
        f"{NAME}.log": recorded.text.encode(),
        f"{NAME}.readings.csv": _readings(pack, Dice(SEED + 3)).encode(),
        f"{NAME}.truth.json": _json(true).encode(),
    }


def write(folder: Path) -> None:
    """Write the files into `folder`, the log compressed. Raises `OutputError`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in make().items():
        if name.endswith(".log"):
            with replacing(folder / f"{name}.xz") as temporary:
                temporary.write_bytes(lzma.compress(content, **XZ))
        else:
            write_text(folder / name, content.decode())


def _json(truth: dict[str, Any]) -> str:
    """Give `truth` as text with one line a list of numbers."""
    spread_out = json.dumps(truth, indent=1)
    return re.sub(r"\[\s+([-\d.,\s]+?)\s+\]", lambda found: f"[{' '.join(found[1].split())}]", spread_out) + "\n"


def _readings(pack: Pack, dice: Dice) -> str:
    """Give what the meter wrote: time by its own clock, label, value, unit."""
    inputs = [("pack voltage", pack.cell_v.sum(axis=1), 10 * METER_NOISE_V, 2, "V")]
    for module, cell in METERED_CELLS:
        column = pack.cell_v[:, pack_model.cell_number(module, cell)]
        inputs.append((f"module {module} cell {cell}", column, METER_NOISE_V, 3, "V"))
    warmth = pack.sensor_c[:, pack_model.sensor_number(*METERED_SENSOR)]
    inputs.append(("module {} sensor {}".format(*METERED_SENSOR), warmth, 0.1, 1, "degC"))
    lines = ["time_s,label,value,unit"]
    for moment_s in READ_AT_S:
        for number, (label, true, noise, digits, unit) in enumerate(inputs):
            time_s = moment_s + INPUT_S * number
            value = true[pack.at(np.array([time_s]))[0]] + noise * dice.bell(1)[0]
            lines.append(f"{_meter_time(time_s):.2f},{label},{value:.{digits}f},{unit}")
    return "\n".join(lines) + "\n"


def _meter_time(time_s: float) -> float:
    """Give the meter's time for a time of the capture."""
    return METER_OFFSET_S + time_s * (1 + METER_DRIFT_PPM * 1e-6)


def _truth(pack: Pack, recorded: bus.Recorded) -> dict[str, Any]:
    """Give what a reader of the capture should find, in the units of the signal map."""
    return {
        "schema": "cellglean.demo-truth/1",
        "seed": SEED,
        "duration_s": pack_model.DURATION_S,
        "faults": _faults(pack),
        "sound": _sound(pack),
        "state_of_charge_percent": {
            "start": round(float(pack.charge_percent[0]), 3),
            "end": round(float(pack.charge_percent[-1]), 3),
        },
        "charge_taken_ah": round(float(pack.current_a.sum()) * pack_model.STEP_S / 3600, 4),
        "cells": {
            "rest_offset_mv": _by_module(1e3 * pack.start_offset_v, 2),
            "ohmic_mohm": _by_module(1e3 * pack.resistance_ohm, 4),
        },
        "steady_stretches": [
            {"from_s": round(start, 3), "to_s": end, "current_a": current, **_spreads(pack, start, end)}
            for start, end, current in pack_model.steady_stretches()
        ],
        "meter": {
            "clock_offset_s": METER_OFFSET_S,
            "drift_ppm": METER_DRIFT_PPM,
            "noise_v": METER_NOISE_V,
            "channels": {
                "pack voltage": "Pack_V",
                **{f"module {m} cell {c}": f"Cell_{m}_{c:02d}_V" for m, c in METERED_CELLS},
                "module {} sensor {}".format(*METERED_SENSOR): "Temp_{}_{}_degC".format(*METERED_SENSOR),
            },
        },
        "recording": {
            "frames": recorded.frames,
            "error_frames": len(bus.ERRORS),
            "lost_singly": recorded.lost_singly,
            "lost_in_burst": recorded.lost_in_burst,
            "burst_from_s": recorded.burst_from_us / 1e6,
            "notes": 1,
            "cut_line": recorded.cut_line,
        },
    }


def _conversation(talk: Conversation, streams: list[Stream], sent: bus.Sent, recorded: bus.Recorded) -> dict[str, Any]:
    """Give who asked what and what came back."""
    at = {
        (streams[stream].can_id, row): position
        for position, (stream, row) in enumerate(zip(sent.stream.tolist(), sent.row.tolist(), strict=True))
    }
    frames = np.array([at[link.can_id, link.row] for link in talk.chain()])
    return conversation.truth(talk, sent.end_us[frames], recorded.whole[frames])


def _by_module(of_cells: NDArray[np.float64], digits: int) -> list[list[float]]:
    """Give one list of numbers a module."""
    rows = of_cells.reshape(pack_model.MODULES, pack_model.CELLS).tolist()
    return [[round(number, digits) for number in row] for row in rows]


def _spreads(pack: Pack, start_s: float, end_s: float) -> dict[str, Any]:
    """Give highest minus lowest true cell of each module, the largest within the stretch."""
    during = pack.cell_v[(pack.time_s >= start_s) & (pack.time_s < end_s)]
    by_module = during.reshape(len(during), pack_model.MODULES, pack_model.CELLS)
    spread = (by_module.max(axis=2) - by_module.min(axis=2)).max(axis=0)
    return {"module_spread_v": [round(float(value), 4) for value in spread]}


def _faults(pack: Pack) -> list[dict[str, Any]]:
    weakest = pack_model.WEAK_ORDER[-1]
    module, cell = pack_model.RESISTIVE_CELL
    stuck_module, stuck_sensor = pack_model.STUCK_SENSOR
    wire_module, wire_cell = controller.SENSE_WIRE
    bursts = [
        {"from_s": start, "to_s": end, "moved_v": moved_v, "not_available": moved_v is None}
        for start, end, moved_v in controller.SENSE_WIRE_OFF
    ]
    return [
        {
            "kind": "weak-module",
            "finding": "module-spread",
            "module": pack_model.WEAK_MODULE,
            "cell": weakest,
            "below_pack_v": -round(
                float(pack.start_offset_v[pack_model.cell_number(pack_model.WEAK_MODULE, weakest)]), 4
            ),
            "capacity_ah": pack_model.WEAK_CAPACITY_AH,
        },
        {
            "kind": "cell-resistance",
            "finding": "cell-resistance",
            "module": module,
            "cell": cell,
            "more_mohm": 1e3 * pack_model.RESISTIVE_OHM,
            "others_mohm": 1e3 * pack_model.OHMIC,
        },
        {
            "kind": "thermistor-stuck",
            "finding": "channel-stuck",
            "module": stuck_module,
            "sensor": stuck_sensor,
            "at_degc": controller.STUCK_AT_C,
            "true_end_degc": round(float(pack.sensor_c[-1, pack_model.sensor_number(stuck_module, stuck_sensor)]), 2),
            "from_s": controller.AWAKE_S,
            "to_s": pack_model.DURATION_S,
        },
        {
            "kind": "tap-intermittent",
            "finding": "tap-suspect",
            "module": wire_module,
            "cell": wire_cell,
            "neighbour": wire_cell + 1,
            "from_s": bursts[0]["from_s"],
            "to_s": bursts[-1]["to_s"],
            "bursts": bursts,
        },
        {
            "kind": "keep-alive-holds-contactors",
            "finding": "contactor-held",
            "from_s": pack_model.SUPPLY_GONE_S,
            "to_s": pack_model.DURATION_S,
            "keep_alive_end_v": round(float(pack.keep_alive_v[-1]), 2),
        },
    ]


def _sound(pack: Pack) -> list[dict[str, Any]]:
    """Give what is there to be seen but nothing wrong."""
    weak = pack.swelling_kpa[:, pack_model.WEAK_MODULE - 1]
    return [
        {
            "kind": "pressure",
            "module": pack_model.WEAK_MODULE,
            "start_kpa": round(float(weak[0]), 2),
            "rise_kpa": round(float(weak[-1] - weak[0]), 2),
        },
        {"kind": "insulation", "lowest_kohm": round(float(pack.insulation_kohm.min()))},
        {"kind": "wake-up", "until_s": controller.AWAKE_S},
    ]


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "captures")
