"""The grid of differences: engine speed by load, one number a cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QEvent, QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFocusEvent,
    QHelpEvent,
    QKeyEvent,
    QLinearGradient,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from logbench.analysis.comparison.cells import RPM_EDGES, SLOT_S, LoadAxis, key_of
from logbench.analysis.comparison.differences import CellDifference
from logbench.analysis.comparison.results import Comparison
from logbench.app.compare.colours import difference_colour, ink_on
from logbench.app.compare.signals_table import change_text
from logbench.app.theme import Theme
from logbench.signals.unit_sentences import in_units
from logbench.signals.units import METRIC, Units, difference_unit, unit_text
from logbench.words import tr, word

_LEFT, _TOP, _RIGHT, _BOTTOM = 64, 28, 18, 66
_TWO_LINES_PX = 36
_RAMP_PX = 90
_HATCH = {"before": Qt.BrushStyle.BDiagPattern, "after": Qt.BrushStyle.FDiagPattern}


@dataclass(frozen=True)
class GridCell:
    """A cell that at least one side has been in; `difference` is None unless both have."""

    code: int
    row: int
    column: int
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
        place = key_of(code)
        seconds = (SLOT_S * counts[0].get(code, 0), SLOT_S * counts[1].get(code, 0))
        found, changed = shared.get(code, (None, False))
        lone = "before" if seconds[0] >= seconds[1] else "after"
        side = "both" if found is not None else lone
        cells.append(
            GridCell(code, place.load_index, place.rpm_index, side, found, changed, seconds)
        )
    return cells


class CellGrid(QWidget):
    """Arrow keys move from cell to cell, Esc lets go; the chosen one is sent."""

    chosen = Signal(object)
    """The `GridCell`, or None."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.cells: list[GridCell] = []
        self.current: GridCell | None = None
        self._axis: LoadAxis | None = None
        self._title = ""
        self._unit = ""
        self._units = METRIC
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(QSize(280, 190))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(False)
        self._name()

    def show_signal(self, result: Comparison, key: str) -> None:
        """Show the differences of one signal; the chosen cell stays chosen, unsent."""
        signal = result.signal(key)
        code = self.current.code if self.current is not None else None
        self.cells = cells_of(result, key)
        self._axis, self._unit = result.axis, signal.unit
        self._title = signal.title
        self.current = next((c for c in self.cells if c.code == code), None)
        self._name()
        self.update()

    def clear(self) -> None:
        """Show nothing."""
        self.cells, self.current, self._axis, self._title = [], None, None, ""
        self._name()
        self.update()

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.theme = theme
        self.update()

    def set_units(self, units: Units) -> None:
        """Show differences in other units; the axes keep those of the cells."""
        self._units = units
        self._name()
        self.update()

    def choose(self, cell: GridCell | None) -> None:
        """Choose a cell, or none."""
        self.current = cell
        self._name()
        self.update()
        self.chosen.emit(cell)

    def choose_code(self, code: int) -> None:
        """Choose by code; nothing if there is no such cell."""
        cell = next((c for c in self.cells if c.code == code), None)
        if cell is not None:
            self.choose(cell)

    def text_of(self, cell: GridCell) -> str:
        """A cell in words."""
        place = key_of(cell.code).text(self._axis) if self._axis is not None else ""
        place = in_units(place, self._units)
        before, after = (f"{s:.0f} s" for s in cell.seconds)
        times = tr("{before} of steady running before, {after} after", before=before, after=after)
        found = cell.difference
        if found is None:
            return tr(
                "{place}: no difference, too little on a side ({times}).", place=place, times=times
            )
        half = found.difference.half_width
        number = change_text(found.difference.value, half, self._unit, self._units)
        alone = tr(" It differs by itself.") if cell.changed else ""
        return f"{place}: {number} ({times}).{alone}"

    @property
    def top(self) -> float:
        """The largest difference shown, at which the colours end."""
        sizes = [abs(c.difference.difference.value) for c in self.cells if c.difference]
        return max(sizes, default=0.0) or 1.0

    # --- geometry ---

    def _edges(self) -> tuple[int, int, int, int]:
        """First and last column, first and last row."""
        columns, rows = [c.column for c in self.cells], [c.row for c in self.cells]
        return min(columns), max(columns), min(rows), max(rows)

    def _area(self) -> QRectF:
        return QRectF(self.rect().adjusted(_LEFT, _TOP, -_RIGHT, -_BOTTOM))

    def box_of(self, cell: GridCell) -> QRect:
        """Where a cell is drawn, in widget pixels."""
        first, last, low, high = self._edges()
        area = self._area()
        wide, tall = area.width() / (last - first + 1), area.height() / (high - low + 1)
        x0, y0 = area.left() + (cell.column - first) * wide, area.top() + (high - cell.row) * tall
        left, top = round(x0), round(y0)
        return QRect(left, top, round(x0 + wide) - left, round(y0 + tall) - top)

    def _at(self, event: QMouseEvent | QHelpEvent) -> GridCell | None:
        place = event.position().toPoint() if isinstance(event, QMouseEvent) else event.pos()
        return next((c for c in self.cells if self.box_of(c).contains(place)), None)

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        """Title, cells, axes, legend."""
        painter = QPainter(self)
        theme = self.theme
        painter.fillRect(self.rect(), QColor(theme.window))
        if not self.cells:
            painter.setPen(QColor(theme.muted))
            flags = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)
            said = tr("No operating cells: nothing was warm and steady enough on either side.")
            painter.drawText(self.rect().adjusted(12, 8, -12, -8), flags, said)
            painter.end()
            return
        painter.fillRect(self._area(), QColor(theme.plot))
        self._draw_title(painter)
        for cell in self.cells:
            self._draw_cell(painter, cell)
        self._draw_axes(painter)
        self._draw_legend(painter)
        self._draw_choice(painter)
        painter.end()

    def _draw_title(self, painter: QPainter) -> None:
        painter.setPen(QColor(self.theme.text))
        unit = f", {unit_text(self._units.unit(difference_unit(self._unit)))}" if self._unit else ""
        text = tr("{title}: after less before{unit}", title=self._title, unit=unit)
        room = self.width() - 16
        fitted = painter.fontMetrics().elidedText(text, Qt.TextElideMode.ElideRight, room)
        painter.drawText(QRect(8, 0, room, _TOP), int(Qt.AlignmentFlag.AlignVCenter), fitted)

    def _draw_cell(self, painter: QPainter, cell: GridCell) -> None:
        box = self.box_of(cell).adjusted(1, 1, -1, -1)
        if cell.difference is None:
            painter.fillRect(box, QBrush(QColor(self.theme.muted), _HATCH[cell.side]))
            painter.setPen(QPen(QColor(self.theme.line), 1))
            painter.drawRect(box.adjusted(0, 0, -1, -1))
            return
        found = cell.difference.difference
        ground = difference_colour(found.value / self.top, self.theme)
        painter.fillRect(box, ground)
        painter.setPen(QPen(QColor(self.theme.text if cell.changed else self.theme.line),
                            2 if cell.changed else 1))  # fmt: skip
        painter.drawRect(box.adjusted(0, 0, -1, -1))
        painter.setPen(ink_on(ground))
        number, _, half = self._bare(found.value, found.half_width).partition(" ±")
        metrics = painter.fontMetrics()
        if half and box.height() >= _TWO_LINES_PX:
            number += f"\n±{half}"
        if metrics.horizontalAdvance(number.split("\n", maxsplit=1)[0]) <= box.width() - 2:
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, number)

    def _bare(self, value: float, half: float | None) -> str:
        """A difference without its unit, which the title names."""
        factor, _ = self._units.line(self._unit)
        return change_text(value * factor, None if half is None else half * factor, "")

    def _draw_axes(self, painter: QPainter) -> None:
        axis = self._axis
        assert axis is not None
        first, last, low, high = self._edges()
        area, metrics = self._area(), painter.fontMetrics()
        painter.setPen(QColor(self.theme.muted))
        columns, rows = last - first + 1, high - low + 1
        for n in range(columns + 1):
            x = area.left() + n * area.width() / columns
            text = f"{RPM_EDGES[first + n]:.0f}"
            wide = metrics.horizontalAdvance(text)
            left = min(x - wide / 2, self.width() - wide - 2)
            painter.drawText(QRectF(left, area.bottom() + 6, wide + 2, 18), 0, text)
        every = 1 if area.height() / rows >= metrics.height() else 2
        for n in range(0, rows + 1, every):
            y = area.bottom() - n * area.height() / rows
            text = f"{(low + n) * axis.width:.0f}"
            box = QRectF(0, y - 9, _LEFT - 6, 18)
            painter.drawText(box, int(_RIGHT_MIDDLE), text)
        title = tr(
            "across: engine speed, rpm     up: {title}, {unit}", title=axis.title, unit=axis.unit
        )
        below = QRectF(_LEFT, area.bottom() + 24, area.width(), 18)
        room = int(below.width())
        title = metrics.elidedText(title, Qt.TextElideMode.ElideRight, room)
        painter.drawText(below, int(Qt.AlignmentFlag.AlignLeft), title)

    def _draw_legend(self, painter: QPainter) -> None:
        """The colours with their ends, and the two kinds of hatching."""
        y, x = self.height() - 20, _LEFT
        metrics = painter.fontMetrics()
        painter.setPen(QColor(self.theme.muted))
        if any(cell.difference is not None for cell in self.cells):
            x = self._draw_ramp(painter, x, y) + 14
        for side in ("before", "after"):
            text = tr("only {side}", side=word(side))
            if x + 26 + metrics.horizontalAdvance(text) > self.width():
                return
            swatch = QRect(x, y + 2, 20, 12)
            painter.fillRect(swatch, QBrush(QColor(self.theme.muted), _HATCH[side]))
            painter.drawRect(swatch)
            x = _write(painter, x + 26, y, text) + 12

    def _draw_ramp(self, painter: QPainter, x: int, y: int) -> int:
        """From the largest lower difference to the largest higher one; returns where it ends."""
        ends = [self._bare(v, None) for v in (-self.top, self.top)]
        x = _write(painter, x, y, ends[0]) + 4
        ramp = QLinearGradient(x, 0, x + _RAMP_PX, 0)
        for step in range(21):
            ramp.setColorAt(step / 20, difference_colour(step / 10 - 1, self.theme))
        painter.fillRect(QRect(x, y + 2, _RAMP_PX, 12), ramp)
        return _write(painter, x + _RAMP_PX + 4, y, ends[1])

    def _draw_choice(self, painter: QPainter) -> None:
        if self.current is None:
            if self.hasFocus():
                painter.setPen(QPen(QColor(self.theme.accent), 1))
                painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
            return
        box = self.box_of(self.current)
        for colour, width, inset in ((self.theme.panel, 5, 1), (self.theme.accent, 3, 1)):
            painter.setPen(QPen(QColor(colour), width))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(box.adjusted(inset, inset, -inset, -inset))

    # --- mouse, keys, help ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose the cell under the pointer; beside the cells: none."""
        self.choose(self._at(event))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Arrows move, Home and End go to the ends, Esc lets go."""
        key = Qt.Key(event.key())
        step = {
            Qt.Key.Key_Left: (0, -1), Qt.Key.Key_Right: (0, 1),
            Qt.Key.Key_Up: (1, 0), Qt.Key.Key_Down: (-1, 0),
        }.get(key)  # fmt: skip
        if step is not None and self.cells:
            self._move(*step)
        elif key in (Qt.Key.Key_Home, Qt.Key.Key_End) and self.cells:
            self.choose(self.cells[0 if key == Qt.Key.Key_Home else -1])
        elif key == Qt.Key.Key_Escape and self.current is not None:
            self.choose(None)
        else:
            super().keyPressEvent(event)

    def _move(self, up: int, right: int) -> None:
        """To the nearest cell in that direction; the first press chooses the first cell."""
        here = self.current
        if here is None:
            self.choose(self.cells[0])
            return

        def way(cell: GridCell) -> tuple[int, int]:
            rows, columns = cell.row - here.row, cell.column - here.column
            ahead, aside = (rows * up, columns) if up else (columns * right, rows)
            return ahead, abs(aside)

        ahead = [c for c in self.cells if way(c)[0] > 0]
        if ahead:
            self.choose(min(ahead, key=lambda c: way(c)[0] + 2 * way(c)[1]))

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that it has the focus."""
        super().focusInEvent(event)
        self.update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Show that it no longer has."""
        super().focusOutEvent(event)
        self.update()

    def event(self, event: QEvent) -> bool:
        """Tool tips of cells."""
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            cell = self._at(event)
            if cell is None:
                QToolTip.hideText()
            else:
                QToolTip.showText(event.globalPos(), self.text_of(cell), self)
            return True
        return super().event(event)

    def _name(self) -> None:
        """What a screen reader says."""
        shared = sum(c.difference is not None for c in self.cells)
        name = tr(
            "Grid of differences, {title}: {shared} shared cells of {n}",
            title=self._title,
            shared=shared,
            n=len(self.cells),
        )
        if self.current is not None:
            name += tr(". Chosen: {cell}", cell=self.text_of(self.current))
        self.setAccessibleName(name)


_RIGHT_MIDDLE = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def _write(painter: QPainter, x: int, y: int, text: str) -> int:
    """Write a text of the legend; returns where it ends."""
    wide = painter.fontMetrics().horizontalAdvance(text)
    painter.drawText(QRect(x, y, wide + 2, 16), int(Qt.AlignmentFlag.AlignVCenter), text)
    return x + wide
