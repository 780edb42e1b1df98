"""Cells by module at one instant, laid out as the modules sit in the case where there is room for that."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.channels import State
from decoder.printable import printable
from decoder.screens.cells import CellNow, ModuleNow, in_case, in_case_order, module_now, modules_of
from decoder.screens.frame import DeskScreen, DeskView
from decoder.screens.ink import STATE_INKS, Line, Part, cell_len, fitted, line, wrapped
from decoder.screens.rows import moment_of, value_words
from decoder.screens.symbols import NOTHING, STATE_SYMBOLS, state_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.channels import Channels, Series

_CELL_MV = 7
_CELL_VOLTS = 8
_NARROWEST_BLOCK = 58


class Cells(DeskView):
    """Blocks of cells, a block a module."""

    as_volts = False
    _modules: tuple[Channels, dict[int | None, list[Series]], Series | None] | None = None
    _shown: tuple[object, dict[int | None, ModuleNow]] = (None, {})

    @property
    def cell_width(self) -> int:
        """Columns that one cell takes, with the brackets of the chosen one."""
        return _CELL_VOLTS if self.as_volts else _CELL_MV

    @property
    def modules(self) -> dict[int | None, list[Series]]:
        """The cell voltages by module."""
        return self._sorted()[1]

    def _sorted(self) -> tuple[Channels, dict[int | None, list[Series]], Series | None]:
        channels = self.desk.channels
        if self._modules is None or self._modules[0] is not channels:
            self._modules = (channels, modules_of(channels), next(iter(channels.of("pack current")), None))
            self._shown = (None, {})
        return self._modules

    def module(self, module: int | None) -> ModuleNow:
        """Give one module at the moment shown; made once for each moment."""
        channels, modules, current = self._sorted()
        key = self.desk.now_ns
        if self._shown[0] != key:
            self._shown = (key, {})
        made = self._shown[1].get(module)
        if made is None:
            made = self._shown[1][module] = module_now(channels, module, modules[module], current, self.desk.now_ns)
        return made

    def case_rows(self, width: int) -> list[list[int | None]]:
        """Give the modules in the rows of the case; one below the other where the width is too small for that."""
        sheet = self.desk.channels.sheet
        rows = in_case_order(list(self.modules), sheet.rows if sheet else ())
        if any(len(row) * _NARROWEST_BLOCK > width for row in rows):
            return [[module] for row in rows for module in row]
        return rows

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Give two lines of heading and the blocks around the chosen cell."""
        if not self.modules:
            words = (
                "No channel is a cell voltage. The pack sheet can say which ones are: [[channels]] with match and"
                ' quantity = "cell voltage".'
            )
            return [line(), *(line(f"  {part}") for part in wrapped(words, width - 4))]
        room = height - 2
        rows = self.case_rows(width)
        heights = [self._row_height(row, width) for row in rows]
        # An empty line parts the rows where there is room for all of them.
        apart = sum(heights) + len(heights) - 1 <= room
        chosen = self.chosen_module()
        at = next((number for number, row in enumerate(rows) if chosen in row), 0)
        first = last = at
        used = heights[at]
        while first > 0 and used + heights[first - 1] + apart <= room:
            first -= 1
            used += heights[first] + apart
        while last + 1 < len(rows) and used + heights[last + 1] + apart <= room:
            last += 1
            used += heights[last] + apart
        lines = [self._heading(width, first, len(rows) - 1 - last), self._chosen_line(width)]
        for number in range(first, last + 1):
            if apart and number > first:
                lines.append(line())
            lines += self._row_of_blocks(rows[number], width)
        return lines

    def chosen_module(self) -> int | None:
        """Give the module of the chosen cell, else the first."""
        series = self.desk.chosen
        for module, cells in self.modules.items():
            if series is not None and any(one.channel.name == series.channel.name for one in cells):
                return module
        return next(iter(self.modules))

    def _heading(self, width: int, above: int, below: int) -> Line:
        shown = "volts" if self.as_volts else "mV over module mean"
        text = f" one scan, {shown} · ↓ lowest ↑ highest"
        sheet = self.desk.channels.sheet
        if sheet and sheet.rows:
            text += f" · front: {printable(sheet.front, 20)}" if sheet.front else " · rows from the front"
        more = f" · {above} rows above" * bool(above) + f" · {below} rows below" * bool(below)
        return line((fitted(text + more, width), "head"))

    def _chosen_line(self, width: int) -> Line:
        """Tell in full about the chosen cell and where it sits."""
        series, sheet = self.desk.chosen, self.desk.channels.sheet
        if series is None or series.channel.quantity != "cell voltage":
            return line()
        moment = moment_of(series, self.desk.now_ns)
        place = series.channel.place
        where = sheet.where_in_case(place.module) if sheet and place.module is not None else None
        value = f"{value_words(series, moment, 3)} {printable(series.channel.quantity_unit, 8)}"
        name = f" [{printable(series.channel.name, 30)}]"
        rest = f" {value} {state_words(moment.state)} · {place}"
        room = width - cell_len(name)
        long = f"{rest} · {printable(where or '', 80)}" if where else rest
        shown = long if cell_len(long) <= room else rest + in_case(sheet, place.module)
        return line((name, "key"), fitted(shown, max(room, 0)))

    def _row_height(self, row: Sequence[int | None], width: int) -> int:
        per_line = max((width // len(row) - 2) // self.cell_width, 1)
        return 1 + max(-(-len(self.modules[module]) // per_line) for module in row)

    def _row_of_blocks(self, row: Sequence[int | None], width: int) -> list[Line]:
        """Lay the modules of one case row side by side."""
        block_width = width // len(row)
        blocks = [self._block(module, block_width) for module in row]
        tall = max(len(block) for block in blocks)
        empty: list[Part] = [(" " * block_width, "plain")]
        lines = []
        for number in range(tall):
            parts: list[Part] = []
            for block in blocks:
                parts += block[number] if number < len(block) else empty
            lines.append(Line(tuple(parts)))
        return lines

    def _block(self, module: int | None, width: int) -> list[list[Part]]:
        now = self.module(module)
        per_line = max((width - 2) // self.cell_width, 1)
        lines = [_module_heading(now, in_case(self.desk.channels.sheet, module), width)]
        for first in range(0, len(now.cells), per_line):
            parts: list[Part] = [("  ", "plain")]
            cells = now.cells[first : first + per_line]
            for cell in cells:
                parts += self._cell(cell, now)
            parts.append((" " * max(width - 2 - self.cell_width * len(cells), 0), "plain"))
            lines.append(parts)
        return lines

    def _cell(self, cell: CellNow, module: ModuleNow) -> list[Part]:
        """Give one cell in its columns: chosen or not, symbol, value."""
        chosen = cell.name == self.desk.selected
        symbol = STATE_SYMBOLS[cell.state] if cell.state is not State.OK else " "
        ink = STATE_INKS[cell.state]
        if cell.state is State.OK and cell.name in {module.lowest, module.highest}:
            symbol = "↓" if cell.name == module.lowest else "↑"
            ink = "caution" if module.beyond else "strong"
        if math.isnan(cell.volt):
            value = NOTHING
        elif self.as_volts or math.isnan(cell.over_mean_mv):
            value = f"{cell.volt:.3f}"
        else:
            millivolt = round(cell.over_mean_mv)
            value = f"{millivolt:+d}" if millivolt else "0"
        text = f"{symbol}{value}"
        if not chosen:
            return [(text.rjust(self.cell_width - 1) + " ", ink)]
        return [("[", "key"), (text.rjust(self.cell_width - 2), ink), ("]", "key")]


def _module_heading(now: ModuleNow, in_case: str, width: int) -> list[Part]:
    name = f"module {now.module}" if now.module is not None else "module not known"
    parts: list[Part] = [(f" {name}", "strong")]
    if math.isnan(now.spread_v):
        text, ink = " · no whole scan", "old"
    else:
        text = f" · mean {now.mean_v:.3f} V · spread {now.spread_v * 1e3:.0f} mV"
        limit = f"{now.limit_v * 1e3:.0f} mV"
        if not now.steady:
            text, ink = f"{text} ? current is moving", "old"
        elif now.beyond:
            text, ink = f"{text} ▲ above {limit}", "warning"
        else:
            text, ink = f"{text}, limit {limit}", "plain"
    room = width - len(name) - 1
    whole = text + in_case
    parts.append((fitted(whole if cell_len(whole) < room else text, room), ink))
    return parts


class CellsScreen(DeskScreen):
    """Cells by module."""

    KEYS = (
        ("esc", "pages"),
        ("←→", "cell"),
        ("↑↓", "module"),
        ("enter", "detail"),
        ("v", "volts or mV"),
        ("space", "play"),
        (", .", "sample"),
        ("?", "all keys"),
        ("n p", "finding"),
        ("h", "mark"),
        ("m", "note"),
        ("l", "limits"),
        ("f", "findings"),
        ("x", "questions"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "cell(-1)"),
        Binding("right", "cell(1)"),
        Binding("up", "module(-1)"),
        Binding("down", "module(1)"),
        Binding("enter", "app.detail"),
        Binding("v", "volts"),
    ]

    OWN_KEYS = (
        ("cells by module", ""),
        ("← →", "cell before, next cell"),
        ("↑ ↓", "module before, next module"),
        ("enter", "detail of the chosen cell; escape goes back"),
        ("v", "volts, or mV over the mean of the module"),
    )

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (Cells(self.desk, id="cells"),)

    def on_screen_resume(self) -> None:
        """Choose the first cell if no cell is chosen, and draw anew."""
        names = self._names()
        if names and self.desk.selected not in names:
            self.desk.choose(names[0])
        super().on_screen_resume()

    def _names(self) -> list[str]:
        view = self.query_one(Cells)
        rows = view.case_rows(self.app.size.width)
        return [one.channel.name for row in rows for module in row for one in view.modules[module]]

    def action_cell(self, by: int) -> None:
        """Choose the next cell, in the order of the case."""
        names = self._names()
        if names:
            at = names.index(self.desk.selected) if self.desk.selected in names else 0
            self.desk.choose(names[min(max(at + by, 0), len(names) - 1)])
            self.show_moment()

    def action_module(self, by: int) -> None:
        """Choose the same cell of the next module."""
        view = self.query_one(Cells)
        order = [module for row in view.case_rows(self.app.size.width) for module in row]
        if not order:
            return
        module = view.chosen_module()
        names = [one.channel.name for one in view.modules[module]]
        number = names.index(self.desk.selected) if self.desk.selected in names else 0
        cells = view.modules[order[min(max(order.index(module) + by, 0), len(order) - 1)]]
        self.desk.choose(cells[min(number, len(cells) - 1)].channel.name)
        self.show_moment()

    def action_volts(self) -> None:
        """Show volts, or mV over the mean."""
        view = self.query_one(Cells)
        view.as_volts = not view.as_volts
        view.redraw()
