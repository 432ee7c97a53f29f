"""The ribbon: the whole drive at a glance, and the overview to zoom with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from PySide6.QtCore import QEvent, QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetrics,
    QHelpEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygon,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from logbench.analysis.model import Verdict
from logbench.app.plain import plain_tip
from logbench.app.plot.canvas import GUTTER, RIGHT
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.plot.ribbon import RibbonContent
from logbench.words import tr, word

_LEAST_EVENTS, _CONDITIONS, _FINDINGS = 16, 30, 10
_NOTE_PX = 3
_SHADE_PX = 4
_LEAST_TEXT_PX = 24
_CLICK_PX = 4


class Ribbon(QWidget):
    """Driving conditions as colors with their names, events above, findings' evidence below.

    Drag on it to zoom to what was marked; click to center the view there; double click for all.
    """

    by_hand = Signal()

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self._view = view
        self.look = look
        self.content = RibbonContent()
        self._inset = 0
        self._drag: tuple[int, int] | None = None
        self._fit_font()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(tr("Whole drive: driving conditions, events and findings"))
        self.setCursor(Qt.CursorShape.IBeamCursor)
        for signal in (view.changed, view.limits_changed, view.cursor_moved, look.changed):
            signal.connect(self.update)

    def sizeHint(self) -> QSize:
        """Three thin rows."""
        return QSize(400, self.height())

    def changeEvent(self, event: QEvent) -> None:
        """Another size of texts."""
        if event.type() == QEvent.Type.FontChange:
            self._fit_font()
        super().changeEvent(event)

    def _fit_font(self) -> None:
        self.events_px = max(_LEAST_EVENTS, QFontMetrics(self.font()).height()) + _NOTE_PX
        self.setFixedHeight(self.events_px + _CONDITIONS + _FINDINGS + 6)

    def change(self, **parts: Sequence[Any]) -> None:
        """Show other `conditions`, `remarks` …: the parts of a `RibbonContent`."""
        self.content = replace(self.content, **parts)
        self.update()

    def clear(self) -> None:
        """Show nothing."""
        self.content = RibbonContent()
        self.update()

    def set_inset(self, pixels: int) -> None:
        """So much narrower are the strips below, whose times it lines up with."""
        self._inset = pixels
        self.update()

    # --- geometry: the ribbon shows all there is, whatever the strips show ---

    @property
    def pixels(self) -> int:
        """Width of the drive; its own, for the strips may be hidden."""
        return max(1, self.width() - GUTTER - RIGHT - self._inset)

    def x_of(self, t_ns: float) -> int:
        """Widget pixel of a time."""
        view = self._view
        share = (t_ns - view.low_ns) / max(1, view.high_ns - view.low_ns)
        return GUTTER + round(share * self.pixels)

    def t_of(self, x: float) -> int:
        """Time at a widget pixel."""
        view = self._view
        share = min(max((x - GUTTER) / self.pixels, 0.0), 1.0)
        return round(view.low_ns + share * (view.high_ns - view.low_ns))

    def framed(self) -> tuple[int, int]:
        """First and last pixel of what the strips show, or of what is being marked."""
        view = self._view
        start, end = view.start_ns, view.end_ns
        if self._drag is not None:
            start, end = sorted(self.t_of(x) for x in self._drag)
        return self.x_of(max(start, view.low_ns)), self.x_of(min(end, view.high_ns))

    def paintEvent(self, event: QPaintEvent) -> None:
        """All three rows, and the frame of what the strips show."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), QColor(self.look.theme.window))
        _Picture(self, painter).draw()
        x = None if self._view.cursor_ns is None else self.x_of(self._view.cursor_ns)
        if x is not None:
            painter.setPen(QPen(QColor(self.look.theme.cursor), 1))
            painter.drawLine(x, self.events_px, x, self.events_px + _CONDITIONS)
        painter.end()

    # --- mouse ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin to mark a span."""
        x = round(event.position().x())
        self._drag = (x, x)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Go on marking."""
        if self._drag is not None:
            self._drag = (self._drag[0], round(event.position().x()))
            self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Zoom to the marked span, or center on a click."""
        if self._drag is None:
            return
        first, last = self._drag[0], round(event.position().x())
        self._drag = None
        if abs(last - first) > _CLICK_PX:
            times = sorted((self.t_of(first), self.t_of(last)))
            self._view.show_span(*times)
        else:
            middle = (self._view.start_ns + self._view.end_ns) / 2
            self._view.pan_ns(self.t_of(last) - middle)
        self.by_hand.emit()
        self.update()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Show the whole drive."""
        self._drag = None
        self._view.show_all()
        self.by_hand.emit()

    def event(self, event: QEvent) -> bool:
        """Tell what lies under the pointer."""
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            said = self.described_at(event.pos().x())
            QToolTip.showText(event.globalPos(), plain_tip(said), self)
            return True
        return super().event(event)

    def described_at(self, x: int) -> str:
        """Time, condition, events and findings at a widget pixel, one a line."""
        t_ns = self.t_of(x)
        return self.content.described_at(t_ns, 4 * (self.t_of(x + 1) - t_ns))


class _Picture:
    """The rows of a ribbon, drawn once."""

    def __init__(self, ribbon: Ribbon, painter: QPainter) -> None:
        self._ribbon, self._painter = ribbon, painter
        self._content, self._theme = ribbon.content, ribbon.look.theme
        self._x_of, self._top = ribbon.x_of, ribbon.events_px
        self._frame = ribbon.framed()

    def draw(self) -> None:
        painter = self._painter
        painter.setPen(QColor(self._theme.muted))
        align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        head = QRect(0, self._top, GUTTER - 8, _CONDITIONS)
        dots = Qt.TextElideMode.ElideRight
        name = painter.fontMetrics().elidedText(tr("Drive"), dots, head.width())
        painter.drawText(head, align, name)
        ground = QRect(GUTTER, self._top, self._ribbon.pixels, _CONDITIONS)
        painter.fillRect(ground, QColor(self._theme.panel))
        self._draw_conditions()
        self._draw_findings()
        self._draw_remarks()
        self._draw_frame()
        self._draw_names()
        self._draw_shades()

    def _draw_conditions(self) -> None:
        for span in self._content.conditions:
            left, right = self._x_of(span.start_ns), self._x_of(span.end_ns)
            box = QRect(left, self._top, max(1, right - left), _CONDITIONS)
            self._painter.fillRect(box, self._theme.condition(span.condition))

    def _draw_names(self) -> None:
        """Each where it fits beside the edges of what the strips show: inside if it can be."""
        start, end = self._frame
        self._painter.setPen(QColor(self._theme.text))
        for span in self._content.conditions:
            name = word(span.condition.value)
            left, right = self._x_of(span.start_ns), self._x_of(span.end_ns)
            room = self._painter.fontMetrics().horizontalAdvance(name) + 8
            for first, last in (
                (max(left, start), min(right, end)),
                (left, min(right, start)),
                (max(left, end), right),
            ):
                if room < last - first:
                    box = QRect(first, self._top, last - first, _CONDITIONS)
                    self._painter.drawText(box, Qt.AlignmentFlag.AlignCenter, name)
                    break

    def _draw_findings(self) -> None:
        top = self._top + _CONDITIONS + 2
        for finding in sorted(self._content.findings, key=lambda f: f.verdict.severity):
            if finding.verdict not in (Verdict.WATCH, Verdict.ACT):
                continue
            color = self._theme.verdict(finding.verdict)
            for span in finding.evidence:
                left, right = self._x_of(span.start_ns), self._x_of(span.end_ns)
                self._painter.fillRect(left, top, max(3, right - left), _FINDINGS - 3, color)

    def _draw_shades(self) -> None:
        bottom = self._top + _CONDITIONS
        for span in self._content.shades:
            left, right = self._x_of(span.start_ns), self._x_of(span.end_ns)
            box = QRect(left, bottom - _SHADE_PX, max(2, right - left), _SHADE_PX)
            self._painter.fillRect(box, QColor(self._theme.text))

    def _draw_remarks(self) -> None:
        metrics = self._painter.fontMetrics()
        self._painter.setPen(QColor(self._theme.text))
        self._painter.setBrush(QColor(self._theme.accent))
        said: list[tuple[int, str]] = []
        for remark in self._content.remarks:
            x, end = self._x_of(remark.start_ns), self._x_of(remark.end_ns)
            first = remark.said.partition("\n")[0]
            if remark.start_ns == remark.end_ns:
                corners = QPoint(x - 5, 2), QPoint(x + 5, 2), QPoint(x, _LEAST_EVENTS - 2)
                self._painter.drawPolygon(QPolygon(corners))
                said.append((x + 8, first))
            else:
                top, wide = self._top - _NOTE_PX, max(4, end - x)
                self._painter.fillRect(x, top, wide, _NOTE_PX, QColor(self._theme.accent))
                said.append((x + 2, first))
        said.sort()
        ends = [*(x - 14 for x, _ in said[1:]), self._ribbon.width()]
        for (x, text), end in zip(said, ends, strict=False):  # without any, an end is left
            room = min(end - x, metrics.horizontalAdvance(text) + 2)
            if room >= _LEAST_TEXT_PX:
                shown = metrics.elidedText(text, Qt.TextElideMode.ElideRight, room)
                self._painter.drawText(QRect(x, -1, room, self._top), 0, shown)

    def _draw_frame(self) -> None:
        left, right = self._frame
        shade = QColor(self._theme.window)
        shade.setAlpha(150)
        bottom = self._top + _CONDITIONS
        self._painter.fillRect(GUTTER, self._top, left - GUTTER, _CONDITIONS, shade)
        edge = GUTTER + self._ribbon.pixels
        self._painter.fillRect(right, self._top, edge - right, _CONDITIONS, shade)
        self._painter.setPen(QPen(QColor(self._theme.accent), 2))
        self._painter.setBrush(Qt.BrushStyle.NoBrush)
        self._painter.drawRect(left, self._top, max(3, right - left), bottom - self._top)
