"""One value of the driver's view: as large as its cell, over the trend of the last minute."""

from __future__ import annotations

from PySide6.QtCore import QRect, QRectF, QSize, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QPainter,
    QPainterPath,
    QPaintEvent,
    QPen,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.analysis.model import Verdict
from logbench.app.plot.canvas import Canvas, StripLook
from logbench.app.plot.view import TimeView
from logbench.app.theme import VERDICT_SYMBOLS, Look
from logbench.foreign import in_label
from logbench.plot.bands import Side, side_of
from logbench.plot.trace import SECOND, LiveTrace
from logbench.signals.values import Clock
from logbench.words import tr

_TREND_NS = 60 * SECOND
_TREND_INK = 0.7
_PAD_PX = 14
_SMALLEST_PX, _SMALLEST_WORDS_PX = 18, 26
_VALUE_SHARE, _NAME_SHARE = 0.62, 0.15
"""Of the cell's height."""
_UNIT_SHARE = 0.42
"""Of the number's letters."""
_RULE_PX = 100
"""Letters that widths are measured in."""
_USUAL = "888"
_EDGE_PX = 6


class DriverCell(QWidget):
    """Says no more than there is: a dash for what is not live, a word for a band where one applies
    now."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._trace: LiveTrace | None = None
        self._view = TimeView(self)
        self._canvas = Canvas(self._view, self._strip_look(), "")
        self._widest = 0.0
        self.name = self.number = self.unit = self.aged = self.limit = ""
        """What is written: large in the middle `number` with `unit`; `aged`: an old value."""
        self.side: Side | None = None
        """Of the band that applies; None where none does."""
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        look.follow(self._look_changed)

    @property
    def text(self) -> str:
        """The value with its unit."""
        return f"{self.number} {self.unit}".strip()

    def sizeHint(self) -> QSize:
        """As much as there is."""
        return QSize(320, 200)

    def tell(self, trace: LiveTrace, clock: Clock) -> None:
        """Show what a trace holds now."""
        if self._trace is not trace:
            self._trace, self._widest = trace, 0.0
            self._canvas.traces = [trace]
            self._canvas.renew()
        units, shown = self._look.units, trace.shown(clock)
        self.name = in_label(trace.title or trace.name)
        self.aged = "" if shown.valid else trace.shown_text(clock, units)
        self.number, self.unit = "–", ""
        if shown.valid and trace.plottable:
            self.number = units.number(shown.value, trace.unit, trace.decimals)
            self.unit = units.printed(trace.unit)
        elif shown.valid:
            self.number = in_label(trace.text(shown.value, units))
        banded = shown.valid and trace.band is not None
        self.side = side_of(shown.value, trace.band) if banded and trace.band else None
        self.limit = self._limit_text(trace)
        self.setAccessibleName(" ".join((self.name + ":", self.aged or self.text, self.limit)))
        self._view.show_span(clock.now_ns - _TREND_NS, clock.now_ns)
        self.update()

    def tell_none(self, said: str) -> None:
        """There is no trace: say why."""
        self._trace = None
        self._canvas.traces = []
        self._canvas.renew()
        self.name, self.number, self.side = said, "–", None
        self.unit = self.aged = self.limit = ""
        self.setAccessibleName(said)
        self.update()

    def letters_px(self) -> float:
        """Size of the number's letters: as large as the widest value seen here allows."""
        number, unit = self._metrics(), self._metrics(_UNIT_SHARE)
        wide = unit.horizontalAdvance(f" {self.unit}") if self.unit else 0.0
        longest = max(self.number, _USUAL, key=number.horizontalAdvance)
        self._widest = max(self._widest, wide + number.horizontalAdvance(longest))
        room = self.width() - 2 * _PAD_PX
        return max(
            float(_SMALLEST_PX),
            min(_VALUE_SHARE * self.height(), room * _RULE_PX / max(1.0, self._widest)),
        )

    # --- painting ---

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another size: another picture of the trend."""
        super().resizeEvent(event)
        inner = self._inner()
        self._view.set_pixels(max(50, inner.width()))
        self._canvas.resize(inner.size(), self.devicePixelRatioF())

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ground, trend, name, value, limit."""
        painter, theme = QPainter(self), self._look.theme
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        inner = self._inner()
        painter.fillRect(inner, QColor(theme.plot))
        if self._trace is not None:
            if not self._canvas.up_to_date or self._trace.pyramid.end_ns:
                self._canvas.bring_up()
            painter.setOpacity(_TREND_INK)
            painter.drawPixmap(inner.topLeft(), self._canvas.pixmap)
            painter.setOpacity(1.0)
        out = self.side in ("below", "above")
        edge = theme.verdict(Verdict.WATCH) if out else QColor(theme.line)
        painter.setPen(QPen(edge, _EDGE_PX if out else 1))
        painter.drawRect(inner)
        self._write_small(painter, Qt.AlignmentFlag.AlignTop, self.name, QColor(theme.text))
        if self.aged or self.limit:
            color = QColor(theme.muted)
            if self.side is not None:
                verdict = Verdict.WATCH if out else Verdict.WITHIN
                color = theme.verdict(verdict)
            below = self.aged or self.limit
            self._write_small(painter, Qt.AlignmentFlag.AlignBottom, below, color)
        self._write_value(painter)
        painter.end()

    def _write_small(
        self, painter: QPainter, where: Qt.AlignmentFlag, text: str, color: QColor
    ) -> None:
        font = QFont(self.font())
        font.setPixelSize(max(_SMALLEST_PX, round(_NAME_SHARE * self.height())))
        font.setWeight(QFont.Weight.DemiBold)
        box = self._inner().adjusted(_PAD_PX, 6, -_PAD_PX, -6)
        while font.pixelSize() > _SMALLEST_PX and (
            QFontMetricsF(font).horizontalAdvance(text) > box.width()
        ):
            font.setPixelSize(font.pixelSize() - 1)
        metrics = QFontMetricsF(font)
        whole = metrics.elidedText(text, Qt.TextElideMode.ElideRight, box.width())
        top = where is Qt.AlignmentFlag.AlignTop
        y = box.top() + metrics.ascent() if top else box.bottom() - metrics.descent()
        x = box.center().x() - metrics.horizontalAdvance(whole) / 2
        self._write(painter, [(x, y, font, whole)], color)

    def _write(
        self, painter: QPainter, texts: list[tuple[float, float, QFont, str]], color: QColor
    ) -> None:
        """With an edge of the ground's color, so that no trend runs through it."""
        path = QPainterPath()
        for x, y, font, text in texts:
            path.addText(x, y, font, text)
        edge = max(4.0, texts[0][2].pixelSize() / 12)
        painter.strokePath(path, QPen(QColor(self._look.theme.plot), edge))
        painter.fillPath(path, color)

    def _write_value(self, painter: QPainter) -> None:
        theme, size = self._look.theme, self.letters_px()
        if size < _SMALLEST_WORDS_PX and not self.unit:  # words, which may stand in lines
            font = self._font(_SMALLEST_WORDS_PX)
            painter.setFont(font)
            painter.setPen(QColor(theme.text))
            middle = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(QRectF(self._inner()), int(middle), self.number)
            return
        large, small = self._font(size), self._font(size * _UNIT_SHARE)
        number, unit = QFontMetricsF(large), QFontMetricsF(small)
        between = number.horizontalAdvance(" ") * _UNIT_SHARE if self.unit else 0.0
        wide = number.horizontalAdvance(self.number) + between
        x = (self.width() - wide - unit.horizontalAdvance(self.unit)) / 2
        y = (self.height() + number.capHeight()) / 2
        known = self._trace is not None and not self.aged
        written = [(x, y, large, self.number), (x + wide, y, small, self.unit)]
        self._write(painter, written, QColor(theme.text if known else theme.muted))

    def _limit_text(self, trace: LiveTrace) -> str:
        if self.side is None or trace.band is None:
            return ""
        (low, high), units = trace.band, self._look.units
        symbol = VERDICT_SYMBOLS[Verdict.WITHIN if self.side == "within" else Verdict.WATCH]
        if self.side == "within":
            return tr("{symbol} within", symbol=symbol)
        end = low if self.side == "below" else high
        said = "" if end is None else trace.text(end, units)
        if self.side == "below":
            return tr("{symbol} below {limit}", symbol=symbol, limit=said)
        return tr("{symbol} above {limit}", symbol=symbol, limit=said)

    # --- small things ---

    def _inner(self) -> QRect:
        return self.rect().adjusted(4, 4, -4, -4)

    def _font(self, pixels: float) -> QFont:
        font = QFont(self.font())
        font.setPixelSize(max(1, round(pixels)))
        font.setWeight(QFont.Weight.DemiBold)
        return font

    def _metrics(self, share: float = 1.0) -> QFontMetricsF:
        return QFontMetricsF(self._font(_RULE_PX * share))

    def _strip_look(self) -> StripLook:
        return StripLook(self._look.theme, self._look.units)

    def _look_changed(self, _: object = None) -> None:
        self._widest = 0.0
        self._canvas.set_look(self._strip_look())
        self.update()
