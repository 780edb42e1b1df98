"""Streams and carvings made by hand."""

import numpy as np

from decoder.discovery.proposal import Carving, Proposal, Stream


def stream(payloads, period_s=0.1, times_s=None, **more):
    """A stream of payloads, one every `period_s`, or at `times_s`."""
    count = len(payloads)
    times = [period_s * n for n in range(count)] if times_s is None else times_s
    width = len(payloads[0]) if count else 0
    return Stream(
        bus=more.pop("bus", "can0"),
        can_id=more.pop("can_id", 0x123),
        extended=more.pop("extended", False),
        carrier=more.pop("carrier", None),
        time_ns=np.array([round(t * 1e9) for t in times], np.int64),
        data=np.frombuffer(b"".join(payloads), np.uint8).reshape(count, width),
        row=np.arange(count),
    )


def carving(payloads, *proposals, damaged=(), **more):
    return Carving(stream(payloads, **more), tuple(proposals), np.array(damaged, np.intp))


def number(field, confidence=0.9, kind="number", selector=None, **detail):
    return Proposal(field, kind, confidence, selector, detail)
