"""Draws what the controller's sensors do wrong, and how it codes and sends what they read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.draft import Coding, Sensing, Wants
from tools.layouts.habits import pick

if TYPE_CHECKING:
    from collections.abc import Sequence

# Cells in a frame, by style: four of 16 bits; pages of three; five of 12 bits; one of 16 bits beside its index.
CELLS_IN_FRAME: Final = {"four": 4, "pages": 3, "twelve": 5, "index": 1}
STYLES: Final = {"four": 0.35, "pages": 0.25, "twelve": 0.25, "index": 0.15}
MOST_CELL_SAMPLES: Final = 350_000
MOST_CELL_FRAMES: Final = 120_000
MOST_PACK_FRAMES: Final = 20_000
PAGES_IN_A_ROW: Final = 0.15  # multiplexed messages whose pages follow each other, with a pause behind them
PERIODS_S: Final = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


def draw_coding(rng: np.random.Generator, profile: str, cells: int, duration_s: float, wants: Wants) -> Coding:
    """Draw a style of layout, steps and periods that keep the capture small."""
    style = pick(rng, STYLES)
    step_v = 0.001
    if style == "twelve":
        steps = {0.0015: 0.4, 0.005: 0.35, 0.02: 0.25}
        step_v = pick(rng, {k: v for k, v in steps.items() if k <= wants.coarsest_v})
    frames = max(1, cells // CELLS_IN_FRAME[style])
    fits = [
        period
        for period in PERIODS_S
        if cells * duration_s / period <= MOST_CELL_SAMPLES and frames * duration_s / period <= MOST_CELL_FRAMES
    ]
    usual = [period for period in fits if period <= min(1.0, wants.slowest_s)] or fits[:1]
    pack = [period for period in PERIODS_S if duration_s / period <= MOST_PACK_FRAMES and period <= 1.0]
    period_s = float(usual[int(rng.integers(len(usual)))])
    return Coding(
        style=style,
        cell_step_v=step_v,
        cell_period_s=period_s,
        pack_period_s=float(pack[int(rng.integers(min(3, len(pack))))]),
        slow_period_s=max(float(pick(rng, {0.2: 0.3, 0.5: 0.3, 1.0: 0.4})), duration_s / 4000),
        big_endian=rng.random() < 0.6,
        burst=rng.random() < (0.5 if style in {"four", "twelve"} else PAGES_IN_A_ROW),
        latched=rng.random() < 0.45,
        current_offset_coded=rng.random() < 0.4,
        counts_charge=rng.random() < 0.3,
        temperature_step_c=pick(rng, {1.0: 0.6, 0.5: 0.4}),
        charge_step=pick(rng, {0.5: 0.6, 0.1: 0.4}),
        modulus=pick(rng, {16: 0.6, 15: 0.4}),
        says_modulus=rng.random() < 0.6,
        says_form=rng.random() < 0.6,
        names_curve=wants.named_curve or rng.random() < 0.6,
        module_voltages=wants.module_voltages or rng.random() < 0.3,
        wakes_s=0.3 if profile not in {"long rest", "cycle"} and rng.random() < 0.25 else 0.0,
        lost_share=float(rng.uniform(0.0005, 0.005)) if rng.random() < 0.3 else 0.0,
    )


def draw_sensing(rng: np.random.Generator, sizes: Sequence[int], coding: Coding) -> Sensing:
    """Draw errors of ordinary sensors: cells within 2 mV, current 0.5 % and up to 0.5 A, pack voltage 0.3 %."""
    cells = sum(sizes)
    # A scan of all cells takes its time, but no longer than until the next one begins; the chain is read from one end.
    scan_s = min(float(rng.uniform(0.02, 0.2)), 0.8 * coding.cell_period_s) * np.arange(cells) / cells
    scan_s = scan_s[::-1] if rng.random() < 0.5 else scan_s
    module_gain = rng.uniform(-0.0004, 0.0004, len(sizes))
    return Sensing(
        cell_offset_v=np.clip(rng.normal(0, 0.0007, cells), -0.0015, 0.0015),
        module_gain=1 + np.repeat(module_gain, sizes),
        cell_noise_v=float(rng.uniform(0.0002, 0.0009)),
        cell_delay_s=float(rng.uniform(0.002, 0.05)) + (scan_s if not coding.latched else 0 * scan_s),
        sensor_offset_c=np.zeros(0),
        pack_gain=float(1 + rng.uniform(-0.003, 0.003)),
        pack_offset_v=float(rng.uniform(-0.3, 0.3)),
        pack_noise_v=float(rng.uniform(0.02, 0.15)),
        link_gain=float(1 + rng.uniform(-0.006, 0.006)),
        current_gain=float(1 + rng.uniform(-0.005, 0.005)),
        current_offset_a=float(rng.uniform(0.1, 0.5) * rng.choice([-1, 1])),
        current_noise_a=float(rng.uniform(0.02, 0.2)),
        current_delay_s=float(rng.uniform(0.0, 0.05)),
        # The monitor that reads a module's cells reads the module, with the same reference.
        module_sum_gain=1 + module_gain + rng.uniform(-0.0001, 0.0001, len(sizes)),
        charge_error_percent=float(rng.uniform(-2.8, 2.8)),
    )
