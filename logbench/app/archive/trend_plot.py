"""A number over a car's life, on the spread of the same number over other cars."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFocusEvent, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.analysis.model import Verdict
from logbench.app.theme import Theme
from logbench.cases.archive import Trended
from logbench.signals.numbers import round_range, tick_text, value_ticks
from logbench.signals.units import METRIC, Units, unit_text
from logbench.words import tr, word

_LEFT, _TOP, _RIGHT, _BOTTOM = 60, 10, 116, 24
_NEAR_PX = 14
_BANDS = (("5 %", "95 %", 70), ("25 %", "75 %", 150))


class TrendPlot(QWidget):
    """Points with their uncertainty; left and right move along them, Enter chooses."""

    chosen = Signal(str)
    """A recording."""
    pointed = Signal(str)
    """A sentence about the point that the keys or the pointer are at."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.units: Units = METRIC
        self._shown: Trended | None = None
        self._at = -1
        self.setMinimumSize(QSize(300, 100))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName(tr("Trend over the car's life"))

    def show_trend(self, trended: Trended | None) -> None:
        """Another number, or nothing."""
        self._shown = trended
        self._at = len(trended.points) - 1 if trended is not None else -1
        if trended is not None:
            name = f"{trended.number.check}, {trended.number.subject}"
            self.setAccessibleName(
                tr("{name} over {n} recordings of the car", name=name, n=len(trended.points))
            )
        self.update()

    def set_look(self, theme: Theme, units: Units) -> None:
        """Paint in other colours or units."""
        self.theme, self.units = theme, units
        self.update()

    def sentence(self) -> str:
        """About the point that is marked."""
        if self._shown is None or not 0 <= self._at < len(self._shown.points):
            return ""
        point, unit = self._shown.points[self._at], self._shown.number.unit
        doubt = ""
        if point.uncertainty is not None:
            doubt = f" ± {self.units.text(point.uncertainty, unit, difference=True)}"
        when = point.started_utc[:16].replace("T", " ") or tr("no date")
        verdict = word(point.verdict or "not judged")
        return f"{when}: {self.units.text(point.value, unit)}{doubt}, {verdict}"

    # --- where things are ---

    def _area(self) -> QRectF:
        return QRectF(self.rect().adjusted(_LEFT, _TOP, -_RIGHT, -_BOTTOM))

    def _times(self, shown: Trended) -> tuple[list[float], bool]:
        """Seconds since 1970, or places where a date is missing."""
        times = [_seconds(point.started_utc) for point in shown.points]
        dated = all(np.isfinite(t) for t in times) and len(set(times)) == len(times)
        return (times, True) if dated else ([float(k) for k in range(len(times))], False)

    def _value(self, value: float, shown: Trended) -> float:
        return self.units.value(value, shown.number.unit)

    def _range(self, shown: Trended) -> tuple[float, float]:
        ends = []
        for point in shown.points:
            doubt = min(point.uncertainty or 0.0, 1e12)
            ends += [
                self._value(point.value - doubt, shown),
                self._value(point.value + doubt, shown),
            ]
        if shown.spread is not None:
            ends += [self._value(v, shown) for v in shown.spread.quantiles.values()]
        return round_range(min(ends), max(ends))

    def _places(self) -> list[QPointF]:
        shown, area = self._shown, self._area()
        if shown is None or not shown.points:
            return []
        low, high = self._range(shown)
        times, _ = self._times(shown)
        begin, end = times[0], times[-1]
        out = []
        for at, point in zip(times, shown.points, strict=True):
            share = (at - begin) / (end - begin) if end > begin else 0.5
            inset = 10 + share * (area.width() - 20)
            y = (self._value(point.value, shown) - low) / (high - low)
            out.append(QPointF(area.left() + inset, area.bottom() - y * area.height()))
        return out

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ground, spread, axis, points."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        area = self._area()
        painter.fillRect(area, QColor(self.theme.plot))
        shown = self._shown
        if shown is not None and shown.points:
            low, high = self._range(shown)
            self._spread(painter, area, shown, low, high)
            self._axes(painter, area, shown, low, high)
            self._points(painter, area, shown, low, high)
        if self.hasFocus():
            painter.setPen(QColor(self.theme.accent))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(area)
        painter.end()

    def _spread(
        self, painter: QPainter, area: QRectF, shown: Trended, low: float, high: float
    ) -> None:
        spread = shown.spread
        if spread is None or not spread.quantiles:
            return

        def y(name: str) -> float:
            value = self._value(spread.quantiles[name], shown)
            return area.bottom() - (value - low) / (high - low) * area.height()

        for lower, upper, alpha in _BANDS:
            colour = QColor(self.theme.trace(2))
            colour.setAlpha(alpha // 2)
            top = y(upper)
            painter.fillRect(
                QRectF(area.left(), top, area.width(), max(1.0, y(lower) - top)), colour
            )
        painter.setPen(QPen(self.theme.trace(2), 1, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(area.left(), y("50 %")), QPointF(area.right(), y("50 %")))
        painter.setPen(QColor(self.theme.muted))
        middle = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        at = min(max(y("50 %"), area.top() + 20), area.bottom() - 20)
        text = tr(
            "{cars} other cars\nof {displacement_l:.1f} L",
            cars=spread.cars,
            displacement_l=shown.displacement_l or 0,
        )
        painter.drawText(QRectF(area.right() + 8, at - 20, _RIGHT - 10, 40), middle, text)

    def _axes(
        self, painter: QPainter, area: QRectF, shown: Trended, low: float, high: float
    ) -> None:
        levels = value_ticks(low, high, max(3, int(area.height() / 24)))
        step = levels[1] - levels[0] if len(levels) > 1 else 1.0
        right = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        for value in levels:
            at = area.bottom() - (value - low) / (high - low) * area.height()
            painter.setPen(QColor(self.theme.grid))
            painter.drawLine(QPointF(area.left(), at), QPointF(area.right(), at))
            painter.setPen(QColor(self.theme.muted))
            painter.drawText(QRectF(0, at - 9, _LEFT - 6, 18), right, tick_text(value, step))
        painter.setPen(QColor(self.theme.muted))
        below = QRectF(area.left(), area.bottom() + 3, area.width(), 18)
        _, dated = self._times(shown)
        first, last = shown.points[0], shown.points[-1]
        if dated:
            painter.drawText(below, int(Qt.AlignmentFlag.AlignLeft), first.started_utc[:10])
            if len(shown.points) > 1:
                painter.drawText(below, int(Qt.AlignmentFlag.AlignRight), last.started_utc[:10])
        else:
            painter.drawText(
                below, int(Qt.AlignmentFlag.AlignLeft), tr("in order, dates are missing")
            )
        unit = unit_text(self.units.unit(shown.number.unit))
        painter.drawText(QRectF(area.right() + 8, area.bottom() - 2, _RIGHT - 10, 22), 0, unit)

    def _points(
        self, painter: QPainter, area: QRectF, shown: Trended, low: float, high: float
    ) -> None:
        places = self._places()
        pen = QPen(QColor(self.theme.text), 1)
        painter.setPen(pen)
        for a, b in pairwise(places):
            painter.drawLine(a, b)
        scale = area.height() / (high - low)
        factor = abs(self.units.line(shown.number.unit)[0])
        for number, (place, point) in enumerate(zip(places, shown.points, strict=True)):
            colour = self.theme.verdict(Verdict(point.verdict or "not judged"))
            painter.setPen(QPen(colour, 2))
            if point.uncertainty:
                doubt = min(point.uncertainty * factor * scale, area.height())
                top = max(area.top(), place.y() - doubt)
                bottom = min(area.bottom(), place.y() + doubt)
                painter.drawLine(QPointF(place.x(), top), QPointF(place.x(), bottom))
            painter.setBrush(colour)
            painter.drawEllipse(place, 4, 4)
            if number == self._at:
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.setPen(QPen(QColor(self.theme.cursor), 2))
                painter.drawEllipse(place, 8, 8)

    # --- pointing ---

    def _point_at(self, number: int) -> None:
        if self._shown is None or not self._shown.points:
            return
        self._at = min(max(number, 0), len(self._shown.points) - 1)
        self.pointed.emit(self.sentence())
        self.update()

    def _nearest(self, at: QPointF) -> int:
        places = self._places()
        gaps = [(place - at).manhattanLength() for place in places]
        best = int(np.argmin(gaps)) if gaps else -1
        return best if best >= 0 and gaps[best] <= 2 * _NEAR_PX else -1

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Tell about the point under the pointer."""
        number = self._nearest(event.position())
        if number >= 0 and number != self._at:
            self._point_at(number)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose the recording of a point."""
        self.setFocus()
        number = self._nearest(event.position())
        if number >= 0:
            self._point_at(number)
            self._choose()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Along the points, and Enter."""
        step = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}.get(Qt.Key(event.key()))
        if step is not None:
            self._point_at(self._at + step)
        elif event.key() in {Qt.Key.Key_Return, Qt.Key.Key_Enter}:
            self._choose()
        else:
            super().keyPressEvent(event)

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that the keys are here."""
        super().focusInEvent(event)
        self._point_at(self._at)

    def _choose(self) -> None:
        if self._shown is not None and 0 <= self._at < len(self._shown.points):
            self.chosen.emit(self._shown.points[self._at].recording)


def _seconds(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return float("nan")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
