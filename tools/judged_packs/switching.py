"""Contactors, the link behind them, and the 12 V side, over the grid of a draft."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.currents import following

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.judged_packs.draft import Draft

    Array = NDArray[np.float64]

COIL_V: Final = 0.6  # by how much the supply gives way when a coil is pulled
LINK_REST_V: Final = 1.5


def said_states(draft: Draft) -> Array:
    """Give what the controller says: negative, positive, pre-charge; 1 closed."""
    plan, time_s = draft.contactors, draft.time_s
    open_from = plan.opens_s if plan.opens_s is not None else np.inf
    said = np.zeros((3, len(time_s)))
    if plan.begin_closed:
        said[:2] = time_s < open_from
        return said
    if plan.pole_s is None or plan.precharge_s is None or plan.main_s is None:
        return said
    off_s = plan.precharge_off_s if plan.precharge_off_s is not None else np.inf
    said[0] = (time_s >= plan.pole_s) & (time_s < open_from)
    said[1] = (time_s >= plan.main_s) & (time_s < open_from)
    said[2] = (time_s >= plan.precharge_s) & (time_s < min(off_s, open_from))
    return said


def link_volts(draft: Draft, pack_v: Array) -> Array:
    """Give the voltage behind the contactors, from what they really do."""
    plan, said = draft.contactors, said_states(draft).astype(bool)
    pole = said[0] & plan.pole_works
    main, fills = pole & said[1] & plan.main_works, pole & said[2]
    if plan.welded and plan.opens_s is not None:
        main = main | (draft.time_s >= plan.opens_s)
    fill = draft.step_s / (plan.fill_s + draft.step_s)
    empty = draft.step_s / (plan.empty_s + draft.step_s)
    volt = np.empty(len(pack_v))
    now = float(pack_v[0]) if main[0] else LINK_REST_V
    for row, (joined, filling, pack) in enumerate(zip(main.tolist(), fills.tolist(), pack_v.tolist(), strict=True)):
        if joined:
            now = pack
        elif filling:
            now += (pack * plan.fill_share - now) * fill
        else:
            now += (LINK_REST_V - now) * empty
        volt[row] = now
    return volt


def supplies(draft: Draft) -> tuple[Array, Array]:
    """Give the vehicle's 12 V with its dips, and the keep-alive supply."""
    time_s, plan = draft.time_s, draft.contactors
    wanted = np.full(len(time_s), draft.supply_v)
    if plan.live_from_s is not None:
        wanted = np.where(time_s > plan.live_from_s + 1.5 * (not plan.begin_closed), draft.converter_v, wanted)
    volt = following(wanted, 0.3, float(wanted[0]), draft.step_s) + 0.03 * np.sin(time_s / 7)
    for at in (plan.pole_s, plan.precharge_s, plan.main_s):
        if at is not None and not plan.begin_closed:
            volt -= COIL_V * (time_s >= at) * np.exp(-np.clip(time_s - at, 0, None) / 0.12)
    for at in draft.dips_s:
        volt -= (float(volt.min()) - 9.9) * 0.8 * (time_s >= at) * np.exp(-np.clip(time_s - at, 0, None) / 0.25)
    return volt, draft.keep_alive_v + 0.02 * np.sin(time_s / 13)
