"""The ribbon: the whole drive at a glance, and the overview to zoom with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

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

from logbench.analysis.model import ConditionSpan, Finding, Span, Verdict
from logbench.app.parts import plain_tip
from logbench.app.plot.strip import GUTTER, RIGHT
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot.trace import SECOND
from logbench.recording.model import Event
from logbench.signals.numbers import time_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.recording.notes import Note

_LEAST_EVENTS, _CONDITIONS, _FINDINGS = 16, 30, 10
_NOTE_PX = 3
_SHADE_PX = 4
_LEAST_TEXT_PX = 24
_CLICK_PX = 4


class Ribbon(QWidget):
    """Driving conditions as colours with their names, events above, findings' evidence below.

    Drag on it to zoom to what was marked; click to centre the view there; double click for all.
    """

    by_hand = Signal()

    def __init__(self, view: TimeView, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._view = view
        self._theme = theme
        self._conditions: Sequence[ConditionSpan] = ()
        self._events: Sequence[Event] = ()
        self._findings: Sequence[Finding] = ()
        self._notes: Sequence[Note] = ()
        self._shades: Sequence[Span] = ()
        self._inset = 0
        self._drag: tuple[int, int] | None = None
        self._fit_font()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(tr("Whole drive: driving conditions, events and findings"))
        self.setCursor(Qt.CursorShape.IBeamCursor)
        for signal in (view.changed, view.limits_changed, view.cursor_moved):
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
        self._events_px = max(_LEAST_EVENTS, QFontMetrics(self.font()).height()) + _NOTE_PX
        self.setFixedHeight(self._events_px + _CONDITIONS + _FINDINGS + 6)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self._theme = theme
        self.update()

    def set_conditions(self, conditions: Sequence[ConditionSpan]) -> None:
        """What the car was doing, in order of time."""
        self._conditions = conditions
        self.update()

    def set_events(self, events: Sequence[Event]) -> None:
        """Markers, lost links and the like."""
        self._events = events
        self.update()

    def set_findings(self, findings: Sequence[Finding]) -> None:
        """Findings whose evidence is shown; those that say `act` come last, on top."""
        self._findings = sorted(findings, key=lambda f: f.verdict.severity)
        self.update()

    def set_notes(self, notes: Sequence[Note]) -> None:
        """Notes on spans: a bar over each, and the text where there is room."""
        self._notes = notes
        self.update()

    def set_inset(self, pixels: int) -> None:
        """So much narrower are the strips below, whose times it lines up with."""
        self._inset = pixels
        self.update()

    def set_shades(self, spans: Sequence[Span]) -> None:
        """Underline what the strips shade: evidence, what was found or marked."""
        self._shades = spans
        self.update()

    def clear(self) -> None:
        """Show nothing."""
        self._shades = ()
        self._conditions, self._events, self._findings, self._notes = (), (), (), ()
        self.update()

    # --- geometry: the ribbon shows all there is, whatever the strips show ---

    @property
    def _pixels(self) -> int:
        """Width of the drive; its own, for the strips may be hidden."""
        return max(1, self.width() - GUTTER - RIGHT - self._inset)

    def x_of(self, t_ns: float) -> int:
        """Widget pixel of a time."""
        view = self._view
        share = (t_ns - view.low_ns) / max(1, view.high_ns - view.low_ns)
        return GUTTER + round(share * self._pixels)

    def t_of(self, x: float) -> int:
        """Time at a widget pixel."""
        view = self._view
        share = min(max((x - GUTTER) / self._pixels, 0.0), 1.0)
        return round(view.low_ns + share * (view.high_ns - view.low_ns))

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        """All three rows, and the frame of what the strips show."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), QColor(self._theme.window))
        painter.setPen(QColor(self._theme.muted))
        align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        head = QRect(0, self._events_px, GUTTER - 8, _CONDITIONS)
        dots = Qt.TextElideMode.ElideRight
        name = painter.fontMetrics().elidedText(tr("Drive"), dots, head.width())
        painter.drawText(head, align, name)
        ground = QRect(GUTTER, self._events_px, self._pixels, _CONDITIONS)
        painter.fillRect(ground, QColor(self._theme.panel))
        self._draw_conditions(painter)
        self._draw_findings(painter)
        self._draw_events(painter)
        self._draw_frame(painter)
        self._draw_names(painter)
        self._draw_shades(painter)
        painter.end()

    def _draw_conditions(self, painter: QPainter) -> None:
        for span in self._conditions:
            left, right = self.x_of(span.start_ns), self.x_of(span.end_ns)
            box = QRect(left, self._events_px, max(1, right - left), _CONDITIONS)
            painter.fillRect(box, self._theme.condition(span.condition))

    def _draw_names(self, painter: QPainter) -> None:
        """Each where it fits beside the edges of what the strips show: inside if it can be."""
        start, end = self._framed()
        painter.setPen(QColor(self._theme.text))
        for span in self._conditions:
            name = word(span.condition.value)
            left, right = self.x_of(span.start_ns), self.x_of(span.end_ns)
            room = painter.fontMetrics().horizontalAdvance(name) + 8
            for first, last in (
                (max(left, start), min(right, end)),
                (left, min(right, start)),
                (max(left, end), right),
            ):
                if room < last - first:
                    box = QRect(first, self._events_px, last - first, _CONDITIONS)
                    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, name)
                    break

    def _draw_findings(self, painter: QPainter) -> None:
        top = self._events_px + _CONDITIONS + 2
        for finding in self._findings:
            if finding.verdict not in (Verdict.WATCH, Verdict.ACT):
                continue
            color = self._theme.verdict(finding.verdict)
            for span in finding.evidence:
                left, right = self.x_of(span.start_ns), self.x_of(span.end_ns)
                painter.fillRect(left, top, max(3, right - left), _FINDINGS - 3, color)

    def _draw_shades(self, painter: QPainter) -> None:
        bottom = self._events_px + _CONDITIONS
        for span in self._shades:
            left, right = self.x_of(span.start_ns), self.x_of(span.end_ns)
            box = QRect(left, bottom - _SHADE_PX, max(2, right - left), _SHADE_PX)
            painter.fillRect(box, QColor(self._theme.text))

    def _draw_events(self, painter: QPainter) -> None:
        metrics = QFontMetrics(self.font())
        painter.setPen(QColor(self._theme.text))
        painter.setBrush(QColor(self._theme.accent))
        said = [(self.x_of(e.t_ns) + 8, e.text or word(e.kind)) for e in self._events]
        for x, _ in said:
            painter.drawPolygon(
                QPolygon([QPoint(x - 13, 2), QPoint(x - 3, 2), QPoint(x - 8, _LEAST_EVENTS - 2)])
            )
        for note in self._notes:
            x, end = self.x_of(note.start_ns), self.x_of(note.end_ns)
            said.append((x + 2, note.text.partition("\n")[0]))
            top = self._events_px - _NOTE_PX
            painter.fillRect(x, top, max(4, end - x), _NOTE_PX, QColor(self._theme.accent))
        said.sort()
        ends = [*(x - 14 for x, _ in said[1:]), self.width()]
        for (x, text), end in zip(said, ends, strict=False):  # without any, an end is left
            room = min(end - x, metrics.horizontalAdvance(text) + 2)
            if room >= _LEAST_TEXT_PX:
                shown = metrics.elidedText(text, Qt.TextElideMode.ElideRight, room)
                painter.drawText(QRect(x, -1, room, self._events_px), 0, shown)

    def _framed(self) -> tuple[int, int]:
        """First and last pixel of what the strips show, or of what is being marked."""
        view = self._view
        start, end = view.start_ns, view.end_ns
        if self._drag is not None:
            start, end = sorted(self.t_of(x) for x in self._drag)
        return self.x_of(max(start, view.low_ns)), self.x_of(min(end, view.high_ns))

    def _draw_frame(self, painter: QPainter) -> None:
        view = self._view
        left, right = self._framed()
        shade = QColor(self._theme.window)
        shade.setAlpha(150)
        bottom = self._events_px + _CONDITIONS
        painter.fillRect(GUTTER, self._events_px, left - GUTTER, _CONDITIONS, shade)
        edge = GUTTER + self._pixels
        painter.fillRect(right, self._events_px, edge - right, _CONDITIONS, shade)
        painter.setPen(QPen(QColor(self._theme.accent), 2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(left, self._events_px, max(3, right - left), bottom - self._events_px)
        if view.cursor_ns is not None:
            x = self.x_of(view.cursor_ns)
            painter.setPen(QPen(QColor(self._theme.cursor), 1))
            painter.drawLine(x, self._events_px, x, bottom)

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
        """Zoom to the marked span, or centre on a click."""
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
            said = plain_tip(self.described_at(event.pos().x()))
            QToolTip.showText(event.globalPos(), said, self)
            return True
        return super().event(event)

    def described_at(self, x: int) -> str:
        """Time, condition, events and findings at a widget pixel, one a line."""
        t_ns = self.t_of(x)
        near_ns = 4 * (self.t_of(x + 1) - t_ns)
        said = [time_text(t_ns / SECOND)]
        said += [word(c.condition.value) for c in self._conditions if c.start_ns <= t_ns < c.end_ns]
        said += [e.text or word(e.kind) for e in self._events if abs(e.t_ns - t_ns) <= near_ns]
        said += [n.text for n in self._notes if n.start_ns - near_ns <= t_ns <= n.end_ns + near_ns]
        said += [
            f"{word(f.verdict.value)}: {f.subject}"
            for f in self._findings
            if any(s.start_ns <= t_ns < s.end_ns for s in f.evidence)
        ]
        return "\n".join(said)
