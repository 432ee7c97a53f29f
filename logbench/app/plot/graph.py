"""A plot over two value axes, with pyqtgraph. Imported when one is first shown."""

from __future__ import annotations

from collections.abc import Sequence

import pyqtgraph as pg
from PySide6.QtGui import QFontMetrics
from PySide6.QtWidgets import QSizePolicy

from logbench.app.theme import Theme
from logbench.foreign import in_plot
from logbench.signals.numbers import tick_text, value_ticks

_AXES = ("bottom", "left")
_BEYOND_PX = 40
"""So far may a text of the lower axis reach beyond its ends."""


class _Axis(pg.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Numbers where and as the rest of the window writes them."""

    def tickValues(self, low: float, high: float, size: float) -> list[tuple[float, list[float]]]:
        """Round values that have room, and how far apart they stand; `size` in pixels."""
        metrics = QFontMetrics(self.style["tickFont"] or self.font())
        upright = self.orientation in {"left", "right"}
        room = metrics.height() if upright else metrics.horizontalAdvance("88,888")
        edge = 0.5 * room / max(size, 2.0 * room) * (high - low)
        ticks = value_ticks(low + edge, high - edge, max(2, int(size / (2 * room))))
        return [(ticks[1] - ticks[0], ticks)] if ticks else []

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """The texts of ticks that stand so far apart."""
        return [tick_text(value * scale, spacing * scale) for value in values]


class Graph(pg.PlotWidget):  # type: ignore[misc]  # pyqtgraph has no types
    """Axes, grid and ground in the theme's colors. Nothing moves with the mouse unless a box is
    given that does so."""

    def __init__(self, theme: Theme, box: pg.ViewBox | None = None) -> None:
        still = pg.ViewBox(enableMenu=False, enableMouse=False) if box is None else box
        super().__init__(viewBox=still, axisItems={name: _Axis(name) for name in _AXES})
        self._titles = ("", "")
        self.hideButtons()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        for name in _AXES:
            self.getAxis(name).enableAutoSIPrefix(False)
        self.getAxis("bottom").setStyle(hideOverlappingLabels=_BEYOND_PX)
        self.set_theme(theme)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colors; what is shown on the axes is to be shown again."""
        self.theme = theme
        self.setBackground(theme.plot)
        for name in (*_AXES, "right"):
            axis = self.getAxis(name)
            axis.setZValue(-1000)  # the grid lies under what is shown
            axis.setPen(theme.line)
            axis.setTextPen(theme.muted)
            axis.setTickFont(self.font())
        metrics = QFontMetrics(self.font())
        self.getAxis("left").setWidth(metrics.height() + metrics.horizontalAdvance("88,888") + 16)
        self.showGrid(x=True, y=True, alpha=0.35)
        self.set_titles(*self._titles)

    def set_titles(self, bottom: str, left: str) -> None:
        """What the axes show; empty: no room is kept for it."""
        self._titles = (bottom, left)
        metrics = QFontMetrics(self.font())
        rows = 2 if bottom else 1
        self.getAxis("bottom").setHeight(rows * metrics.height() + 14)
        for name, title in zip(_AXES, self._titles, strict=True):
            self.setLabel(name, in_plot(title), color=self.theme.text)

    def set_head(self, text: str) -> None:
        """What stands above the plot; empty: no room is kept for it."""
        size = f"{self.font().pointSizeF():g}pt"
        self.setTitle(in_plot(text) if text else None, color=self.theme.text, size=size)
