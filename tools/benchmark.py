"""Speed and memory as ratios to the libraries that one would use otherwise, all in one run on this machine.

    python3 tools/benchmark.py [--frames N] [--carving]

Makes its input in a temporary folder: a candump log of N frames (1,000,000), a map of their messages, a second log
whose identifiers, lengths and contents are mixed, and a third of pack controllers, which is carved. Each side runs in
a process of its own, after its imports; the best of five rounds counts (of one or three for the slow sides).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
import time
from pathlib import Path

from environment import ROOT, ready

_MESSAGES = 40
_SIGNALS = 4

# Each side: what it does, rounds. The code sees LOG, MIXED, PACK and MAP; work() is timed, prepare() is not. Two sides
# that belong together follow each other, the slow one first.
_SIDES = {
    "read, python-can": (
        1,
        """
import can
def work(_):
    count = 0
    for _message in can.CanutilsLogReader(LOG):
        count += 1
    return count
""",
    ),
    "read, cellglean": (
        5,
        """
from decoder import read_capture
def work(_):
    return len(read_capture(LOG))
""",
    ),
    "decode, cantools": (
        1,
        """
import can, cantools
def prepare():
    database = cantools.database.load_file(MAP)
    return database, [(m.arbitration_id, bytes(m.data)) for m in can.CanutilsLogReader(LOG)]
def work(state):
    database, messages = state
    for identifier, data in messages:
        database.decode_message(identifier, data)
    return len(messages)
""",
    ),
    "decode, cellglean": (
        5,
        """
import dataclasses
from decoder import decode, load_map, read_capture
def prepare():
    return read_capture(LOG), load_map(MAP)
def work(state):
    frames, signal_map = state
    frames = dataclasses.replace(frames)  # forget the index: finding the rows of each message is part of the work
    channels = decode(frames, signal_map)
    assert sum(len(s.value) for s in channels.values()) == SIGNALS * len(frames)
    return len(frames)
""",
    ),
    "text to columns, python-can and cantools into pandas": (
        1,
        """
from collections import defaultdict
import can, cantools, pandas
def work(_):
    database = cantools.database.load_file(MAP)
    times, columns = defaultdict(list), defaultdict(list)
    count = 0
    for m in can.CanutilsLogReader(LOG):
        for name, value in database.decode_message(m.arbitration_id, m.data).items():
            times[name].append(m.timestamp)
            columns[name].append(value)
        count += 1
    series = {name: pandas.Series(values, index=times[name]) for name, values in columns.items()}
    assert sum(map(len, series.values())) == SIGNALS * count
    return count
""",
    ),
    "text to columns, cellglean": (
        5,
        """
from decoder import decode, load_map, read_capture
def work(_):
    frames = read_capture(LOG)
    channels = decode(frames, load_map(MAP))
    assert sum(len(s.value) for s in channels.values()) == SIGNALS * len(frames)
    return len(frames)
""",
    ),
}
_MIXED_SIDES = {
    "read the mixed log, python-can": (1, _SIDES["read, python-can"][1].replace("LOG)", "MIXED)")),
    "read the mixed log, cellglean": (5, _SIDES["read, cellglean"][1].replace("LOG)", "MIXED)")),
}
# What the search for conversations costs on frames that hold none, against reading the same log.
_COSTS = {
    "look for exchanges": (
        5,
        """
import dataclasses
from decoder import exchanges, read_capture
def prepare():
    return read_capture(LOG)
def work(frames):
    frames = dataclasses.replace(frames)  # forget the index
    assert not exchanges(frames)
    return len(frames)
""",
    ),
}
# What it costs to carve a capture of pack controllers, against reading its log.
_PACK_FRAMES = 100_000
_PACK_IDENTIFIERS = 80
_PACK_SEED = 300  # of `tools/layouts`, and those behind it
_PACK_SIDES = {
    "read the packs' log, python-can": (3, _SIDES["read, python-can"][1].replace("LOG)", "PACK)")),
    "carve the packs' log, cellglean": (
        1,
        """
from decoder import carve, read_capture
def prepare():
    return read_capture(PACK)
def work(frames):
    assert len(carve(frames)) == len(frames.rows_of)
    return len(frames)
""",
    ),
}
# What it costs to search such a capture of more identifiers for the field that carries what a meter read, 30 times.
_PIN_IDENTIFIERS = 110
_PIN_READINGS = 30
_PIN_SIDES = {
    "read the searched log, python-can": (3, _SIDES["read, python-can"][1].replace("LOG)", "PACK)")),
    "search it for 30 readings, cellglean": (
        3,
        """
import dataclasses
import numpy as np
from decoder import Reading, pin, read_capture
def prepare():
    frames = read_capture(PACK)
    last_s = (int(frames.time_ns[-1]) - int(frames.time_ns[0])) / 1e9
    moments = np.linspace(0.05, 0.95, READINGS) * last_s
    values = np.round(3.65 + 0.004 * np.sin(moments), 3).tolist()
    return frames, [Reading(t, "cell 3 voltage", v, "V", 0.001) for t, v in zip(moments.tolist(), values)]
def work(state):
    frames, readings = state
    frames = dataclasses.replace(frames)  # forget the index
    assert len(frames.rows_of) == IDENTIFIERS
    (found,) = pin(frames, readings)
    assert found.matches
    return len(frames)
""".replace("READINGS", str(_PIN_READINGS)).replace("IDENTIFIERS", str(_PIN_IDENTIFIERS)),
    ),
}

_FRAME = """
import gc, json, resource, sys, time
LOG, MIXED, PACK, MAP, ROUNDS, SIGNALS = {log!r}, {mixed!r}, {pack!r}, {map!r}, {rounds}, {signals}
prepare = lambda: None
{code}
state = prepare()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
best, count = float("inf"), 0
for _ in range(ROUNDS):
    gc.collect()
    began = time.perf_counter()
    count = work(state)
    best = min(best, time.perf_counter() - began)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
print(json.dumps({{"seconds": best, "count": count, "peak_mb": peak / 1024}}))
"""


def main() -> None:
    """Make the input, run both sides of each pair, print the table."""
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--frames", type=int, default=1_000_000)
    arguments.add_argument("--carving", action="store_true", help="only what carving and searching cost")
    options = arguments.parse_args()
    interpreter = ready("test")
    with tempfile.TemporaryDirectory() as folder:
        names = {"log": "bench.log", "mixed": "mixed.log", "pack": "pack.log", "map": "bench.dbc"}
        files = {key: Path(folder) / name for key, name in names.items()}
        if not options.carving:
            _reading_and_decoding(interpreter, files, options.frames)
        _carving(interpreter, files)
        _pinning(interpreter, files)
    if not options.carving:
        _screens(interpreter)
        _listening(interpreter)


def _reading_and_decoding(interpreter: Path, files: dict[str, Path], frames: int) -> None:
    """Measure both sides of each pair."""
    _write_map(files["map"])
    _write_log(files["log"], frames)
    _write_mixed(interpreter, files["mixed"], frames)
    size_mb = files["log"].stat().st_size / 1e6
    print(f"{frames:,} frames, {size_mb:.1f} MB of text, {_MESSAGES} messages of {_SIGNALS} signals", flush=True)
    results = {
        name: _run(interpreter, name, code, rounds, files)
        for name, (rounds, code) in {**_SIDES, **_MIXED_SIDES}.items()
    }
    names = list(results)
    for slow, fast in zip(names[::2], names[1::2], strict=True):
        ratio = results[slow]["seconds"] / results[fast]["seconds"]
        print(f"{fast.rsplit(',', 1)[0]:20s} {ratio:6.1f} times as fast")
    print(f"reading takes {results['read, cellglean']['peak_mb'] / size_mb:.2f} times the size of the text")
    for log, reading in (("log", "read, cellglean"), ("mixed", "read the mixed log, cellglean")):
        for name, (rounds, code) in _COSTS.items():
            cost = _run(interpreter, f"{name} ({log})", code, rounds, {**files, "log": files[log]})
            print(f"{name} ({log}): {cost['seconds'] / results[reading]['seconds']:.2f} times reading it")


def _carving(interpreter: Path, files: dict[str, Path]) -> None:
    """Measure how many times as long as reading carving takes."""
    _write_packs(interpreter, files["pack"])
    print(f"{_PACK_FRAMES:,} frames of pack controllers, {_PACK_IDENTIFIERS} identifiers", flush=True)
    reading, carving = (
        _run(interpreter, name, code, rounds, files)["seconds"] for name, (rounds, code) in _PACK_SIDES.items()
    )
    print(f"carve: {carving / reading:.1f} times as long as python-can takes to read the same log")


def _pinning(interpreter: Path, files: dict[str, Path]) -> None:
    """Measure how many times as long as reading the search for what was read takes."""
    _write_packs(interpreter, files["pack"], _PIN_IDENTIFIERS)
    print(f"{_PACK_FRAMES:,} frames of pack controllers, {_PIN_IDENTIFIERS} identifiers", flush=True)
    reading, searching = (
        _run(interpreter, name, code, rounds, files)["seconds"] for name, (rounds, code) in _PIN_SIDES.items()
    )
    print(f"pin: {searching / reading:.2f} times as long as python-can takes to read the same log")


def _run(interpreter: Path, name: str, code: str, rounds: int, files: dict[str, Path]) -> dict[str, float]:
    paths = {key: str(path) for key, path in files.items()}
    program = _FRAME.format(**paths, rounds=rounds, signals=_SIGNALS, code=code)
    done = subprocess.run([str(interpreter), "-c", program], cwd=ROOT, check=True, capture_output=True, text=True)
    result: dict[str, float] = json.loads(done.stdout)
    rate = result["count"] / result["seconds"]
    print(f"{name:55s} {rate:12,.0f} frames/s {result['peak_mb']:8.0f} MB above imports", flush=True)
    return result


def _listening(interpreter: Path) -> None:
    """Measure what recording a full bus costs, and whether all of it is in the file."""
    program = Path(__file__).with_name("listen_benchmark.py")
    print("recording a full bus", flush=True)
    subprocess.run([str(interpreter), str(program)], cwd=ROOT, check=True)


def _screens(interpreter: Path) -> None:
    """Measure the work on the event loop of the screens, where they are part of the project."""
    program = Path(__file__).with_name("screen_benchmark.py")
    if program.exists():
        subprocess.run([str(interpreter), str(program)], cwd=ROOT, check=True)


def _write_map(path: Path) -> None:
    """Write messages of four 16-bit signals, as cells come in consecutive frames."""
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: Pack"]
    for number in range(_MESSAGES):
        lines.append(f"BO_ {0x300 + number} Cells_{number:02d}: 8 Pack")
        for part in range(_SIGNALS):
            start = part * 16 + 7
            name = f"Cell_{number * _SIGNALS + part + 1:03d}_V"
            lines.append(f' SG_ {name} : {start}|16@0+ (0.001,0) [0|5] "V" Pack')
        lines.append("")
    path.write_text("\n".join(lines) + "\n", "ascii")


def _write_log(path: Path, frames: int) -> None:
    """Write cell voltages that wander, in candump's log layout."""
    value = 3700
    with path.open("w", encoding="ascii", newline="\n") as file:
        for number in range(frames):
            value += (number * 7919) % 3 - 1
            identifier = 0x300 + number % _MESSAGES
            cells = "".join(f"{value + (number * part) % 11:04X}" for part in range(_SIGNALS))
            micros = 1_893_456_000_000_000 + number * 500 + number % 37
            file.write(f"({micros // 1_000_000}.{micros % 1_000_000:06d}) can0 {identifier:03X}#{cells}\n")


def _write_mixed(interpreter: Path, path: Path, frames: int) -> None:
    """Write periodic broadcast frames of a hundred identifiers, two to eight bytes long."""
    code = (
        f"from pathlib import Path; from tools.traffic import *; write_log(periodic(1, {frames}), Path({str(path)!r}))"
    )
    subprocess.run([str(interpreter), "-c", code], cwd=ROOT, check=True)


def _write_packs(interpreter: Path, path: Path, identifiers: int = _PACK_IDENTIFIERS) -> None:
    """Write what several pack controllers send: mostly slow fields, some busy ones, counters, checks, multiplexors."""
    code = (
        "from pathlib import Path; from tools.layouts.several import several; from tools.traffic import write_log; "
        f"write_log(several({_PACK_SEED}, {identifiers}, {_PACK_FRAMES}), Path({str(path)!r}))"
    )
    subprocess.run([str(interpreter), "-c", code], cwd=ROOT, check=True)


if __name__ == "__main__":
    began = time.monotonic()
    main()
    print(f"whole run {time.monotonic() - began:.0f} s")
