"""Warm-up of both sides: coolant temperature against the heat put in."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.analysis.comparison.warmup_curves import WarmUpComparison, WarmUpCurve
from logbench.app.theme import Theme
from logbench.signals.numbers import round_range, tick_text, value_ticks
from logbench.signals.units import METRIC, Units, unit_text
from logbench.words import tr, word

_LEFT, _TOP, _RIGHT, _BOTTOM = 52, 24, 14, 42
_MOST_POINTS = 400


class WarmUpPlot(QWidget):
    """Two curves; nothing where no side has one."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.units = METRIC
        self._curves: list[tuple[str, WarmUpCurve]] = []
        self.setMinimumSize(QSize(260, 130))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def show_warm_up(self, warm: WarmUpComparison) -> None:
        """Other curves."""
        both = (("before", warm.before), ("after", warm.after))
        self._curves = [(name, curve) for name, curve in both if curve is not None]
        names = tr(" and ").join(word(name) for name, _ in self._curves) or tr("none")
        self.setAccessibleName(tr("Coolant temperature against heat put in: {names}", names=names))
        self.setVisible(bool(self._curves))
        self.update()

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.theme = theme
        self.update()

    def set_units(self, units: Units) -> None:
        """Show temperatures in other units."""
        self.units = units
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ground, axes, curves with their names."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        area = QRectF(self.rect().adjusted(_LEFT, _TOP, -_RIGHT, -_BOTTOM))
        painter.fillRect(self.rect(), QColor(self.theme.window))
        painter.fillRect(area, QColor(self.theme.plot))
        if self._curves:
            heat = max(float(curve.heat[-1]) for _, curve in self._curves) or 1.0
            degc = np.concatenate([c.degc[np.isfinite(c.degc)] for _, c in self._curves])
            shown = self.units.array(degc, "degC")
            y = round_range(float(shown.min()), float(shown.max()))
            self._axes(painter, area, heat, y)
            for number, (name, curve) in enumerate(self._curves):
                self._curve(painter, area, heat, y, number, name, curve)
        painter.end()

    def _axes(self, painter: QPainter, area: QRectF, heat: float, y: tuple[float, float]) -> None:
        levels = value_ticks(*y, max(2, int(area.height() / 30)))
        for value in levels:
            at = area.bottom() - (value - y[0]) / (y[1] - y[0]) * area.height()
            painter.setPen(QColor(self.theme.grid))
            painter.drawLine(QPointF(area.left(), at), QPointF(area.right(), at))
            painter.setPen(QColor(self.theme.muted))
            middle = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            painter.drawText(QRectF(0, at - 9, _LEFT - 6, 18), middle, tick_text(value, 1.0))
        ticks = value_ticks(0.0, heat, max(2, int(area.width() / 90)))
        for value in ticks:
            x = area.left() + value / heat * area.width()
            text = tick_text(value, ticks[1] - ticks[0] if len(ticks) > 1 else 1.0)
            wide = painter.fontMetrics().horizontalAdvance(text) + 2
            left = min(x - wide / 2, self.width() - wide)
            painter.drawText(QRectF(left, area.bottom() + 3, wide, 18), 0, text)
        unit = "g" if self._curves[0][1].source == "MAF" else tr("relative")
        degrees = unit_text(self.units.unit("degC"))
        title = tr(
            "coolant, {degrees}, against the air burnt since the start, {unit}",
            degrees=degrees,
            unit=unit,
        )
        below = QRectF(_LEFT, area.bottom() + 21, area.width(), 18)
        fitted = painter.fontMetrics().elidedText(
            title, Qt.TextElideMode.ElideRight, int(below.width())
        )
        painter.drawText(below, 0, fitted)

    def _curve(
        self,
        painter: QPainter,
        area: QRectF,
        heat: float,
        y: tuple[float, float],
        number: int,
        name: str,
        curve: WarmUpCurve,
    ) -> None:
        step = max(1, len(curve.heat) // _MOST_POINTS)
        x = area.left() + curve.heat[::step] / heat * area.width()
        shown = self.units.array(curve.degc[::step], "degC")
        down = area.bottom() - (shown - y[0]) / (y[1] - y[0]) * area.height()
        points = [QPointF(a, b) for a, b in zip(x, down, strict=True) if np.isfinite(a + b)]
        style = Qt.PenStyle.DashLine if name == "after" else Qt.PenStyle.SolidLine
        place = 1 if name == "after" else 0
        painter.setPen(QPen(self.theme.trace(place), 2, style))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(QPolygonF(points))
        left = _LEFT + number * 100
        painter.drawLine(QPointF(left, 12), QPointF(left + 24, 12))
        painter.setPen(QColor(self.theme.text))
        painter.drawText(
            QRectF(left + 30, 2, 66, 20), int(Qt.AlignmentFlag.AlignVCenter), word(name)
        )
