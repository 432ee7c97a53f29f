"""The plot of a strip as pixels, of which only what changed is drawn again.

When the view moves by whole columns, what is there is shifted and only the uncovered part drawn;
when samples come, only the columns after the last one drawn. A live frame then costs next to
nothing, however many traces there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPixmap

from logbench.analysis.model import Span
from logbench.app.plot import painting
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot import lines
from logbench.plot.scales import ValueRange, ValueScales
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.catalog import told_apart
from logbench.signals.numbers import axis_labels, time_ticks
from logbench.signals.units import METRIC, Units

GUTTER = 72
"""Width of the value axis, pixels; the same for all strips, so that their times line up."""
RIGHT = 10
"""Pixels that stay free right of the plot."""
HEADER = 24
"""Height of a strip's header above the plot."""
Label = tuple[float, str]
"""Pixels from the top of the plot, and a text of the axis."""
_FIT_EVERY = 12
"""Frames after which the range may shrink."""


@dataclass(frozen=True, slots=True)
class StripLook:
    """How strips are drawn, and what is marked in them."""

    theme: Theme
    units: Units = METRIC
    shades: tuple[Span, ...] = ()
    """Shaded under the traces: the evidence of a finding, what was found."""
    event_times: tuple[int, ...] = ()
    """ns; a thin line at each."""


class Canvas:
    """Traces in a pixmap, and what lies under them. Each unit has a range of values of its own;
    grid and axis are those of the chosen trace's unit, and `unit` where there is no trace."""

    def __init__(self, view: TimeView, look: StripLook, unit: str) -> None:
        self.view = view
        self.look = look
        self.traces: list[StripTrace] = []
        self.chosen = 0
        """Place of the trace whose axis is shown."""
        self.scales = ValueScales(look.units)
        self.pixmap = QPixmap()
        self._empty_unit = unit
        self._stale = True
        self._since_fit = 0
        self._first_column = 0
        self._ns_per_px = 0.0
        self._drawn_to: dict[int, int] = {}
        """By place of the trace: time of the last entry drawn."""
        self._labels: tuple[tuple[object, ...], list[Label]] = ((), [])

    @property
    def unit(self) -> str:
        """That of the axis, as recorded."""
        return self.traces[self.chosen].unit if self.traces else self._empty_unit

    @property
    def mixed(self) -> bool:
        """It shows traces of several units."""
        return len({t.unit for t in self.traces}) > 1

    @property
    def range(self) -> ValueRange:
        """The values that the axis spans."""
        return self.scales.of(self.unit)

    @property
    def height(self) -> int:
        """Of the plot, in pixels that are not the device's."""
        return round(self.pixmap.height() / self.pixmap.devicePixelRatio())

    def set_look(self, look: StripLook) -> None:
        """Another look: all is drawn again."""
        if look.units != self.look.units:
            self.scales = ValueScales(look.units)
        self.look = look
        self.renew()

    def resize(self, size: QSize, ratio: float) -> None:
        """Another size; all is drawn again."""
        self.pixmap = QPixmap(size * ratio)
        self.pixmap.setDevicePixelRatio(ratio)
        self.renew()

    def renew(self) -> None:
        """Draw everything at the next `bring_up`."""
        self._stale = True

    @property
    def up_to_date(self) -> bool:
        """Whether the view's stretch is what is drawn. (Who appends samples says so.)"""
        view = self.view
        at = (view.first_column, view.ns_per_px)
        return not self._stale and at == (self._first_column, self._ns_per_px)

    def bring_up(self) -> tuple[QRect, bool]:
        """Draw what is not up to date.

        Returns what changed, in pixels of the plot, and whether the range of values did.
        """
        view = self.view
        shift = view.first_column - self._first_column
        exact = shift * self.pixmap.devicePixelRatio()
        left, right = 0, view.pixels
        scaled = view.ns_per_px != self._ns_per_px or abs(shift) >= view.pixels
        whole = self._stale or scaled or exact != round(exact)
        if not whole:
            left, right = self._changed_columns(shift)
        self._since_fit += 1
        ranged = self._fit(left, right, whole or self._since_fit >= _FIT_EVERY)
        if whole or ranged:
            left, right = 0, view.pixels
        elif shift:
            self.pixmap.scroll(-round(exact), 0, self.pixmap.rect())
        self._stale = False
        self._first_column, self._ns_per_px = view.first_column, view.ns_per_px
        if right > left:
            self._draw(left, right)
        if shift:
            left, right = 0, view.pixels
        return QRect(left, 0, max(0, right - left), self.height), ranged

    def y_of(self, value: float, unit: str | None = None) -> float:
        """Pixels from the top of the plot of a value as shown; by default on the grid's axis."""
        height = self.height - 1
        span = self.scales.of(self.unit if unit is None else unit)
        share = (value - span.low) / (span.high - span.low)
        return height - min(max(share, -10.0), 10.0) * height

    def colors(self) -> list[QColor]:
        """Of its traces: each signal's own, or the next that is free in this strip."""
        return [self.look.theme.trace(slot) for slot in told_apart(t.slot for t in self.traces)]

    def labels(self) -> list[Label]:
        """What stands at the axis and where, from below: round values, or a signal's words."""
        low, high = self.range.low, self.range.high
        trace = self.traces[self.chosen] if self.traces else None
        key = (low, high, self.height, trace and trace.key)
        if self._labels[0] != key:
            words = sorted(trace.words.items()) if trace else []
            short = [(float(v), text.partition(":")[0]) for v, text in words]
            found = [(v, text) for v, text in short if low <= v <= high]
            found = found or axis_labels(low, high, max(2, self.height // 34))
            self._labels = (key, [(self.y_of(v), text) for v, text in found])
        return self._labels[1]

    def _fit(self, left: int, right: int, whole: bool) -> bool:
        """Fit the ranges of values; True when one changed.

        The values of the columns about to be drawn are looked at every time; all that are in view
        only when those do not fit, and now and then, because a range that is too wide can wait.
        """
        view, traces, scales = self.view, self.traces, self.scales
        if not whole and (right <= left or scales.hold(traces, view.t_of(left), view.t_of(right))):
            return False
        self._since_fit = 0
        return scales.fit(traces, view.t_of(0), view.t_of(view.pixels))

    def _changed_columns(self, shift: int) -> tuple[int, int]:
        """From and to which column of the new view something must be drawn."""
        view = self.view
        left, right = view.pixels, 0
        if shift > 0:
            left, right = view.pixels - shift, view.pixels
        elif shift < 0:
            left, right = 0, -shift
        for place, trace in enumerate(self.traces):
            drawn_to = self._drawn_to.get(place, -1)
            if trace.pyramid.end_ns > drawn_to and drawn_to < view.end_ns:
                left = min(left, int(view.x_of(drawn_to)) - 2)
                right = max(right, min(view.pixels, int(view.x_of(trace.pyramid.end_ns)) + 2))
        return max(0, left), right

    def _draw(self, left: int, right: int) -> None:
        painter = QPainter(self.pixmap)
        self.draw(painter, left, right, as_pixels=True)
        painter.end()

    def draw(self, painter: QPainter, left: int, right: int, *, as_pixels: bool = False) -> None:
        """Draw some columns of the plot on any device; `as_pixels` where pixels are all it has."""
        rect = QRect(left, 0, right - left, self.height)
        painter.setClipRect(rect)
        painter.fillRect(rect, QColor(self.look.theme.plot))
        self._draw_ground(painter, left, right)
        found = [self._lines_of(place, left, right) for place in range(len(self.traces))]
        colors = self.colors()
        columns = [
            (part.upright, color)
            for part, color in zip(found, colors, strict=True)
            if len(part.upright)
        ]
        rows = [upright for upright, _ in columns]
        if as_pixels:  # in whole ones, so that lines and a picture light the same
            for upright in rows:
                np.rint(upright[:, 1::2], out=upright[:, 1::2])
        if as_pixels and lines.pays(rows, right - left, self.height):
            marks = lines.marked(rows, left, right - left, self.height)
            middle = 0.5 if self.pixmap.devicePixelRatio() > 1 else 0.0  # wide pens are centered
            picture = painting.picture(marks, [color for _, color in columns])
            painter.drawImage(QPointF(left - middle, 0), picture)
        else:
            for upright, color in columns:
                _draw_rows(painter, upright, color)
        for part, color in zip(found, colors, strict=True):
            _draw_rows(painter, part.plain, color)
            _draw_rows(painter, part.long, color, part.style)

    def _lines_of(self, place: int, left: int, right: int) -> lines.TraceLines:
        view, trace = self.view, self.traces[place]
        line = self.scales.line(trace.unit, self.height - 1)
        found = lines.trace_lines(trace, place, view, line, left, right)
        if right >= view.pixels or right > view.x_of(trace.pyramid.end_ns):
            self._drawn_to[place] = found.end_ns
        return found

    def _draw_ground(self, painter: QPainter, left: int, right: int) -> None:
        view, height = self.view, self.height
        for span in self.look.shades:
            x0 = max(int(view.x_of(span.start_ns)), left)
            x1 = min(max(int(view.x_of(span.end_ns)), int(view.x_of(span.start_ns)) + 2), right)
            if x1 > x0:
                painter.fillRect(x0, 0, x1 - x0, height, QColor(self.look.theme.shade))
        self._draw_bands(painter, left, right)
        painter.setPen(QPen(QColor(self.look.theme.grid), 1))
        for y, _ in self.labels():
            painter.drawLine(left, int(y), right, int(y))
        start_s, end_s = view.t_of(0) / SECOND, view.t_of(view.pixels) / SECOND
        for t in time_ticks(start_s, end_s, max(2, view.pixels // 110))[0]:
            x = int(view.x_of(t * SECOND))
            if left <= x <= right:
                painter.drawLine(x, 0, x, height)
        painter.setPen(QPen(QColor(self.look.theme.muted), 1, Qt.PenStyle.DotLine))
        for t_ns in self.look.event_times:
            x = int(view.x_of(t_ns))
            if left <= x <= right:
                painter.drawLine(x, 0, x, height)

    def _draw_bands(self, painter: QPainter, left: int, right: int) -> None:
        for trace, color in zip(self.traces, self.colors(), strict=True):
            if trace.band is None:
                continue
            low, high = (
                None if end is None else self.look.units.value(end, trace.unit)
                for end in trace.band
            )
            span = self.scales.of(trace.unit)
            top = self.y_of(span.high if high is None else high, trace.unit)
            bottom = self.y_of(span.low if low is None else low, trace.unit)
            color.setAlpha(34)
            painter.fillRect(left, int(top), right - left, int(bottom - top), color)
            color.setAlpha(150)
            painter.setPen(QPen(color, 1, Qt.PenStyle.DashLine))
            for end, y in ((low, bottom), (high, top)):
                if end is not None:
                    painter.drawLine(left, int(y), right, int(y))


def _draw_rows(
    painter: QPainter, rows: lines.Rows, color: QColor, style: lines.Style = "solid"
) -> None:
    if len(rows):
        painter.setPen(QPen(color, 1, painting.PEN_STYLES[style]))
        painting.draw_rows(painter, rows)
