"""What recording costs: a full bus of 1 Mbit/s for a while, in one process over python-can's virtual bus.

    python tools/listen_benchmark.py [--rate 8000] [--seconds 20]

A thread sends; the recorder's threads receive, write and sync. The processor time of the sender is taken off that of
the process. Ends with status 1 if a frame is missing in the file.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import can

from decoder import read_capture
from decoder.capture.live.adapter import AdapterOptions, open_adapter
from decoder.capture.live.recorder import Recorder, RecorderOptions

if TYPE_CHECKING:
    from decoder.capture.live.event import Event

_CHANNEL: Final = "benchmark"
_PAUSE_S: Final = 0.001


class _Sender(threading.Thread):
    """Sends at a steady rate; counts its own processor time."""

    def __init__(self, rate: float, seconds: float) -> None:
        super().__init__()
        self._rate, self._seconds = rate, seconds
        self.sent = 0
        self.used_s = self.took_s = 0.0

    def run(self) -> None:
        message = can.Message(arbitration_id=0x18FF50E5, data=bytes(range(8)))
        begin_used_s, begin_s = time.thread_time(), time.monotonic()
        with can.Bus(interface="virtual", channel=_CHANNEL) as bus:
            while (gone_s := time.monotonic() - begin_s) < self._seconds:
                while self.sent < gone_s * self._rate:
                    message.data[:8] = self.sent.to_bytes(8, "big")
                    bus.send(message)
                    self.sent += 1
                time.sleep(_PAUSE_S)
        self.took_s = time.monotonic() - begin_s
        self.used_s = time.thread_time() - begin_used_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=float, default=8000, metavar="R", help="frames a second (8000)")
    parser.add_argument("--seconds", type=float, default=20, metavar="S", help="for so long (20)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "benchmark.log")
        events: list[Event] = []
        stop = threading.Event()
        opening = partial(open_adapter, AdapterOptions("virtual", _CHANNEL))
        recorder = Recorder(opening, RecorderOptions(path), events.append)
        recording = threading.Thread(target=recorder.run, args=(stop.is_set,))
        recording.start()
        while not any(event.kind == "file" for event in events):
            time.sleep(0.01)
        begin_s = time.process_time()
        sender = _Sender(options.rate, options.seconds)
        sender.start()
        sender.join()
        stop.set()
        recording.join()
        used_s = time.process_time() - begin_s - sender.used_s
        frames = read_capture(path)
    numbers = [int.from_bytes(frames.payload(row), "big") for row in range(len(frames))]
    waiting = max(event.status.waiting for event in events)
    print(f"sent {sender.sent} frames in {sender.took_s:.1f} s ({sender.sent / sender.took_s:.0f} a second)")
    print(f"in the file {len(frames)}, in order: {'yes' if numbers == list(range(sender.sent)) else 'no'}")
    print(f"the recorder used {used_s:.2f} s of processor time, {used_s / sender.took_s:.1%} of one core")
    print(f"at most {waiting} frames waited in memory for the file")
    sys.exit(0 if numbers == list(range(sender.sent)) else 1)


if __name__ == "__main__":
    main()
