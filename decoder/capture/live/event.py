"""What a recorder tells while it runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "opened",  # the adapter is open; the text says whether it acknowledges frames
    "file",  # a file was begun
    "lost",  # the adapter failed or was pulled
    "back",  # and is there again
    "error-frames",  # the bus or the adapter has errors, frames may be missing
    "bus-off",  # the adapter took itself off the bus
    "disk-full",  # the file cannot be written, or not fast enough
    "disk-back",  # and can be again
    "status",  # once a second
]


@dataclass(frozen=True, slots=True)
class Status:
    """Counts since the recorder began.

    frames : received from the adapter
    written : frames in files
    bytes : bytes in files
    waiting : frames in memory, not yet in a file
    dropped : frames that no memory was left for while the disk was full
    error_frames : error frames, also among `frames`
    overruns : times that the adapter said that its own queue overflowed
    odd_stamps : frames whose time stamp was none, so that the time of their arrival was taken
    unreadable : messages of the driver's that no line could be made of
    path : the file that is being written
    """

    frames: int = 0
    written: int = 0
    bytes: int = 0
    waiting: int = 0
    dropped: int = 0
    error_frames: int = 0
    overruns: int = 0
    odd_stamps: int = 0
    unreadable: int = 0
    path: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that the person who listens should know: in one sentence, when (ns since 1970), and the counts."""

    kind: Kind
    text: str
    time_ns: int
    status: Status = Status()
