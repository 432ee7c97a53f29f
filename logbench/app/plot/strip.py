"""One strip: its traces, its value axis and its header.

Traces of one unit share the axis. A trace of another unit can be put in by hand; it is drawn to a
range of its own, and the axis is that of the chosen trace.

The plot is kept as pixels (`canvas.py`), and so are axis and header: a cursor that moves copies
pixels and draws a line; it repaints no trace.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QColor, QFocusEvent, QPainter, QPaintEvent, QRegion, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.app.plot.axis import ValueAxis
from logbench.app.plot.canvas import GUTTER, HEADER, Canvas, StripLook
from logbench.app.plot.cursors import CursorLines
from logbench.app.plot.handles import LEAST_HEIGHT
from logbench.app.plot.header import StripHeader
from logbench.app.plot.view import TimeView
from logbench.plot.trace import StripTrace
from logbench.signals.units import unit_text
from logbench.words import tr

_FOOT = 5


class Strip(QWidget):
    """Traces over the shared time axis."""

    def __init__(
        self,
        view: TimeView,
        look: StripLook,
        unit: str,
        group: str = "",
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.view = view
        self.unit = unit
        self.group = group
        self.canvas = Canvas(view, look, unit)
        self.header = StripHeader(self, self.canvas)
        self.axis = ValueAxis(self, self.canvas)
        self._cursors = CursorLines(self, self.canvas)
        self._edges_stale = True
        """Axis and header are to be painted again."""
        self.setMinimumHeight(LEAST_HEIGHT)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def sizeHint(self) -> QSize:
        """Room for a readable axis."""
        return QSize(600, 140)

    # --- what is shown ---

    @property
    def traces(self) -> list[StripTrace]:
        """Those shown, the first in the theme's first colour."""
        return self.canvas.traces

    def add(self, trace: StripTrace) -> None:
        """Show one more trace."""
        self.canvas.traces.append(trace)
        self._named()

    def remove(self, key: tuple[str, str]) -> None:
        """Show that trace no longer."""
        self.canvas.traces = [t for t in self.traces if t.key != key]
        self._named()

    @property
    def chosen(self) -> StripTrace | None:
        """The trace whose axis is shown, and which commands move; None in an empty strip."""
        return self.traces[self.canvas.chosen] if self.traces else None

    def choose(self, place: int) -> None:
        """Choose a trace by its place, counted round."""
        self.canvas.chosen = place % max(1, len(self.traces))
        self._named()

    def set_look(self, look: StripLook) -> None:
        """Draw it otherwise."""
        self.canvas.set_look(look)
        self._named()

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        self.canvas.renew()
        self._edges_stale = True
        self.update()

    def refresh(self) -> None:
        """Samples came or the view moved: draw what changed."""
        if self.canvas.pixmap.isNull() or self.visibleRegion().isEmpty():
            self.canvas.renew()
            return
        changed, ranged = self.canvas.bring_up()
        self._edges_stale |= ranged
        if ranged:
            self.update()
        elif not changed.isEmpty():
            self.update(changed.translated(GUTTER, HEADER))

    def refresh_values(self) -> None:
        """Write the header's values again."""
        self.update(0, 0, self.width(), HEADER)

    def move_cursor(self) -> None:
        """Repaint only the columns where the cursors were and are, and the header's values."""
        self._cursors.move()
        self.refresh_values()

    def plot_rect(self) -> QRect:
        """Where traces are drawn, in widget pixels."""
        return QRect(GUTTER, HEADER, self.view.pixels, max(1, self.height() - HEADER - _FOOT))

    # --- painting ---

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Mark the chosen trace."""
        self._edges_stale = True
        super().focusInEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Mark it no longer."""
        self._edges_stale = True
        super().focusOutEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Paint anew at the new size."""
        self.renew()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Copy what is kept to the screen, draw cursors and values over it."""
        rect, ratio = self.plot_rect(), self.devicePixelRatioF()
        kept = self.canvas.pixmap
        if kept.isNull() or kept.size() != rect.size() * ratio:
            self.canvas.resize(rect.size(), ratio)
        if not self.canvas.up_to_date:
            self._edges_stale |= self.canvas.bring_up()[1]
        if self._edges_stale:
            self._edges_stale = False
            self.axis.renew()
            self.header.renew()
        painter = QPainter(self)
        for part in _rects(event.region().intersected(rect)):
            source = part.translated(-rect.topLeft())
            painter.drawPixmap(part, self.canvas.pixmap, _scaled(source, ratio))
        window = QColor(self.canvas.look.theme.window)
        for part in _rects(event.region().subtracted(rect)):
            painter.fillRect(part, window)
        if event.rect().left() < GUTTER:
            painter.drawPixmap(0, 0, self.axis.pixmap)
        if event.rect().top() < HEADER:
            painter.drawPixmap(GUTTER, 0, self.header.pixmap)
            self.header.draw_values(painter)
        self._cursors.draw(painter, rect)
        if self.hasFocus():
            painter.setClipping(False)
            painter.fillRect(0, 4, 4, self.height() - 8, QColor(self.canvas.look.theme.accent))
        painter.end()

    def draw_on(self, painter: QPainter) -> None:
        """Draw it all as lines and text on any device, at the painter's origin."""
        painter.save()
        painter.translate(GUTTER, HEADER)
        self.canvas.draw(painter, 0, self.view.pixels)
        painter.restore()
        painter.setClipping(False)
        self.axis.draw(painter)
        painter.save()
        painter.translate(GUTTER, 0)
        self.header.draw_labels(painter)
        painter.restore()
        self.header.draw_values(painter)
        self._cursors.draw(painter, self.plot_rect())

    def _named(self) -> None:
        canvas = self.canvas
        canvas.chosen = min(canvas.chosen, max(0, len(self.traces) - 1))
        names = ", ".join(t.signal for t in self.traces) or tr("empty")
        unit = unit_text(canvas.look.units.unit(canvas.unit))
        self.setAccessibleName(tr("Strip: {names}, {unit}", names=names, unit=unit))
        self.renew()


def _rects(region: QRegion) -> list[QRect]:
    """The parts of a region. (Qt's stubs do not know that it can be iterated.)"""
    return list(cast("Iterable[QRect]", region))


def _scaled(rect: QRect, ratio: float) -> QRect:
    """In the device's pixels."""
    return QRect(
        round(rect.x() * ratio), round(rect.y() * ratio),
        round(rect.width() * ratio), round(rect.height() * ratio),
    )  # fmt: skip
