"""`listen`: records a live bus to a candump log, with the screens on top."""

from __future__ import annotations

import argparse
import signal
import sys
import time
from typing import TYPE_CHECKING, Final

from decoder.commands.live_screens import add_live, show_live, what_is_meant
from decoder.commands.options import Verbs, add_map, add_show_vin, add_verb
from decoder.errors import CaptureError
from decoder.printable import printable

if TYPE_CHECKING:
    from decoder.capture.live.event import Event
    from decoder.capture.live.watch import Watch
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap

_MORE: Final = """\
Interface, channel and the other options of the adapter are python-can's own; what is not given comes from python-can's
configuration files. The adapter is asked for listen-only mode where it has one. Never a frame is sent."""
_LOOK_S: Final = 0.25
_COUNTS_EVERY_S: Final = 10.0
_MB: Final = 1_000_000


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "listen", run, "record a live bus to a candump log, and show it meanwhile", _MORE)
    verb.add_argument("--interface", metavar="NAME", help="kind of adapter, as python-can calls it")
    verb.add_argument("--channel", metavar="NAME", help="which one of these")
    verb.add_argument("--bitrate", type=_whole, metavar="N", help="bits a second, such as 500000")
    verb.add_argument("--fd", action="store_true", default=None, help="take CAN FD frames too")
    verb.add_argument(
        "--adapter-option",
        action="append",
        default=[],
        type=_pair,
        metavar="KEY=VALUE",
        help="any other option of the interface; may be given several times",
    )
    verb.add_argument("--out", metavar="FILE", help="the file to record to; else one named by the time, in this folder")
    verb.add_argument("--split-mb", type=_amount, metavar="N", help="begin a new file after N million bytes")
    verb.add_argument("--split-minutes", type=_amount, metavar="N", help="begin a new file after N minutes")
    verb.add_argument("--for", dest="for_s", type=_amount, metavar="S", help="with --text: stop after S seconds")
    verb.add_argument("--text", action="store_true", help="print what happens instead of opening the screens")
    verb.add_argument("--bus", metavar="NAME", help=argparse.SUPPRESS)
    add_live(verb)
    add_map(verb)
    add_show_vin(verb)


def run(options: argparse.Namespace) -> int:
    """Record until the user ends it."""
    from decoder.capture.live.adapter import AdapterOptions
    from decoder.capture.live.process import start_recording
    from decoder.capture.live.recorder import RecorderOptions
    from decoder.capture.live.watch import Watch

    path = options.out or time.strftime("capture-%Y-%m-%d-%H%M%S.log")
    options.capture = [path]
    meant = what_is_meant(options)  # what is wrong with map or sheet is told before anything is recorded
    recording = start_recording(
        AdapterOptions(options.interface, options.channel, options.bitrate, options.fd, dict(options.adapter_option)),
        RecorderOptions(
            path,
            None if options.split_mb is None else round(options.split_mb * _MB),
            None if options.split_minutes is None else options.split_minutes * 60,
        ),
    )
    watch = Watch(recording)
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends it as Ctrl-C does
    try:
        if options.text or not (sys.stdin.isatty() and sys.stdout.isatty()):
            _tell_in_text(watch, options.for_s)
        else:
            _show(watch, options, meant)
    except KeyboardInterrupt:
        pass  # this is how one ends it; the recorder closes its file by itself
    finally:
        is_ended = not recording.alive
        signal.signal(signal.SIGTERM, before)
        recording.stop()
    return _tell_the_end(watch, is_ended=is_ended)


def _show(watch: Watch, options: argparse.Namespace, meant: tuple[SignalMap, PackSheet | None]) -> None:
    """Open the screens on the file that is being written."""
    from decoder.capture.follow import Follower

    path = watch.recording.path_now
    options.capture = [path]
    watch.follower = Follower(path)
    show_live(options, watch.follower, meant, watch.look)


def _tell_in_text(watch: Watch, for_s: float | None) -> None:
    """Print what happens, and the counts now and then."""
    watch.note = _say
    if for_s is None:
        print("Ctrl-C ends it", flush=True)
    began_s = told_s = time.monotonic()
    while watch.recording.alive and (for_s is None or time.monotonic() - began_s < for_s):
        watch.look()
        time.sleep(_LOOK_S)
        if time.monotonic() - told_s >= _COUNTS_EVERY_S:
            told_s = time.monotonic()
            print(_counts(watch), flush=True)


def _say(event: Event) -> None:
    print(f"{time.strftime('%H:%M:%S', time.localtime(event.time_ns / 1e9))} {printable(event.text)}", flush=True)


def _counts(watch: Watch) -> str:
    status = watch.status
    lost = [f"{status.overruns:,} overruns"] if status.overruns else []
    lost += [f"{status.dropped:,} frames dropped"] if status.dropped else []
    more = f", {', '.join(lost)}" if lost else ""
    return f"{status.frames:,} frames, {status.written:,} in the file, {status.bytes / _MB:,.1f} MB{more}"


def _tell_the_end(watch: Watch, *, is_ended: bool) -> int:
    """Say what was recorded. Raises what ended the recording, if it ended by itself."""
    watch.look()
    print(f"{_counts(watch)}: {printable(watch.recording.path_now)}")
    if watch.recording.failure is not None:
        raise watch.recording.failure
    if is_ended:
        raise CaptureError("the recording ended by itself", advice="look at its file, and begin another one")
    return 0


def _whole(text: str) -> int:
    """Read a whole number above 0."""
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number above 0")
    return value


def _amount(text: str) -> float:
    """Read a number above 0."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0")
    return value


def _pair(text: str) -> tuple[str, bool | int | float | str]:
    """Read KEY=VALUE; what looks like a number or a truth value is one, as in python-can's configuration files."""
    key, equals, value = text.partition("=")
    if not key or not equals:
        raise argparse.ArgumentTypeError(f"{text!r} is not KEY=VALUE")
    if value.lower() in {"true", "false"}:
        return key, value.lower() == "true"
    for kind in (int, float):
        try:
            return key, kind(value)
        except ValueError:
            continue
    return key, value
