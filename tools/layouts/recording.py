"""One trial: a pack controller (sometimes two), all its identifiers, and what a recorder makes of them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import EXTENDED, Frames
from tools.layouts import habits as shares
from tools.layouts.contents import CONSTANTS, NUMBERS, STATES, fill, put_noise
from tools.layouts.counters_and_checks import draw_plan, put_check, put_counter
from tools.layouts.habits import Habits, draw_habits, pick
from tools.layouts.multiplexed import put_indexed, put_joined, put_nested, put_pages
from tools.layouts.pack_world import World, make_world
from tools.layouts.quantities import draw_coding
from tools.layouts.sheet import Sheet, field_at
from tools.layouts.truth import Trial, TrueStream, measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

BUS: Final = "can0"
LENGTHS: Final = {8: 0.78, 7: 0.03, 6: 0.05, 5: 0.03, 4: 0.05, 3: 0.03, 2: 0.03}
TWO_CONTROLLERS: Final = 0.25
MILLISECOND_STAMPS: Final = 0.35
SLOW_LOGGER: Final = 0.1  # captures that lose 2 to 10 % of their frames
SOME_LOST: Final = 0.5  # captures that lose up to 0.3 %
WRONG_PAYLOADS: Final = 0.12  # captures in which one to three frames carry another's payload
WIDE_IDENTIFIERS: Final = 0.15
FEWEST_FRAMES: Final = 2
BLOCK: Final = 16  # identifiers
NEW_BLOCK: Final = 0.2
PAGES_EVERY_MS: Final = {10: 0.2, 20: 0.3, 50: 0.2, 100: 0.3}  # multiplexed frames come often: they have much to say


@dataclass(frozen=True, slots=True)
class Task:
    """One identifier to be laid out; `sibling` counts those of one layout."""

    sort: str
    shape_seed: int
    sibling: int


def make_trial(seed: int) -> Trial:
    """Make the capture of a seed, and the truth about it."""
    rng = np.random.default_rng(seed)
    world = make_world(rng)
    wanted = int(rng.integers(15, 41))
    shared = [draw_habits(rng)] + ([draw_habits(rng)] if rng.random() < TWO_CONTROLLERS else [])
    tasks = [
        (habits, task)
        for number, habits in enumerate(shared)
        for task in _tasks(rng, wanted // len(shared), cells=number == 0)
    ]
    sheets = [_laid_out(rng, world, habits, task) for habits, task in tasks]
    siblings = [len(list(group)) for _, group in itertools.groupby(tasks, key=lambda pair: pair[1].shape_seed)]
    ids = _identifiers(rng, siblings, wide=bool(rng.random() < WIDE_IDENTIFIERS))
    return _recorded(rng, seed, ids, sheets)


def _tasks(rng: np.random.Generator, count: int, *, cells: bool) -> list[Task]:
    """Draw what the identifiers of a controller are."""
    tasks: list[Task] = []
    scheme = pick(rng, shares.CELL_SCHEMES) if cells else "none"
    if scheme != "none":
        siblings = int(rng.integers(3, 9)) if scheme == "joined" else int(rng.choice([1, 1, 1, 2]))
        tasks += _siblings(rng, scheme if scheme != "pages" else "cell pages", siblings)
    while len(tasks) < count:
        sort = pick(rng, shares.FRAME_SORTS)
        several = sort in {"states", "numbers", "temperatures"} and rng.random() < 0.15
        tasks += _siblings(rng, sort, int(rng.integers(2, 4)) if several else 1)
    return tasks[:count]


def _siblings(rng: np.random.Generator, sort: str, count: int) -> list[Task]:
    seed = int(rng.integers(0, 2**62))
    return [Task(sort, seed, number) for number in range(count)]


def _laid_out(rng: np.random.Generator, world: World, habits: Habits, task: Task) -> Sheet:
    """Lay out one identifier and fill it for the whole capture."""
    shape = np.random.default_rng(task.shape_seed)
    life = np.random.default_rng(int(rng.integers(0, 2**62)))
    multiplexed = task.sort in {"cell pages", "indexed", "nested", "pages", "text"}
    period_s = pick(shape, PAGES_EVERY_MS if multiplexed else shares.PERIODS_MS) / 1000
    time_s = _sent(life, world.duration_s, period_s)
    waits = world.wakes and shape.random() < shares.NOT_AVAILABLE_SHARE
    waking = time_s < (world.moments_s[0] * life.uniform(0.3, 1.0) if waits else -1.0)
    wide = multiplexed or task.sort in {"joined", "temperatures"}
    length = 8 if wide else pick(shape, LENGTHS)
    sheet = Sheet(shape, life, habits, world, time_s, waking, length)
    _fill(sheet, task)
    return sheet


def _fill(sheet: Sheet, task: Task) -> None:
    if task.sort == "constant":
        fill(sheet, 0, sheet.length, CONSTANTS)
        return
    plan = draw_plan(sheet)
    put_counter(sheet, plan)
    first, end = plan.first, plan.end
    if task.sort == "joined":
        put_joined(sheet, first, end, task.sibling)
    elif task.sort == "cell pages":
        put_pages(sheet, first, end, "cells")
    elif task.sort == "pages":
        put_pages(sheet, first, end, "numbers")
    elif task.sort == "text":
        put_pages(sheet, first, end, "text")
    elif task.sort == "indexed":
        put_indexed(sheet, first, end)
    elif task.sort == "nested":
        put_nested(sheet, first, end)
    elif task.sort == "temperatures":
        _put_temperatures(sheet, first, end)
    elif task.sort == "noise":
        begin = max(first, end - int(sheet.shape.integers(1, 5)))
        fill(sheet, first, begin, NUMBERS)
        put_noise(sheet, begin, end)
    else:
        fill(sheet, first, end, STATES if task.sort == "states" else NUMBERS)
    put_check(sheet, plan)


def _put_temperatures(sheet: Sheet, first: int, end: int) -> None:
    """Put one temperature a byte; sensors that are not fitted read all ones throughout."""
    coding = draw_coding(sheet.shape, 8, "temperature")
    for byte in range(first, end):
        place = field_at(8 * byte, 8, sheet.habits.byte_order)
        if sheet.life.random() < 0.08:
            sheet.put(place, "constant", 0xFF)
            continue
        which = int(sheet.life.integers(0, 1000))
        raw = coding.raw(sheet.world, sheet.time_s, which, max(0.5, sheet.habits.update_s), sheet.life)
        sheet.put(place, "number", sheet.available(raw, 8))


def _sent(rng: np.random.Generator, duration_s: float, period_s: float) -> NDArray[np.float64]:
    """Give when the frames of an identifier are sent: a period of the sender's own clock, sometimes late."""
    phase_s = rng.uniform(0, min(period_s, duration_s / 4))
    count = max(FEWEST_FRAMES, int((duration_s - phase_s) / period_s))
    late_s = np.abs(rng.normal(0, 0.01 * period_s, count)) + 0.0003 * rng.random(count)
    return phase_s + np.arange(count) * period_s * (1 + rng.normal(0, 50e-6)) + late_s


def _recorded(rng: np.random.Generator, seed: int, ids: list[int], sheets: list[Sheet]) -> Trial:
    """Lose some frames, round the stamps, mix up a few payloads, and put all into one capture."""
    lost = rng.uniform(0.02, 0.1) if rng.random() < SLOW_LOGGER else 0.003 * rng.random() * (rng.random() < SOME_LOST)
    kept = [_not_lost(rng, len(sheet.time_s), lost) for sheet in sheets]
    data = [sheet.data[rows] for sheet, rows in zip(sheets, kept, strict=True)]
    time_s = [sheet.time_s[rows] for sheet, rows in zip(sheets, kept, strict=True)]
    sound = [np.ones(len(rows), bool) for rows in data]
    wide = ids[0] > 0x7FF
    if rng.random() < WRONG_PAYLOADS:
        _mix_up(rng, data, sound)
    streams = tuple(
        TrueStream(BUS, can_id, wide, tuple(measured(draft, rows[own]) for draft in sheet.drafts), rows, own)
        for can_id, sheet, rows, own in zip(ids, sheets, data, sound, strict=True)
    )
    step_ns = 1_000_000 if rng.random() < MILLISECOND_STAMPS else 1_000
    return Trial(seed, _frames(ids, time_s, data, step_ns, wide=wide), streams)


def _not_lost(rng: np.random.Generator, count: int, share: float) -> NDArray[np.intp]:
    rows = np.flatnonzero(rng.random(count) >= share)
    return rows if len(rows) >= FEWEST_FRAMES else np.arange(count)


def _identifiers(rng: np.random.Generator, sizes: list[int], *, wide: bool) -> list[int]:
    """Draw identifiers: siblings are neighbours, and other frames of a controller often stand beside them."""
    bases = iter((rng.permutation(np.arange(0x10, 0x6F)) * BLOCK).tolist())
    ids: list[int] = []
    room = 0
    for size in sizes:
        if size > room or rng.random() < NEW_BLOCK:
            at, room = next(bases), BLOCK
        ids += range(at, at + size)
        at, room = at + size, room - size
    return [0x18FF0000 + can_id for can_id in ids] if wide else ids


def _mix_up(rng: np.random.Generator, data: list[NDArray[np.uint8]], sound: list[NDArray[np.bool_]]) -> None:
    """Let one to three frames carry the payload of another identifier of the same length."""
    for _ in range(int(rng.integers(1, 4))):
        one, other = rng.integers(0, len(data), 2)
        if one != other and data[one].shape[1] == data[other].shape[1]:
            row = int(rng.integers(0, len(data[one])))
            data[one][row] = data[other][int(rng.integers(0, len(data[other])))]
            sound[one][row] = False


def _frames(
    ids: list[int], time_s: list[NDArray[np.float64]], data: list[NDArray[np.uint8]], step_ns: int, *, wide: bool
) -> Frames:
    time_ns = np.concatenate(time_s) * 1e9
    time_ns = (time_ns // step_ns).astype(np.int64) * step_ns
    order = np.argsort(np.concatenate(time_s), kind="stable")
    counts = [len(rows) for rows in data]
    n = len(order)
    return Frames(
        time_ns=time_ns[order],
        bus=np.zeros(n, np.uint8),
        can_id=np.repeat(np.array(ids, np.uint32), counts)[order],
        flags=np.full(n, EXTENDED if wide else 0, np.uint16),
        length=np.repeat(np.array([rows.shape[1] for rows in data], np.uint8), counts)[order],
        data=np.concatenate([np.pad(rows, ((0, 0), (0, 8 - rows.shape[1]))) for rows in data])[order],
        line=np.arange(1, n + 1, dtype=np.uint32),
        source=np.zeros(n, np.uint8),
        bus_names=(BUS,),
    )
