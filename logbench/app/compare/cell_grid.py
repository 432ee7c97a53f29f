"""The grid of differences: engine speed by load, one number a cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QBrush, QColor, QPen
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from logbench.analysis.comparison.cells import SLOT_S, CellKey, LoadAxis, key_of
from logbench.analysis.comparison.differences import CellDifference
from logbench.analysis.comparison.results import Comparison
from logbench.analysis.statement import in_units
from logbench.app.compare.signals_table import change_text
from logbench.app.parts import Elided, lay, styled
from logbench.app.plain import RichLabel
from logbench.app.plot.cell_table import Cell, CellTable
from logbench.app.theme import BLUE, ORANGE, SKY, VERMILION, Look, Theme
from logbench.signals.units import difference_unit, unit_text
from logbench.words import shown, tr, word

_HATCH = {"before": Qt.BrushStyle.BDiagPattern, "after": Qt.BrushStyle.FDiagPattern}
_HATCH_MARKS = {"before": "▨", "after": "▧"}
_RAMP_STEPS = 10


@dataclass(frozen=True)
class GridCell:
    """A cell that at least one side has been in; `difference` is None unless both have."""

    code: int
    key: CellKey
    side: str
    """`both`, `before` or `after`."""
    difference: CellDifference | None
    changed: bool
    seconds: tuple[float, float]


def cells_of(result: Comparison, key: str) -> list[GridCell]:
    """The cells of a signal; those without a number are of `before` or `after` alone, or of both
    without enough in one of them."""
    signal = result.signal(key)
    shared = {c.code: (c, d) for c, d in zip(signal.cells, signal.cells_changed, strict=False)}
    counts: list[dict[int, int]] = []
    for slots in (result.before_slots, result.after_slots):
        codes = np.unique(slots.code, return_counts=True) if slots is not None else ((), ())
        counts.append({int(c): int(n) for c, n in zip(*codes, strict=True)})
    cells = []
    for code in sorted({*counts[0], *counts[1]}):
        seconds = (SLOT_S * counts[0].get(code, 0), SLOT_S * counts[1].get(code, 0))
        found, changed = shared.get(code, (None, False))
        lone = "before" if seconds[0] >= seconds[1] else "after"
        side = "both" if found is not None else lone
        cells.append(GridCell(code, key_of(code), side, found, changed, seconds))
    return cells


def difference_color(share: float, theme: Theme) -> QColor:
    """Ground color of a difference; `share` of the largest one shown, -1 to 1. From Okabe-Ito blue
    (lower) over the ground to vermilion (higher): told apart with any color vision."""
    ends = (SKY, ORANGE) if theme.name == "night" else (BLUE, VERMILION)
    ground, end = QColor(theme.panel), QColor(ends[0] if share < 0 else ends[1])
    much = min(1.0, abs(share)) ** 0.8
    mixed = (
        round(a + (b - a) * much)
        for a, b in zip(ground.getRgb()[:3], end.getRgb()[:3], strict=True)  # type: ignore[index]
    )
    return QColor(*mixed)


def ink_on(ground: QColor) -> QColor:
    """Black or white, whichever is read better on a ground (WCAG 2 relative luminance)."""

    def linear(share: float) -> float:
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    parts = (ground.redF(), ground.greenF(), ground.blueF())
    red, green, blue = (linear(part) for part in parts)
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return QColor("#000000") if (luminance + 0.05) ** 2 > 1.05 * 0.05 else QColor("#FFFFFF")


class CellGrid(QWidget):
    """Arrow keys move from cell to cell, Esc lets go; the chosen one is sent."""

    chosen = Signal(object)
    """The `GridCell`, or None."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.look = look
        self.cells: list[GridCell] = []
        self._axis: LoadAxis | None = None
        self._title = ""
        self._unit = ""
        self._head, self._axes, self._legend = Elided(), styled(Elided(), "muted"), RichLabel()
        self._legend.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        nothing = tr("No operating cells: nothing was warm and steady enough on either side.")
        self.table = CellTable(look.theme, nothing)
        self.table.chosen.connect(self._chosen)
        look.follow(self._show)
        parts = (self._head, (self.table, 1), self._axes, self._legend)
        lay(QVBoxLayout(self), *parts, margins=(8, 2, 8, 4), spacing=2)
        self.setFocusProxy(self.table)
        self._show()

    @property
    def current(self) -> GridCell | None:
        """The chosen cell."""
        return next((c for c in self.cells if c.key == self.table.current), None)

    def show_signal(self, result: Comparison, key: str) -> None:
        """Show the differences of one signal; the chosen cell stays chosen, unsent."""
        signal = result.signal(key)
        self.cells = cells_of(result, key)
        self._axis, self._unit, self._title = result.axis, signal.unit, shown(signal.title)
        self._show()

    def clear(self) -> None:
        """Show nothing."""
        self.cells, self._axis, self._title = [], None, ""
        self._show()

    def choose(self, cell: GridCell | None) -> None:
        """Choose a cell, or none."""
        self.table.choose(None if cell is None else cell.key)

    def text_of(self, cell: GridCell) -> str:
        """A cell in words."""
        place = cell.key.text(self._axis) if self._axis is not None else ""
        place = in_units(place, self.look.units)
        before, after = (f"{s:.0f} s" for s in cell.seconds)
        times = tr("{before} of steady running before, {after} after", before=before, after=after)
        found = cell.difference
        if found is None:
            return tr(
                "{place}: no difference, too little on a side ({times}).", place=place, times=times
            )
        half = found.difference.half_width
        number = change_text(found.difference.value, half, self._unit, self.look.units)
        alone = tr(" It differs by itself.") if cell.changed else ""
        return f"{place}: {number} ({times}).{alone}"

    # --- small things ---

    def _show(self, _: object = None) -> None:
        """The axes keep the units of the cells."""
        columns, rows = (
            range(min(places), max(places) + 1) if places else range(0)
            for places in (
                [c.key.rpm_index for c in self.cells],
                [c.key.load_index for c in self.cells],
            )
        )
        sizes = [abs(c.difference.difference.value) for c in self.cells if c.difference]
        top = max(sizes, default=0.0) or 1.0
        cells = {cell.key: self._shown(cell, top) for cell in self.cells}
        self.table.theme = self.look.theme
        self.table.show_cells(cells, self._axis, columns, rows)
        unit = unit_text(self.look.units.unit(difference_unit(self._unit)))
        unit = f", {unit}" if self._unit else ""
        self._head.tell(tr("{title}: change (after − before){unit}", title=self._title, unit=unit))
        self._axes.tell(self.table.axes_text)
        self._legend.setText(self._legend_text(top) if sizes else "")
        for part in (self._head, self._axes, self._legend):
            part.setVisible(bool(self.cells))
        self._name()

    def _shown(self, cell: GridCell, top: float) -> Cell:
        """The cell in the table; colors end at the difference `top`."""
        theme, said = self.look.theme, self.text_of(cell)
        line, text = QPen(QColor(theme.line), 1), QColor(theme.text)
        if cell.difference is None:
            return Cell("", said, QBrush(QColor(theme.muted), _HATCH[cell.side]), text, line)
        found = cell.difference.difference
        ground = difference_color(found.value / top, theme)
        number = self._bare(found.value, found.half_width).replace(" ±", "\n±")
        frame = QPen(text, 2) if cell.changed else line
        return Cell(number, said, QBrush(ground), ink_on(ground), frame)

    def _bare(self, value: float, half: float | None) -> str:
        """A difference without its unit, which the title names."""
        factor, _ = self.look.units.line(self._unit)
        return change_text(value * factor, None if half is None else half * factor, "")

    def _legend_text(self, top: float) -> str:
        """The colors with their ends, and the two kinds of hatching; as rich text."""
        shares = [step / _RAMP_STEPS for step in range(-_RAMP_STEPS, _RAMP_STEPS + 1)]
        ramp = "".join(
            f'<span style="color: {difference_color(s, self.look.theme).name()}">█</span>'
            for s in shares
        )
        ends = [self._bare(value, None) for value in (-top, top)]
        sides = [tr("only {side}", side=word(side)) for side in _HATCH_MARKS]
        marked = zip(_HATCH_MARKS.values(), sides, strict=True)
        lone = "&nbsp;&nbsp; ".join(f"{mark} {side}" for mark, side in marked)
        return f"{ends[0]} {ramp} {ends[1]}&nbsp;&nbsp; {lone}"

    def _chosen(self, _: object) -> None:
        self._name()
        self.chosen.emit(self.current)

    def _name(self) -> None:
        """What a screen reader says."""
        shared = sum(c.difference is not None for c in self.cells)
        name = tr(
            "Grid of differences, {title}: {shared} shared cells of {n}",
            title=self._title,
            shared=shared,
            n=len(self.cells),
        )
        current = self.current
        if current is not None:
            name += tr(". Chosen: {cell}", cell=self.text_of(current))
        self.table.setAccessibleName(name)
