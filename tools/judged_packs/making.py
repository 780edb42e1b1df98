"""A seed gives a pack with one fault, or a sound one: frames, signal map, pack sheet, and what is true.

Even seeds are sound, odd ones take the kinds of faults in turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.account import Account
from decoder.frames import Frames
from decoder.maps.chemistry import CURVES
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, SignalMap
from tools.judged_packs.draft import Draft, Truth, Wants
from tools.judged_packs.faults import KINDS, Kind
from tools.judged_packs.messages import CHECK_FORM, Sent, all_messages
from tools.judged_packs.physics import World, run
from tools.judged_packs.scenes import draw
from tools.judged_packs.soundness import calm, is_sound, within_window
from tools.packs.truth import START_NS

if TYPE_CHECKING:
    from numpy.typing import NDArray

TRIES: Final = 200
FEWEST_APART: Final = 3  # frames between two that are lost in a sound pack


@dataclass(frozen=True, eq=False)
class JudgedPack:
    """A capture with its map and sheet; `truth` is ``None`` for a sound pack."""

    seed: int
    draft: Draft
    world: World
    truth: Truth | None
    frames: Frames
    signal_map: SignalMap
    sheet: PackSheet


def kind_of(seed: int) -> Kind | None:
    """Give the fault of a seed; ``None`` for sound."""
    return KINDS[seed // 2 % len(KINDS)] if seed % 2 else None


def make_judged_pack(seed: int) -> JudgedPack:
    """Draw a pack and put its frames on the wire. Raises as `drawn` does."""
    return _put_together(seed, *drawn(seed))


def drawn(seed: int) -> tuple[Draft, World, Truth | None, np.random.Generator]:
    """Draw until the pack is what it says. Raises `RuntimeError` if it never is."""
    kind = kind_of(seed)
    for attempt in range(TRIES):
        rng = np.random.default_rng([seed, attempt])
        draft = draw(rng, Wants() if kind is None else kind.wants)
        if not calm(draft):
            continue
        truth = kind.apply(draft, rng) if kind is not None else None
        world = run(draft)
        if kind is None or truth is None:
            holds = is_sound(draft, world)
        else:
            holds = (kind.leaves_window or within_window(draft, world.cell_v)) and kind.holds(draft, world, truth)
        if holds:
            return draft, world, truth, rng
    raise RuntimeError(f"seed {seed}: no pack in {TRIES} draws")


def _put_together(seed: int, draft: Draft, world: World, truth: Truth | None, rng: np.random.Generator) -> JudgedPack:
    sent = all_messages(draft, world, rng)
    signal_map = SignalMap(tuple(_mistaken(one.message, draft) for one in sent))
    return JudgedPack(seed, draft, world, truth, _frames(draft, sent, rng), signal_map, sheet_of(draft))


def sheet_of(draft: Draft) -> PackSheet:
    """Give what the user knows of the pack."""
    coding = draft.coding
    return PackSheet(
        name="made pack",
        chemistry=CURVES[draft.curve].chemistry,
        charge_curve=draft.curve if coding.names_curve else None,
        capacity_ah=round(draft.sheet_capacity_ah, 1),
        current_positive="charge" if coding.counts_charge else "discharge",
        cells_in_series=draft.cells,
        modules=draft.modules,
        cells_per_module=draft.cells_per_module,
        rules=(
            ChannelRule("Cell_{module}_{cell}_V", "cell voltage"),
            ChannelRule("Module_{module}_V", "module voltage"),
            ChannelRule("Temp_{module}_{sensor}_degC", "module temperature"),
            ChannelRule("Swelling_{module}_kPa", "swelling pressure"),
            ChannelRule("Balancing_{module}_{cell}", "balancing"),
            ChannelRule("Pack_V", "pack voltage"),
            ChannelRule("Link_V", "link voltage"),
            ChannelRule("Pack_A", "pack current"),
            ChannelRule("StateOfCharge", "state of charge"),
            ChannelRule("Contactor_Positive", "contactor", sensor="positive"),
            ChannelRule("Contactor_Negative", "contactor", sensor="negative"),
            ChannelRule("Contactor_Precharge", "contactor", sensor="precharge"),
            ChannelRule("Interlock", "interlock"),
            ChannelRule("Insulation_kohm", "insulation resistance"),
            ChannelRule("Supply_V", "supply voltage"),
            ChannelRule("KeepAlive_V", "keep-alive voltage"),
            ChannelRule("*_Alive", "alive counter", modulus=coding.modulus if coding.says_modulus else None),
            ChannelRule("*_Check", "check", form=CHECK_FORM if coding.says_form else None),
        ),
    )


def _mistaken(message: Message, draft: Draft) -> Message:
    """Give a message as a map says it that takes some cells for others."""
    names = {a: b for pair in draft.wire.exchanged for a, b in (pair, pair[::-1])}
    return replace(message, signals=tuple(replace(one, name=names.get(one.name, one.name)) for one in message.signals))


def _frames(draft: Draft, sent: list[Sent], rng: np.random.Generator) -> Frames:
    """Give what the recorder keeps, in the order of time."""
    kept = [_kept(draft, one, rng) for one in sent]
    data = np.concatenate([_payloads(draft, one, rng)[rows] for one, rows in zip(sent, kept, strict=True)])
    time_s = np.concatenate([one.time_s[rows] for one, rows in zip(sent, kept, strict=True)])
    counts = [len(rows) for rows in kept]
    order = np.argsort(time_s, kind="stable")
    n = len(order)
    return Frames(
        time_ns=START_NS + np.rint(time_s[order] * 1e6).astype(np.int64) * 1000,
        bus=np.zeros(n, np.uint8),
        can_id=np.repeat(np.array([one.can_id for one in sent], np.uint32), counts)[order],
        flags=np.zeros(n, np.uint16),
        length=np.repeat(np.array([one.length for one in sent], np.uint8), counts)[order],
        data=data[order],
        line=np.arange(1, n + 1, dtype=np.uint32),
        source=np.zeros(n, np.uint8),
        bus_names=("can0",),
        account=Account(lines=n, frames=n),
    )


def _kept(draft: Draft, one: Sent, rng: np.random.Generator) -> NDArray[np.intp]:
    """Tell which frames of an identifier the recorder keeps."""
    count, wire = len(one.time_s), draft.wire
    lost = np.zeros(count, bool)
    share = wire.lost.get(one.name, wire.lost.get("*", 0.0))
    if share:
        lost[rng.choice(np.arange(1, count - 1), max(1, round(share * count)), replace=False)] = True
    elif draft.coding.lost_share:
        wanted = int(draft.coding.lost_share * count)
        drawn = np.sort(rng.choice(np.arange(1, max(2, count - 1)), min(2 * wanted, count - 2), replace=False))
        apart = drawn[np.diff(drawn, prepend=-10) >= FEWEST_APART]
        lost[rng.permutation(apart)[:wanted]] = True
    if one.name in wire.silent:
        begin, end = wire.silent[one.name]
        lost |= (one.time_s >= begin) & (one.time_s < end)
    return np.flatnonzero(~lost & (one.time_s < draft.duration_s))


def _payloads(draft: Draft, one: Sent, rng: np.random.Generator) -> NDArray[np.uint8]:
    data = one.data
    share = draft.wire.corrupt.get(one.name, 0.0)
    if share:
        rows = rng.choice(len(data), max(1, round(share * len(data))), replace=False)
        data[rows, one.length - 1] ^= rng.integers(1, 256, len(rows)).astype(np.uint8)
    return data
