"""The signals with their changes, and the intervals as bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QModelIndex, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF, QResizeEvent
from PySide6.QtWidgets import QHeaderView, QStyle, QStyledItemDelegate, QStyleOptionViewItem

from logbench.analysis.comparison.results import SignalResult, SignalVerdict
from logbench.analysis.statement import in_units
from logbench.app.tables import Index, RowsModel, RowsTable
from logbench.app.theme import Look, Theme
from logbench.signals.numbers import number_text
from logbench.signals.units import METRIC, Units, difference_unit, unit_text
from logbench.words import shown, tr, word

_TITLES = (tr("Signal"), tr("Change, 95 %"), tr("Interval"), tr("Result"))
_TIPS = (
    tr("Derived signals by name, recorded ones by acronym"),
    tr("Change (after − before) at equal operating points, with its 95 % interval"),
    tr(
        "The change with its 95 % interval, in units of the smallest change that would surely be "
        "found: within the gray band a change could have been missed"
    ),
    tr("Changes are controlled for false discoveries"),
)
SIGNAL, CHANGE, BAR, VERDICT = range(4)
_SYMBOLS = {
    SignalVerdict.CHANGED: "◆",
    SignalVerdict.NO_CHANGE: "–",
    SignalVerdict.NOT_COMPARABLE: "○",
}
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_LEAST_REACH = 2.0
_BAR_PX, _NAME_PX = 124, 250
_END_PX = 8
"""Room for a marker at the end of the axis."""


def change_text(value: float, half: float | None, unit: str, units: Units = METRIC) -> str:
    """`−7.1 ±0.4 %`, as the sentences write it; a change knows no zero point."""
    unit = difference_unit(unit)
    value, half = (
        units.value(number, unit) for number in (value, math.nan if half is None else half)
    )
    return number_text(value, half, unit_text(units.unit(unit)), signed=True)


def name_of(result: SignalResult) -> str:
    """What a row is called: derived signals have names, others their acronym."""
    return shown(result.title) if result.derived else result.key


def sorted_signals(signals: Sequence[SignalResult]) -> list[SignalResult]:
    """What changed first; what could not be compared last."""
    order = list(_SYMBOLS)
    return sorted(signals, key=lambda s: (order.index(s.verdict), not s.derived))


def detail_of(result: SignalResult, units: Units) -> str:
    """The whole of a row in a few sentences."""
    parts = [f"{result.title}: {in_units(result.reason, units)}"]
    if result.before is not None and result.after is not None:
        parts.append(
            tr(
                "{before} before, {after} after, from {before_s:.0f} s and {after_s:.0f} s "
                "of steady running.",
                before=units.text(result.before, result.unit),
                after=units.text(result.after, result.unit),
                before_s=result.before_s,
                after_s=result.after_s,
            )
        )
    return " ".join(parts)


class SignalsModel(RowsModel):
    """One row a signal."""

    def __init__(self, look: Look) -> None:
        super().__init__(_TITLES)
        self.look = look
        self._set_look()
        look.follow(self._set_look)

    def _set_look(self, _: object = None) -> None:
        self.set_units(self.look.units)

    @property
    def reach(self) -> float:
        """How far the bars' axis goes to both sides, in units of what could have been missed."""
        ends = [
            (abs(s.change) + (s.half_width or 0.0)) / s.detectable
            for s in self.rows
            if s.change is not None and s.detectable
        ]
        return float(max([_LEAST_REACH, *ends]))

    def text(self, row: SignalResult, column: int) -> str:
        """Name, change, verdict; the bar is painted."""
        if column == SIGNAL:
            return name_of(row)
        if column == VERDICT:
            return f"{_SYMBOLS[row.verdict]} {word(row.verdict.value)}"
        if column == CHANGE and row.change is not None:
            return change_text(row.change, row.half_width, row.unit, self.units)
        return ""

    def tip(self, row: SignalResult) -> str:
        """The whole of a row."""
        return detail_of(row, self.units)

    def alignment(self, column: int) -> Qt.AlignmentFlag | None:
        """Changes stand under each other."""
        return _RIGHT if column == CHANGE else None

    def color(self, row: SignalResult, column: int) -> QColor | None:
        """What could not be compared stands back."""
        if column != VERDICT:
            return None
        quiet = row.verdict is SignalVerdict.NOT_COMPARABLE
        return QColor(self.look.theme.muted if quiet else self.look.theme.text)

    # --- Qt's side ---

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles, and what they mean."""
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return None
        wanted = role == Qt.ItemDataRole.ToolTipRole and orientation == Qt.Orientation.Horizontal
        return _TIPS[section] if wanted else super().headerData(section, orientation, role)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """The bar in words, and what every table has."""
        if role == Qt.ItemDataRole.AccessibleTextRole and index.column() == BAR:
            return _spoken(self.rows[index.row()], self.units)
        return super().data(index, role)


def _spoken(result: SignalResult, units: Units) -> str:
    """The bar in words."""
    if result.change is None or result.half_width is None or result.detectable is None:
        return tr("{name}: not comparable", name=name_of(result))
    ends = result.change - result.half_width, result.change + result.half_width
    unit = difference_unit(result.unit)
    change, low, high, least = (
        units.value(number, unit) for number in (result.change, *ends, result.detectable)
    )
    return tr(
        "{name}: {change:+.3g}, from {low:.3g} to {high:.3g} {unit}; less than "
        "{least:.3g} could have been missed",
        name=name_of(result),
        change=change,
        low=low,
        high=high,
        unit=unit_text(units.unit(unit)),
        least=least,
    )


def _color(result: SignalResult, theme: Theme) -> QColor:
    """Of a signal's interval: a change, none shown."""
    if result.changed:
        return theme.trace(1)
    return theme.trace(0) if result.change is not None else QColor(theme.muted)


class IntervalDelegate(QStyledItemDelegate):
    """Draws a change with its interval; gray is what could have been missed.

    The axis is the inverse hyperbolic sine of the change in units of what could have been missed,
    so that a huge change does not squeeze the others into a line.
    """

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        """Band, zero, interval, marker."""
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        model = index.model()
        assert isinstance(model, SignalsModel)
        theme = model.look.theme
        rect = QRectF(option.rect)
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        painter.fillRect(rect, QColor(theme.accent if chosen else theme.panel))
        inner = rect.adjusted(6, 3, -6, -3)
        painter.fillRect(inner, QColor(theme.panel))
        self._bar(painter, inner, model.rows[index.row()], model)
        painter.restore()

    def _bar(
        self, painter: QPainter, inner: QRectF, result: SignalResult, model: SignalsModel
    ) -> None:
        theme, reach = model.look.theme, math.asinh(model.reach)

        def x(value: float) -> float:
            share = math.asinh(value / (result.detectable or 1.0)) / reach
            return inner.center().x() + share * (inner.width() / 2 - _END_PX)

        if result.change is None or result.half_width is None or not result.detectable:
            painter.setPen(QColor(theme.muted))
            painter.drawText(inner, Qt.AlignmentFlag.AlignCenter, "–")
            return
        missed = result.detectable
        band = QRectF(x(-missed), inner.top(), x(missed) - x(-missed), inner.height())
        painter.fillRect(band, QColor(theme.line))
        painter.setPen(QPen(QColor(theme.muted), 1))
        painter.drawLine(QPointF(x(0), inner.top()), QPointF(x(0), inner.bottom()))
        color, middle = _color(result, theme), inner.center().y()
        painter.setPen(QPen(color, 2))
        low, high = x(result.change - result.half_width), x(result.change + result.half_width)
        painter.drawLine(QPointF(low, middle), QPointF(high, middle))
        for end in (low, high):
            painter.drawLine(QPointF(end, middle - 5), QPointF(end, middle + 5))
        painter.setBrush(color)
        painter.setPen(QPen(QColor(theme.panel), 1))
        at = QPointF(x(result.change), middle)
        if result.changed:
            corners = [QPointF(dx, dy) + at for dx, dy in ((-6, 0), (0, -6), (6, 0), (0, 6))]
            painter.drawPolygon(QPolygonF(corners))
        else:
            painter.drawEllipse(at, 5, 5)


class SignalsTable(RowsTable):
    """Choosing a row sends `chosen`."""

    chosen = Signal(object)

    def __init__(self, look: Look) -> None:
        self.model_ = SignalsModel(look)
        super().__init__(self.model_, tr("Signals at equal operating points"), 30)
        self.setItemDelegateForColumn(BAR, IntervalDelegate(self))
        self.setTabKeyNavigation(False)
        header = self.horizontalHeader()
        change = self.fontMetrics().horizontalAdvance("−88.8 ±8.8 points") + 16
        for column, width in ((CHANGE, change), (BAR, _BAR_PX), (VERDICT, 134)):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            header.resizeSection(column, width)
        header.setSectionResizeMode(SIGNAL, QHeaderView.ResizeMode.Stretch)
        self.selectionModel().currentRowChanged.connect(self._changed)

    def show_signals(self, signals: Sequence[SignalResult]) -> None:
        """Other results; none is chosen."""
        self.model_.show_rows(sorted_signals(signals))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The bars have what the names can spare."""
        super().resizeEvent(event)
        header, room = self.horizontalHeader(), self.viewport().width()
        spare = room - header.sectionSize(CHANGE) - header.sectionSize(VERDICT) - _NAME_PX
        header.resizeSection(BAR, max(_BAR_PX, min(room // 3, spare)))

    def choose(self, key: str) -> None:
        """Choose the row of a signal, as a click would; nothing if there is none."""
        for row, result in enumerate(self.model_.rows):
            if result.key == key:
                self.selectRow(row)

    def _changed(self, index: QModelIndex) -> None:
        if index.isValid():
            self.chosen.emit(self.model_.rows[index.row()])
