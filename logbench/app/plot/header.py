"""The header of a strip: names of its traces, kept as pixels, and their values over them."""

from __future__ import annotations

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QColor, QFontMetrics, QPainter, QPixmap
from PySide6.QtWidgets import QWidget

from logbench.app.plot.canvas import GUTTER, HEADER, RIGHT, Canvas
from logbench.app.plot.painting import empty_pixmap
from logbench.plot import lines
from logbench.plot.trace import StripTrace
from logbench.signals.units import unit_text
from logbench.words import tr

_LABEL_LEFT = 26
_NARROWEST_VALUE = 30
_MIDDLE = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class StripHeader:
    """Drawn over the plot of `strip`, whose font and width it takes."""

    def __init__(self, strip: QWidget, canvas: Canvas) -> None:
        self._strip = strip
        self._canvas = canvas
        self.shows_newest = False
        """Beside values at the cursor, the newest are written, too."""
        self.pixmap = QPixmap()
        """The names, from the gutter on."""
        self._value_boxes: list[QRect] = []

    def boxes(self) -> list[QRect]:
        """Where each trace's name and value stand, in the strip's pixels."""
        metrics = QFontMetrics(self._strip.font())
        texts = []
        for trace in self._canvas.traces:
            value = f"−88,888 {unit_text(self._canvas.look.units.unit(trace.unit))}"
            now = tr("now {value}", value=value) if self.shows_newest else ""
            texts.append(f"{trace.name}  {value}   {now}")
        widths = [_LABEL_LEFT + metrics.horizontalAdvance(text) for text in texts]
        room = self._strip.width() - GUTTER - RIGHT
        if sum(widths) > room:
            widths = [w * room // max(1, sum(widths)) for w in widths]
        lefts = [GUTTER + sum(widths[:n]) for n in range(len(widths))]
        return [QRect(x, 0, w, HEADER) for x, w in zip(lefts, widths, strict=True)]

    def value_text(self, trace: StripTrace, t_ns: int | None) -> str:
        """The trace's last value at or before `t_ns` (None: its newest) as text with unit."""
        found = trace.pyramid.at(trace.pyramid.end_ns if t_ns is None else t_ns)
        return "–" if found is None else self._canvas.look.units.text(found[1], trace.unit)

    def renew(self) -> None:
        """Draw the names again."""
        width = max(1, self._strip.width() - GUTTER)
        ground = self._canvas.look.theme.window
        self.pixmap = empty_pixmap(width, HEADER, self._strip.devicePixelRatioF(), ground)
        painter = QPainter(self.pixmap)
        self.draw_labels(painter)
        painter.end()

    def draw_labels(self, painter: QPainter) -> None:
        """The names; the painter's origin is the gutter's edge."""
        canvas, theme = self._canvas, self._canvas.look.theme
        painter.setFont(self._strip.font())
        painter.setPen(QColor(theme.text))
        metrics = QFontMetrics(self._strip.font())
        marked = len(canvas.traces) > 1 and (canvas.mixed or self._strip.hasFocus())
        self._value_boxes = []
        for place, (trace, box) in enumerate(zip(canvas.traces, self.boxes(), strict=True)):
            left = box.left() - GUTTER
            style = lines.STYLES[place % len(lines.STYLES)]
            for x0, x1 in lines.dashes(style, 20):
                painter.fillRect(left + x0, HEADER // 2 - 1, x1 - x0, 3, theme.trace(place))
            inner = QRect(left + _LABEL_LEFT, 0, box.width() - _LABEL_LEFT - 4, HEADER)
            name = metrics.elidedText(trace.name, Qt.TextElideMode.ElideRight, inner.width())
            painter.drawText(inner, _MIDDLE, name)
            if marked and place == canvas.chosen:
                under = metrics.horizontalAdvance(name)
                painter.fillRect(inner.left(), HEADER - 3, under, 2, QColor(theme.accent))
            inner.setLeft(inner.left() + metrics.horizontalAdvance(trace.name + "  "))
            self._value_boxes.append(inner.translated(GUTTER, 0))

    def draw_values(self, painter: QPainter) -> None:
        """The values at the cursor, else the newest; the painter's origin is the strip's."""
        canvas = self._canvas
        at = canvas.view.cursor_ns
        painter.setPen(QColor(canvas.look.theme.text))
        for trace, box in zip(canvas.traces, self._value_boxes, strict=True):
            if box.width() > _NARROWEST_VALUE:
                text = self.value_text(trace, at)
                if self.shows_newest and at is not None:
                    text += "   " + tr("now {value}", value=self.value_text(trace, None))
                painter.drawText(box, _MIDDLE, text)
