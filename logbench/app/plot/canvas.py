"""The plot of a strip as pixels, of which only what changed is drawn again.

When the view moves by whole columns, what is there is shifted and only the uncovered part drawn;
when samples come, only the columns after the last one drawn. A live frame then costs next to
nothing, however many traces there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPixmap

from logbench.analysis.model import Span
from logbench.app.plot import lines, raster
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.numbers import round_range, time_ticks
from logbench.signals.numbers import value_ticks as ticks_of
from logbench.signals.units import METRIC, Units

_FEWEST_DATA_SHARE = 0.4
_DENSE_PER_PX = 1.5
"""From so many samples a pixel on, columns are drawn instead of lines."""
_NONE: lines.Rows = np.empty((0, 4))
_FIT_EVERY = 12
"""Frames after which the range may shrink."""
_LEAST_RANGE = {"rpm": 200, "km/h": 10, "%": 5, "degC": 5, "kPa": 5, "V": 0.5, "deg": 5, "g/s": 1}
"""By unit; about ten to twenty times the step or noise of such a signal."""


@dataclass(slots=True)
class ValueRange:
    """The values a strip spans, in round numbers, with hysteresis against nervous scales."""

    low: float = 0.0
    high: float = 1.0
    least: float = 0.0
    """The narrowest range to show: a steady signal's noise is not blown up to the full height."""
    _known: bool = field(default=False)

    def fit(self, low: float, high: float) -> bool:
        """Make room for data from `low` to `high`; True when the range changed.

        It grows at once, and shrinks only when the data fills less than two fifths of it.
        """
        if not (np.isfinite(low) and np.isfinite(high)):
            return False
        short = self.least - (high - low)
        if short > 0:
            floor = 0.0 if low >= 0 else -np.inf
            low = max(floor, low - short / 2)
            high = low + self.least
        inside = self._known and low >= self.low and high <= self.high
        if inside and high - low >= _FEWEST_DATA_SHARE * (self.high - self.low):
            return False
        fresh = round_range(low, high)
        if self._known and inside and fresh[1] - fresh[0] > 0.6 * (self.high - self.low):
            return False
        changed = fresh != (self.low, self.high)
        self.low, self.high = fresh
        self._known = True
        return changed


@dataclass(frozen=True, slots=True)
class _Lines:
    """A trace as lines of the plot."""

    color: QColor
    style: lines.Style
    upright: lines.Rows
    """Each of them one column, from the top down."""
    plain: lines.Rows
    long: lines.Rows
    """Those that Qt is to dash."""

    def draw_upright(self, painter: QPainter) -> None:
        painter.setPen(QPen(self.color, 1, Qt.PenStyle.SolidLine))
        lines.draw_rows(painter, self.upright)

    def draw_others(self, painter: QPainter) -> None:
        if len(self.plain):
            painter.setPen(QPen(self.color, 1, Qt.PenStyle.SolidLine))
            lines.draw_rows(painter, self.plain)
        if len(self.long):
            painter.setPen(QPen(self.color, 1, lines.PEN_STYLES[self.style]))
            lines.draw_rows(painter, self.long)


class Canvas:
    """Traces in a pixmap, and what lies under them. Each unit has a range of values of its own;
    grid and axis are those of `unit`."""

    def __init__(self, view: TimeView, theme: Theme, unit: str) -> None:
        self.view = view
        self.theme = theme
        self.traces: list[StripTrace] = []
        self.unit = unit
        self.units = METRIC
        self._ranges: dict[str, ValueRange] = {}
        self.shades: tuple[Span, ...] = ()
        self.event_times: Sequence[int] = ()
        self.pixmap = QPixmap()
        self._stale = True
        self._since_fit = 0
        self._first_column = 0
        self._ns_per_px = 0.0
        self._drawn_to: dict[int, int] = {}
        """By place of the trace: time of the last entry drawn."""
        self._ticks: tuple[tuple[float, float, int], list[tuple[float, float]]] | None = None

    @property
    def range(self) -> ValueRange:
        """The values that the axis spans."""
        return self.range_of(self.unit)

    def range_of(self, unit: str) -> ValueRange:
        """The values that the traces of a unit span, as shown."""
        if unit not in self._ranges:
            least = _LEAST_RANGE.get(unit, 0.0) * self.units.line(unit)[0]
            self._ranges[unit] = ValueRange(least=least)
        return self._ranges[unit]

    @property
    def height(self) -> int:
        """Of the plot, in pixels that are not the device's."""
        return round(self.pixmap.height() / self.pixmap.devicePixelRatio())

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.units = units
        self._ranges.clear()
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
        span = self.range_of(self.unit if unit is None else unit)
        share = (value - span.low) / (span.high - span.low)
        return height - min(max(share, -10.0), 10.0) * height

    def value_ticks(self) -> list[tuple[float, float]]:
        """Round values and where they stand."""
        key = (self.range.low, self.range.high, self.height)
        if self._ticks is None or self._ticks[0] != key:
            values = ticks_of(self.range.low, self.range.high, max(2, self.height // 34))
            self._ticks = (key, [(v, self.y_of(v)) for v in values])
        return self._ticks[1]

    def _fit(self, left: int, right: int, whole: bool) -> bool:
        """Fit the ranges of values; True when one changed.

        The values of the columns about to be drawn are looked at every time; all that are in view
        only when those do not fit, and now and then, because a range that is too wide can wait.
        """
        units = dict.fromkeys(trace.unit for trace in self.traces)
        if not whole and all(self._fits(left, right, unit) for unit in units):
            return False
        self._since_fit = 0
        changed = False
        for unit in units:
            found = self._extremes(0, self.view.pixels, unit)
            changed |= found is not None and self.range_of(unit).fit(*found)
        return changed

    def _fits(self, left: int, right: int, unit: str) -> bool:
        part, span = self._extremes(left, right, unit), self.range_of(unit)
        return part is None or (part[0] >= span.low and part[1] <= span.high)

    def _extremes(self, left: int, right: int, unit: str) -> tuple[float, float] | None:
        if right <= left:
            return None
        t0, t1 = self.view.t_of(left), self.view.t_of(right)
        mine = [t for t in self.traces if t.unit == unit]
        found = [e for e in (t.pyramid.extremes(t0, t1) for t in mine) if e is not None]
        if not found:
            return None
        ends = [end for t in mine for end in t.band or () if end is not None]
        low, high = min([e[0] for e in found] + ends), max([e[1] for e in found] + ends)
        return self.units.value(low, unit), self.units.value(high, unit)

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
        painter.fillRect(rect, QColor(self.theme.plot))
        self._draw_ground(painter, left, right)
        found = [self._lines_of(place, left, right) for place in range(len(self.traces))]
        upright = [part for part in found if len(part.upright)]
        columns = [part.upright for part in upright]
        if as_pixels:  # in whole ones, so that lines and a picture light the same
            for rows in columns:
                np.rint(rows[:, 1::2], out=rows[:, 1::2])
        if as_pixels and raster.pays(columns, right - left, self.height):
            marks = raster.marked(columns, left, right - left, self.height)
            middle = 0.5 if self.pixmap.devicePixelRatio() > 1 else 0.0  # wide pens are centred
            at = QPointF(left - middle, 0)
            painter.drawImage(at, raster.picture(marks, [part.color for part in upright]))
        else:
            for part in upright:
                part.draw_upright(painter)
        for part in found:
            part.draw_others(painter)

    def _lines_of(self, place: int, left: int, right: int) -> _Lines:
        view, trace = self.view, self.traces[place]
        pyramid = trace.pyramid
        px_per_ns = 1.0 / view.ns_per_px
        buckets = pyramid.buckets(view.t_of(left - 2), view.t_of(right + 2), view.ns_per_px)
        if right >= view.pixels or right > view.x_of(pyramid.end_ns):
            self._drawn_to[place] = int(buckets.t_ns[-1]) if len(buckets) else -1
        height = self.height - 1
        span = self.range_of(trace.unit)
        scale = height / (span.high - span.low)
        base = height + span.low * scale
        factor, offset = self.units.line(trace.unit)
        base, scale = base - offset * scale, scale * factor
        gap_ns = pyramid.gap_ns(buckets.samples)
        upright = _NONE
        if buckets.samples > 1 or pyramid.samples_per_px(view.ns_per_px) > _DENSE_PER_PX:
            column, low, high = lines.columns(buckets, px_per_ns)
            rows = lines.stretched(
                column, base - high * scale, base - low * scale, gap_ns * px_per_ns
            )
            upright, rows = rows[: len(column)], rows[len(column) :]
        elif len(buckets) <= lines.FEW:
            rows = lines.short_polyline(buckets, (px_per_ns, base, scale), gap_ns)
        else:
            y = base - buckets.low.astype(np.float64) * scale
            rows = lines.polyline(buckets, buckets.t_ns * px_per_ns, y, gap_ns)
        style = lines.STYLES[place % len(lines.STYLES)]
        if len(upright):
            upright[:, ::2] -= view.first_column
            upright, _ = lines.dashed(upright, style, view.first_column)
        plain = long = rows
        if len(rows):
            rows[:, ::2] -= view.first_column
            plain, long = lines.dashed(rows, style, view.first_column)
        return _Lines(self.theme.trace(place), style, upright, plain, long)

    def _draw_ground(self, painter: QPainter, left: int, right: int) -> None:
        view, height = self.view, self.height
        for span in self.shades:
            x0 = max(int(view.x_of(span.start_ns)), left)
            x1 = min(max(int(view.x_of(span.end_ns)), int(view.x_of(span.start_ns)) + 2), right)
            if x1 > x0:
                painter.fillRect(x0, 0, x1 - x0, height, QColor(self.theme.shade))
        self._draw_bands(painter, left, right)
        painter.setPen(QPen(QColor(self.theme.grid), 1))
        for _, y in self.value_ticks():
            painter.drawLine(left, int(y), right, int(y))
        start_s, end_s = view.t_of(0) / SECOND, view.t_of(view.pixels) / SECOND
        for t in time_ticks(start_s, end_s, max(2, view.pixels // 110))[0]:
            x = int(view.x_of(t * SECOND))
            if left <= x <= right:
                painter.drawLine(x, 0, x, height)
        painter.setPen(QPen(QColor(self.theme.muted), 1, Qt.PenStyle.DotLine))
        for t_ns in self.event_times:
            x = int(view.x_of(t_ns))
            if left <= x <= right:
                painter.drawLine(x, 0, x, height)

    def _draw_bands(self, painter: QPainter, left: int, right: int) -> None:
        for place, trace in enumerate(self.traces):
            if trace.band is None:
                continue
            low, high = (
                None if end is None else self.units.value(end, trace.unit) for end in trace.band
            )
            span = self.range_of(trace.unit)
            top = self.y_of(span.high if high is None else high, trace.unit)
            bottom = self.y_of(span.low if low is None else low, trace.unit)
            color = self.theme.trace(place)
            color.setAlpha(34)
            painter.fillRect(left, int(top), right - left, int(bottom - top), color)
            color.setAlpha(150)
            painter.setPen(QPen(color, 1, Qt.PenStyle.DashLine))
            for end, y in ((low, bottom), (high, top)):
                if end is not None:
                    painter.drawLine(left, int(y), right, int(y))
