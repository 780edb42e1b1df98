"""Whole packs from seeds: a capture of a pack's controller and those beside it, with all that is true of it.

Seeds below 1000 are for development: look into them. Those from 1000 on are for measuring only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import EXTENDED, Frames
from tools.layouts.habits import draw_habits, pick
from tools.packs.cell_frames import put_indexed, put_joined, put_nested, put_pages
from tools.packs.happenings import LATE_S, make_pack_world
from tools.packs.measuring import draw_controller
from tools.packs.message import BUS, Identifiers, Maker, Message
from tools.packs.pack_frames import draw_sensor_coding, put_others, put_sensor_frames, put_singles, put_swelling
from tools.packs.polled import Polled, Talk, draw_talk, frames_of, put_polled, put_polled_rest
from tools.packs.truth import START_NS, PackTrial, TrueMark

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.packs.happenings import Deed

FORMS: Final = {"joined": 0.36, "paged": 0.22, "indexed": 0.12, "nested": 0.1, "polled": 0.2}
TWO_FORMS: Final = 0.2  # packs that send the cells twice, in two ways
UNNATURAL: Final = 0.05  # packs with scales of their own
WAKES: Final = 0.3
LOSES: Final = 0.5
MOST_LOST: Final = 0.01
MILLISECONDS: Final = 0.35
WIDE: Final = 0.12
SWELLING: Final = 0.15
SENSORS_POLLED: Final = 0.5  # of the packs that answer at all


def make_pack(seed: int) -> PackTrial:
    """Make the capture of a seed, and the truth about it."""
    rng = np.random.default_rng([seed, 5])
    pack, deeds = make_pack_world(rng)
    maker = Maker(
        rng=rng,
        habits=draw_habits(rng),
        controller=draw_controller(rng, pack),
        ids=Identifiers(rng, wide=bool(rng.random() < WIDE)),
        wakes_s=float(rng.uniform(0.3, 3.0)) if rng.random() < WAKES else 0.0,
        natural=bool(rng.random() >= UNNATURAL),
    )
    talk = draw_talk(maker)
    forms, polled = _put_cells(maker, talk)
    sensors = draw_sensor_coding(maker, rng)
    answers = bool(polled) or rng.random() < 0.15
    in_answers = answers and rng.random() < SENSORS_POLLED
    polled += put_polled_rest(maker, talk, sensors if in_answers else None) if answers else []
    if not in_answers:
        put_sensor_frames(maker, sensors)
    put_singles(maker)
    if rng.random() < SWELLING:
        put_swelling(maker)
    put_others(maker, int(rng.integers(4, 16)))
    frames = _recorded(rng, maker, talk, polled)
    first_s = (int(frames.time_ns[0]) - START_NS) / 1e9
    return PackTrial(
        seed=seed,
        frames=frames,
        channels=tuple(channel for message in maker.messages for channel in message.channels),
        marks=tuple(_noted(rng, deed, first_s) for deed in deeds),
        pack=pack,
        natural=maker.natural,
        forms=forms,
    )


def _put_cells(maker: Maker, talk: Talk) -> tuple[tuple[str, ...], list[Polled]]:
    rng = maker.rng
    wanted = [pick(rng, FORMS)]
    if rng.random() < TWO_FORMS:
        wanted.append(pick(rng, {form: share for form, share in FORMS.items() if form != wanted[0]}))
    putters = {"joined": put_joined, "paged": put_pages, "indexed": put_indexed, "nested": put_nested}
    forms, polled = [], []
    for number, form in enumerate(wanted):
        if form == "polled":
            name, polled = put_polled(maker, talk, copy=number > 0)
            forms.append(name)
        else:
            forms.append(putters[form](maker, number > 0))
    return tuple(forms), polled


def _noted(rng: np.random.Generator, deed: Deed, first_s: float) -> TrueMark:
    """Note a mark as a person does: a little late mostly, early sometimes."""
    off_s = float(np.clip(rng.normal(0.3, 0.6), -LATE_S, LATE_S))
    return TrueMark(round(deed.time_s - first_s + off_s, 2), deed.label, deed.time_s - first_s, deed.shown)


def _recorded(rng: np.random.Generator, maker: Maker, talk: Talk, polled: list[Polled]) -> Frames:
    """Put all frames in order, lose some, round the stamps."""
    ids, times, payloads, lengths = [], [], [], []
    for message in maker.messages:
        if message.key.carrier is None:
            _add(message, ids, times, payloads, lengths)
    asked = frames_of(talk, polled, rng) if polled else []
    if asked:
        ids.append(np.array([one[0] for one in asked], np.uint32))
        times.append(np.array([one[1] for one in asked]))
        payloads.append(np.frombuffer(b"".join(one[2] for one in asked), np.uint8).reshape(-1, 8))
        lengths.append(np.full(len(asked), 8, np.uint8))
    time_s = np.concatenate(times)
    lost = rng.random() * MOST_LOST if rng.random() < LOSES else 0.0
    kept = np.flatnonzero(
        (rng.random(len(time_s)) >= lost) & (time_s >= 0) & (time_s < maker.controller.pack.duration_s)
    )
    order = kept[np.argsort(time_s[kept], kind="stable")]
    step_ns = 1_000_000 if rng.random() < MILLISECONDS else 1_000
    time_ns = (time_s[order] * 1e9 // step_ns).astype(np.int64) * step_ns
    n = len(order)
    return Frames(
        time_ns=START_NS + time_ns,
        bus=np.zeros(n, np.uint8),
        can_id=np.concatenate(ids)[order],
        flags=np.full(n, EXTENDED if maker.ids.wide else 0, np.uint16),
        length=np.concatenate(lengths)[order],
        data=np.concatenate(payloads)[order],
        line=np.arange(1, n + 1, dtype=np.uint32),
        source=np.zeros(n, np.uint8),
        bus_names=(BUS,),
    )


def _add(
    message: Message,
    ids: list[NDArray[np.uint32]],
    times: list[NDArray[np.float64]],
    payloads: list[NDArray[np.uint8]],
    lengths: list[NDArray[np.uint8]],
) -> None:
    data = message.sheet.data
    ids.append(np.full(len(data), message.key.can_id, np.uint32))
    times.append(message.sheet.time_s)
    payloads.append(np.pad(data, ((0, 0), (0, 8 - data.shape[1]))))
    lengths.append(np.full(len(data), data.shape[1], np.uint8))
