"""Panels over time, drawn: lines, bands of many lines, states as bars, and above them when findings hold.

Every picture is drawn twice, for wide screens and paper and for narrow ones; the document's style shows one of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.report.svg_parts import (
    BAND,
    DASHES,
    FAINT,
    INK,
    LINES,
    SEVERITIES,
    SOFT,
    UNITS_AN_INCH,
    drawing_style,
    inline_svg,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

# Sizes in units of the document.
WIDE: Final = 720
NARROW: Final = 350
_LEFT: Final = 56
_LEFT_OF_STATES: Final = 70
_RIGHT: Final = 14
_TOP: Final = 8
_BOTTOM: Final = 38
_PANEL: Final = 150
_STATE: Final = 20
_BETWEEN: Final = 22
_LANE: Final = 14
_CAPTION: Final = 18
_SHORTEST: Final = 3
_MOST_LANES: Final = 6
# A limit is drawn if it lies within this share of the panel's height beyond the values.
_NEAR: Final = 0.25
# A finding that lasts longer than this share of the time is not shaded within the panel.
_SHADED_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One line; `style` numbers its colour and dashes. Time in s from the first frame."""

    label: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    style: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """What lies between the lowest and the highest of many lines."""

    label: str
    time_s: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StateRow:
    """When something is in its other state, closed for example: (from, to) in s from the first frame."""

    label: str
    spans_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """When a finding holds; `number` is that of the list of findings, `word` its severity."""

    number: int
    symbol: str
    word: str
    spans_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One part of a picture: lines and bands over one axis of values, or rows of states.

    `limits`: (words, value), drawn where they are near the values.
    """

    title: str
    unit: str
    lines: tuple[Line, ...] = ()
    band: Band | None = None
    states: tuple[StateRow, ...] = ()
    marks: tuple[Mark, ...] = ()
    limits: tuple[tuple[str, float], ...] = ()

    @property
    def lanes(self) -> int:
        """How many rows of marks stand above it."""
        return min(len(self.marks), _MOST_LANES)

    @property
    def height(self) -> int:
        """Of the axes, in units."""
        return _STATE * len(self.states) + 6 if self.states else _PANEL


def time_picture(panels: Sequence[Panel], end_s: float, name: str, title: str, description: str) -> tuple[Markup, ...]:
    """Draw panels above each other over one axis of time, wide and narrow."""
    return tuple(
        _drawn(panels, end_s, width, f"{name}-{kind}", title, description)
        for kind, width in (("wide", WIDE), ("narrow", NARROW))
    )


def _drawn(panels: Sequence[Panel], end_s: float, width: int, name: str, title: str, description: str) -> Markup:
    from matplotlib.figure import Figure  # noqa: PLC0415  (heavy)

    heads = [_CAPTION + _LANE * panel.lanes for panel in panels]
    height = _TOP + _BOTTOM + sum(heads) + sum(panel.height for panel in panels) + _BETWEEN * (len(panels) - 1)
    scale_s, unit = _time_scale(end_s)
    left = _LEFT_OF_STATES if any(panel.states for panel in panels) else _LEFT
    across = width - left - _RIGHT
    with drawing_style():
        figure = Figure(figsize=(width / UNITS_AN_INCH, height / UNITS_AN_INCH), dpi=UNITS_AN_INCH)
        top = height - _TOP
        for panel, head in zip(panels, heads, strict=True):
            bottom = top - head - panel.height
            box = (left / width, bottom / height, across / width, panel.height / height)
            axes = figure.add_axes(box)
            axes.set_xlim(0, max(end_s, 1e-3) / scale_s)
            _fill(axes, panel, scale_s, left)
            _mark(axes, panel, scale_s, (across, end_s))
            last = panel is panels[-1]
            axes.tick_params(axis="x", labelbottom=last, length=3)
            axes.locator_params(axis="x", nbins=9 if width == WIDE else 5)
            if last:
                axes.set_xlabel(f"{unit} from the first frame")
            top = bottom - _BETWEEN
        return inline_svg(figure, name, title, description, name.rpartition("-")[2])


def _time_scale(end_s: float) -> tuple[float, str]:
    if end_s < 600:
        return 1.0, "seconds"
    return (60.0, "minutes") if end_s < 36_000 else (3600.0, "hours")


def _fill(axes: Axes, panel: Panel, scale_s: float, left: int) -> None:
    head = panel.title + (f", {panel.unit}" if panel.unit else "")
    rise = _LANE * panel.lanes + 5
    axes.annotate(
        head, (0, 1), xytext=(-left + 4, rise), xycoords="axes fraction", textcoords="offset points", weight="bold"
    )
    if panel.states:
        _fill_states(axes, panel, scale_s)
        return
    axes.grid(visible=True, axis="y")
    axes.set_axisbelow(True)
    axes.tick_params(axis="y", length=0)
    if panel.band is not None:
        axes.fill_between(
            panel.band.time_s / scale_s, panel.band.low, panel.band.high, color=BAND, linewidth=0.5, alpha=0.75
        )
    for line in panel.lines:
        axes.plot(
            line.time_s / scale_s,
            line.value,
            color=LINES[line.style % len(LINES)],
            dashes=DASHES[line.style % len(DASHES)] or (None, None),
            linewidth=1.3,
            solid_joinstyle="round",
        )
    axes.margins(y=0.08)
    _draw_limits(axes, panel)
    axes.locator_params(axis="y", nbins=5)
    axes.ticklabel_format(axis="y", useOffset=False, style="plain")


def _draw_limits(axes: Axes, panel: Panel) -> None:
    """Draw the limits that lie near the values."""
    bottom, top = axes.get_ylim()
    room = top - bottom
    for words, value in panel.limits:
        if bottom - _NEAR * room <= value <= top + _NEAR * room:
            axes.axhline(value, color=INK, linewidth=0.9, dashes=(2, 3))
            axes.annotate(
                words,
                (1, value),
                xytext=(0, 3),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                ha="right",
                color=SOFT,
            )
            bottom, top = min(bottom, value - 0.08 * room), max(top, value + 0.12 * room)
    axes.set_ylim(bottom, top)


def _fill_states(axes: Axes, panel: Panel, scale_s: float) -> None:
    count = len(panel.states)
    axes.set_ylim(-0.6, count - 0.4)
    axes.set_yticks([])
    for place, row in enumerate(panel.states):
        y = count - 1 - place
        axes.axhline(y, color=FAINT, linewidth=1, zorder=0)
        spans = [(begin / scale_s, (end - begin) / scale_s) for begin, end in row.spans_s]
        axes.broken_barh(spans, (y - 0.3, 0.6), facecolor=LINES[0], alpha=0.75, zorder=2)
        axes.annotate(
            row.label,
            (0, y),
            xytext=(-4, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            ha="right",
            va="center",
        )


def _mark(axes: Axes, panel: Panel, scale_s: float, across: tuple[float, float]) -> None:
    """Draw above the panel when each finding holds, and shade the panel where that is only a part of the time."""
    from matplotlib.patches import Rectangle  # noqa: PLC0415  (heavy)
    from matplotlib.transforms import blended_transform_factory  # noqa: PLC0415

    units, end_s = across
    shortest_s = _SHORTEST * end_s / units
    over = blended_transform_factory(axes.transData, axes.transAxes)
    for lane, mark in enumerate(panel.marks[:_MOST_LANES]):
        colour = SEVERITIES[mark.word]
        low = 1 + (_LANE * (panel.lanes - 1 - lane) + 4) / panel.height
        for begin, end in mark.spans_s:
            span = max(end - begin, shortest_s)
            start = min(begin, end_s - span) / scale_s
            axes.add_patch(
                Rectangle(
                    (start, low),
                    span / scale_s,
                    6 / panel.height,
                    transform=over,
                    facecolor=colour,
                    linewidth=0,
                    clip_on=False,
                )
            )
            if end - begin < _SHADED_SHARE * end_s:
                axes.axvspan(start, start + span / scale_s, facecolor=colour, alpha=0.1, linewidth=0)
        axes.annotate(
            f"{mark.symbol} {mark.number}",
            (min(begin for begin, _ in mark.spans_s) / scale_s, low + 3 / panel.height),
            xytext=(-3, 0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right",
            va="center",
            color=INK,
            fontsize=10,
        )
