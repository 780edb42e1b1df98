"""Kills a recorder at random moments, and counts what its file lacks.

    python tools/kill_trial.py [--kills 100] [--seed 0] [--rate 8000]

Each time a process records a steady bus, is killed (SIGKILL), and its file is read: every frame that was due more than
a second before the kill must be there, in order, with its own time. Frames that a loaded machine took late from the bus
count as lost too. Ends with status 1 if a file breaks that.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from decoder import read_capture
from decoder.capture.live.adapter import Adapter
from decoder.capture.live.recorder import Recorder, RecorderOptions

_ROOT: Final = Path(__file__).resolve().parent.parent
_PROMISED_S: Final = 1.0
_START_S: Final = 30.0
_LONGEST_S: Final = 3.0
_NS: Final = 1_000_000_000
_STAMP_NS: Final = 2000  # two stamps rounded to microseconds, and the float that they come from


@dataclass(frozen=True, slots=True)
class Killed:
    """What was left of a recording: frames in the file, seconds before the kill that it lacks, what is wrong."""

    frames: int
    lacks_s: float
    wrong: tuple[str, ...]


def kill_once(folder: Path, run_s: float, rate: float) -> Killed:
    """Record for about `run_s`, kill, and look at the file."""
    path = folder / "killed.log"
    command = [sys.executable, str(Path(__file__).resolve()), "--record", str(path), "--rate", str(rate)]
    with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(_ROOT)}) as child:
        _wait_for_frames(path, child)
        time.sleep(run_s)
        killed_s = time.time()
        child.send_signal(signal.SIGKILL)
    return _look(path, killed_s, rate)


def _wait_for_frames(path: Path, child: subprocess.Popen[bytes]) -> None:
    end_s = time.monotonic() + _START_S
    while not (path.exists() and path.stat().st_size):
        if child.poll() is not None or time.monotonic() > end_s:
            child.kill()
            sys.exit("the recorder did not begin")
        time.sleep(0.01)


def _look(path: Path, killed_s: float, rate: float) -> Killed:
    frames = read_capture(path)
    number = frames.data[:, :8].copy().view(">u8")[:, 0].astype(np.int64)
    wrong = []
    if frames.account.skipped > 1 or any(line.line != frames.account.lines for line in frames.account.skipped_lines):
        wrong.append(f"{frames.account.skipped} lines cannot be read")
    if not np.array_equal(number, np.arange(len(frames))):
        wrong.append("frames are missing between others")
    due_ns = frames.time_ns[0] + number * (_NS / rate)
    if np.abs(frames.time_ns - due_ns).max() > _STAMP_NS:
        wrong.append("times are not those of the frames")
    lacks_s = killed_s - float(frames.time_ns[-1]) / _NS
    if lacks_s > _PROMISED_S:
        wrong.append(f"frames of {lacks_s:.3f} s before the kill are missing")
    return Killed(len(frames), lacks_s, tuple(wrong))


def _record(path: str, rate: float) -> None:
    """Record until killed: the child."""
    from steady_bus import SteadyBus  # noqa: PLC0415  only here is this folder on the path

    def opening() -> Adapter:
        return Adapter(SteadyBus(rate), name="can0", listen_only=True, words="", has_error_classes=False)

    Recorder(opening, RecorderOptions(path), lambda _event: None).run(lambda: False)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100, metavar="N", help="how many times (100)")
    parser.add_argument("--seed", type=int, default=0, metavar="S", help="for the moments (0)")
    parser.add_argument("--rate", type=float, default=8000, metavar="R", help="frames a second (8000)")
    parser.add_argument("--record", metavar="FILE", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.record:
        _record(options.record, options.rate)
        return
    moments = random.Random(options.seed)  # noqa: S311  no secret
    results = []
    for kill in range(options.kills):
        with tempfile.TemporaryDirectory() as folder:
            result = kill_once(Path(folder), moments.uniform(0, _LONGEST_S), options.rate)
        results.append(result)
        for wrong in result.wrong:
            print(f"kill {kill}: {wrong}", flush=True)
    lacks_ms = np.array([result.lacks_s for result in results]) * 1000
    print(f"{len(results)} kills, {sum(result.frames for result in results)} frames read back")
    print(f"lost before the kill: {np.median(lacks_ms):.0f} ms usually, {lacks_ms.max():.0f} ms at most")
    sys.exit(1 if any(result.wrong for result in results) else 0)


if __name__ == "__main__":
    main()
