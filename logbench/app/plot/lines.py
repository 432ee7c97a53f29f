"""Many lines in one call: numpy rows handed to Qt as they lie in memory.

Building a Python list of `QLineF` costs more than drawing it. Qt's own call takes a pointer to the
first line and a count, and four float64 are a `QLineF`.
"""

from __future__ import annotations

from typing import Any, Literal, cast

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QLineF, Qt
from PySide6.QtGui import QColor, QPainter, QPen
from shiboken6 import Shiboken

from logbench.app.plot.pyramid import Buckets

Style = Literal["solid", "dashed", "dotted", "sparse"]
STYLES: tuple[Style, ...] = ("solid", "dashed", "dotted", "sparse")
_PATTERN = {"solid": (1, 1), "dashed": (9, 6), "dotted": (3, 3), "sparse": (3, 9)}
"""Pixels drawn and left out, in turn."""
_PEN_STYLES = {
    "solid": Qt.PenStyle.SolidLine,
    "dashed": Qt.PenStyle.DashLine,
    "dotted": Qt.PenStyle.DotLine,
    "sparse": Qt.PenStyle.DashDotLine,
}
_TALL_PX = 4.0
"""A column taller than this is drawn whatever the line style: a spike must not be hidden."""
_FAR_PX = 20_000.0

Rows = npt.NDArray[np.float64]
Places = npt.NDArray[np.floating[Any]]


def draw_rows(painter: QPainter, rows: Rows) -> None:
    """Draw lines, shape (n, 4): x1, y1, x2, y2 in pixels, with the painter's pen."""
    if len(rows):
        rows = np.ascontiguousarray(rows, np.float64)
        first = cast("QLineF", Shiboken.wrapInstance(rows.ctypes.data, QLineF))
        painter.drawLines(first, len(rows))


def draw_styled(painter: QPainter, rows: Rows, color: QColor, style: Style, first_x: int) -> None:
    """Draw lines one pixel wide; `first_x` is taken from x after the dashes were laid."""
    plain, long = dashed(rows, style)
    for part, pen_style in ((plain, Qt.PenStyle.SolidLine), (long, _PEN_STYLES[style])):
        if len(part):
            part[:, 0] -= first_x
            part[:, 2] -= first_x
            painter.setPen(QPen(color, 1, pen_style))
            draw_rows(painter, part)


def dashes(style: Style, width: int) -> list[tuple[int, int]]:
    """The pixels drawn of a line `width` long, as (first, end) pairs: for legends."""
    if style == "solid":
        return [(0, width)]
    on, off = _PATTERN[style]
    return [(x, min(x + on, width)) for x in range(0, width, on + off)]


def dense(buckets: Buckets, pixels: int) -> bool:
    """Whether the trace is drawn as one vertical line a pixel column."""
    return buckets.samples > 1 or len(buckets) > 1.5 * pixels


def polyline(buckets: Buckets, x: Places, y: Places, gap_ns: float) -> Rows:
    """Lines from sample to sample, shape (n, 4); none across gaps, a dot for a lone sample."""
    y = np.clip(y, -_FAR_PX, _FAR_PX)
    known = np.isfinite(y)
    joined = known[1:] & known[:-1] & (np.diff(buckets.t_ns) <= gap_ns)
    rows = np.empty((len(x) - 1, 4)) if len(x) else np.empty((0, 4))
    if len(x):
        rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] = x[:-1], y[:-1], x[1:], y[1:]
    if joined.all() and len(joined):
        return rows
    alone = known.copy()
    alone[1:] &= ~joined
    alone[:-1] &= ~joined
    dots = np.column_stack([x[alone], y[alone], x[alone] + 1, y[alone]])
    return np.concatenate([rows[joined], dots])


def dashed(rows: Rows, style: Style) -> tuple[Rows, Rows]:
    """Split lines into those to draw as they are, and long ones for Qt to dash.

    Qt begins its dashes anew with every line, so a line of many short pieces would look solid:
    of short pieces those in the style's gaps are left out, unless they are tall.
    """
    if style == "solid":
        return rows, rows[:0]
    on, off = _PATTERN[style]
    long = rows[:, 2] - rows[:, 0] > on
    short = rows[~long]
    tall = np.abs(short[:, 3] - short[:, 1]) > _TALL_PX
    return short[(short[:, 0] % (on + off) < on) | tall], rows[long]


def columns(buckets: Buckets, x: Places, y_low: Places, y_high: Places, gap_ns: float) -> Rows:
    """One vertical line a pixel column, shape (n, 4), stretched to touch its neighbour.

    `x` is the pixel position of each bucket counted from a fixed point, so that dashes stand still
    while the view moves; `y_low` is the pixel of the low value, which lies *below* `y_high`.
    """
    known = np.isfinite(y_low)
    if not known.all():
        x, y_low, y_high = x[known], y_low[known], y_high[known]
    t_ns = buckets.t_ns if known.all() else buckets.t_ns[known]
    if not len(x):
        return np.empty((0, 4))
    column = np.floor(x)
    first = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    column = column[first]
    bottom = np.clip(np.maximum.reduceat(y_low, first), -_FAR_PX, _FAR_PX)
    top = np.clip(np.minimum.reduceat(y_high, first), -_FAR_PX, _FAR_PX)
    last = np.append(first[1:], len(x)) - 1
    apart = t_ns[first[1:]] - t_ns[last[:-1]] > gap_ns
    step = np.diff(column)
    far = (step > 1) & ~apart
    near = (step == 1) & ~apart
    rows = np.empty((len(column), 4))
    rows[:, 0] = rows[:, 2] = column
    rows[:, 1], rows[:, 3] = top, bottom
    rows[1:, 1][near] = np.minimum(top[1:], bottom[:-1])[near]
    rows[1:, 3][near] = np.maximum(bottom[1:], top[:-1])[near]
    if far.any():
        middle = (top + bottom) / 2
        bridges = np.column_stack([column[:-1], middle[:-1], column[1:], middle[1:]])[far]
        rows = np.concatenate([rows, bridges])
    return rows
