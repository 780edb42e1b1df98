"""Turns the raw talk of a traction-pack controller into named, judged channels. It only listens.

from decoder import read_capture, load_map, decode
frames = read_capture("bench.log")               # frames.account says what became of every line
channels = decode(frames, load_map("pack.dbc"))  # channels["Cell_1_03_V"] is one series
table = channels.to_pandas()                     # one row a sample
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.account import Account
    from decoder.capture import read_blocks, read_capture
    from decoder.channels import Channels, Series, decode
    from decoder.discovery.carve import carve
    from decoder.discovery.contrast import contrast
    from decoder.discovery.coverage import coverage
    from decoder.discovery.drafting import draft
    from decoder.discovery.infer import infer
    from decoder.discovery.inference import Inference
    from decoder.discovery.pin import pin
    from decoder.discovery.pinned import Match, Pinned
    from decoder.discovery.proposal import Carving, Proposal
    from decoder.discovery.readings import Reading, load_readings, parse_reading
    from decoder.discovery.survey import survey
    from decoder.errors import CellgleanError
    from decoder.frames import Frames
    from decoder.judgement import Finding, Judgement, judge
    from decoder.judgement.comparing import Comparison, compare
    from decoder.maps import load_map, load_sheet
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap
    from decoder.report import write_report
    from decoder.transport.exchange import Exchange
    from decoder.transport.exchanges import exchanges
    from decoder.transport.identity import identity

__version__ = "0.1.0"

__all__ = [
    "Account",
    "Carving",
    "CellgleanError",
    "Channels",
    "Comparison",
    "Exchange",
    "Finding",
    "Frames",
    "Inference",
    "Judgement",
    "Match",
    "PackSheet",
    "Pinned",
    "Proposal",
    "Reading",
    "Series",
    "SignalMap",
    "carve",
    "compare",
    "contrast",
    "coverage",
    "decode",
    "draft",
    "exchanges",
    "identity",
    "infer",
    "judge",
    "load_map",
    "load_readings",
    "load_sheet",
    "parse_reading",
    "pin",
    "read_blocks",
    "read_capture",
    "survey",
    "write_report",
]

_HOME = {
    "Account": "decoder.account",
    "Carving": "decoder.discovery.proposal",
    "CellgleanError": "decoder.errors",
    "Channels": "decoder.channels",
    "Comparison": "decoder.judgement.comparing",
    "Exchange": "decoder.transport.exchange",
    "Finding": "decoder.judgement",
    "Frames": "decoder.frames",
    "Inference": "decoder.discovery.inference",
    "Judgement": "decoder.judgement",
    "Match": "decoder.discovery.pinned",
    "PackSheet": "decoder.maps.pack_sheet",
    "Pinned": "decoder.discovery.pinned",
    "Proposal": "decoder.discovery.proposal",
    "Reading": "decoder.discovery.readings",
    "Series": "decoder.channels",
    "SignalMap": "decoder.maps.signal_map",
    "carve": "decoder.discovery.carve",
    "compare": "decoder.judgement.comparing",
    "contrast": "decoder.discovery.contrast",
    "coverage": "decoder.discovery.coverage",
    "decode": "decoder.channels",
    "draft": "decoder.discovery.drafting",
    "exchanges": "decoder.transport.exchanges",
    "identity": "decoder.transport.identity",
    "infer": "decoder.discovery.infer",
    "judge": "decoder.judgement",
    "load_map": "decoder.maps",
    "load_readings": "decoder.discovery.readings",
    "load_sheet": "decoder.maps",
    "parse_reading": "decoder.discovery.readings",
    "pin": "decoder.discovery.pin",
    "read_blocks": "decoder.capture",
    "read_capture": "decoder.capture",
    "survey": "decoder.discovery.survey",
    "write_report": "decoder.report",
}


def __getattr__(name: str) -> object:
    """Load a public name when it is first used: the command line must answer before numpy is there."""
    if name not in _HOME:
        raise AttributeError(f"module 'decoder' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
