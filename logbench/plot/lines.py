"""Samples and buckets as lines of a plot: rows of x1, y1, x2, y2 in pixels, y downward."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from logbench.plot.pyramid import Buckets
from logbench.plot.time_scale import TimeScale
from logbench.plot.trace import StripTrace

Style = Literal["solid", "dashed", "dotted", "sparse"]
STYLES: tuple[Style, ...] = ("solid", "dashed", "dotted", "sparse")
_PATTERN = {"solid": (1, 1), "dashed": (9, 6), "dotted": (3, 3), "sparse": (3, 9)}
"""Pixels drawn and left out, in turn."""
_TALL_PX = 4.0
"""A column taller than this is drawn whatever the line style: a spike must not be hidden."""
FEW = 32
"""Up to so many samples, `short_polyline` is quicker than `polyline`."""
_DENSE_PER_PX = 1.5
"""From so many samples a pixel on, columns are drawn instead of lines."""
_ZERO = np.zeros(1, np.int64)
_LINES_NS_A_PX = 9.0
_PICTURE_NS_A_PX = 2.5
_TRACE_NS_A_PX = 0.4
"""Measured: for a pixel lit by a line; for one of the picture; and for one, again for each trace.
"""
_NOWHERE = np.uint16(0xFFFF)

Rows = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]
Pixels = npt.NDArray[np.uint8]
_NONE: Rows = np.empty((0, 4))


@dataclass(frozen=True, slots=True)
class TraceLines:
    """A trace as lines of the plot, shape (n, 4) each."""

    style: Style
    upright: Rows
    """Each of them one column, from the top down."""
    plain: Rows
    long: Rows
    """Those that are to be dashed by whatever draws them."""
    end_ns: int
    """Time of the last entry; -1 without one."""


def trace_lines(
    trace: StripTrace, place: int, view: TimeScale, line: tuple[float, float], left: int, right: int
) -> TraceLines:
    """The trace at a place of its strip between two pixels of the plot.

    `line`: pixels from the top are base - scale * value, as (base, scale).
    """
    base, scale = line
    pyramid = trace.pyramid
    px_per_ns = 1.0 / view.ns_per_px
    buckets = pyramid.buckets(view.t_of(left - 2), view.t_of(right + 2), view.ns_per_px)
    gap_ns = pyramid.gap_ns(buckets.samples)
    upright = _NONE
    if buckets.samples > 1 or pyramid.samples_per_px(view.ns_per_px) > _DENSE_PER_PX:
        column, low, high = columns(buckets, px_per_ns)
        rows = stretched(column, base - high * scale, base - low * scale, gap_ns * px_per_ns)
        upright, rows = rows[: len(column)], rows[len(column) :]
    elif len(buckets) <= FEW:
        rows = short_polyline(buckets, (px_per_ns, base, scale), gap_ns)
    else:
        y = base - buckets.low.astype(np.float64) * scale
        rows = polyline(buckets, buckets.t_ns * px_per_ns, y, gap_ns)
    style = STYLES[place % len(STYLES)]
    if len(upright):
        upright[:, ::2] -= view.first_column
        upright, _ = dashed(upright, style, view.first_column)
    plain = long = rows
    if len(rows):
        rows[:, ::2] -= view.first_column
        plain, long = dashed(rows, style, view.first_column)
    end_ns = int(buckets.t_ns[-1]) if len(buckets) else -1
    return TraceLines(style, upright, plain, long, end_ns)


def dashes(style: Style, width: int) -> list[tuple[int, int]]:
    """The pixels drawn of a line `width` long, as (first, end) pairs: for legends."""
    if style == "solid":
        return [(0, width)]
    on, off = _PATTERN[style]
    return [(x, min(x + on, width)) for x in range(0, width, on + off)]


def polyline(buckets: Buckets, x: Rows, y: Rows, gap_ns: float) -> Rows:
    """Lines from sample to sample, shape (n, 4); none across gaps, a dot for a lone sample."""
    count = len(x)
    if not count:
        return np.empty((0, 4))
    rows = np.empty((count - 1, 4))
    rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] = x[:-1], y[:-1], x[1:], y[1:]
    known = ~np.isnan(y)
    joined = known[1:] & known[:-1]
    joined &= np.diff(buckets.t_ns) <= gap_ns
    if count > 1 and joined.all():
        return rows
    alone = known.copy()
    alone[1:] &= ~joined
    alone[:-1] &= ~joined
    dots = np.column_stack([x[alone], y[alone], x[alone] + 1, y[alone]])
    return np.concatenate([rows[joined], dots])


def short_polyline(buckets: Buckets, line: tuple[float, float, float], gap_ns: float) -> Rows:
    """As `polyline`, for a few samples: plain Python is quicker there than numpy.

    `line`: pixels for each ns, then y = base - scale * value as (.., base, scale).
    """
    px_per_ns, base, scale = line
    rows: list[tuple[float, float, float, float]] = []
    before: tuple[int, float, float] | None = None
    joined = True
    for t_ns, value in zip(buckets.t_ns.tolist(), buckets.low.tolist(), strict=True):
        known = not math.isnan(value)
        x, y = t_ns * px_per_ns, base - scale * value
        near = known and before is not None and t_ns - before[0] <= gap_ns
        if near and before is not None:
            rows.append((before[1], before[2], x, y))
        elif before is not None and not joined:
            rows.append((before[1], before[2], before[1] + 1, before[2]))
        before, joined = ((t_ns, x, y) if known else None), near
    if before is not None and not joined:
        rows.append((before[1], before[2], before[1] + 1, before[2]))
    return np.array(rows) if rows else np.empty((0, 4))


def dashed(rows: Rows, style: Style, first_column: int = 0) -> tuple[Rows, Rows]:
    """Split lines into those to draw as they are, and long ones for Qt to dash.

    Qt begins its dashes anew with every line, so a line of many short pieces would look solid:
    of short pieces those in the style's gaps are left out, unless they are tall. The gaps stand at
    columns counted from the recording's start, which x 0 is `first_column` columns after.
    """
    if style == "solid":
        return rows, rows[:0]
    on, off = _PATTERN[style]
    # whole numbers, and compress in place of rows[shown]: three and five times quicker
    column = np.floor(rows[:, 0]).astype(np.int64) + first_column
    shown = (column % (on + off) < on) | (np.abs(rows[:, 3] - rows[:, 1]) > _TALL_PX)
    long = rows[:, 2] - rows[:, 0] > on
    if not long.any():
        return rows.compress(shown, 0), rows[:0]
    return rows.compress(shown & ~long, 0), rows.compress(long, 0)


def columns(buckets: Buckets, px_per_ns: float) -> tuple[Ints, Rows, Rows]:
    """The extremes of each pixel column that has any: column number, lowest, highest value.

    Columns are counted from the recording's start, so that they hold the same samples while the
    view moves.
    """
    low, high, t_ns = buckets.low, buckets.high, buckets.t_ns
    known = ~np.isnan(low)
    if not known.all():
        low, high, t_ns = low[known], high[known], t_ns[known]
    if not len(low):
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    column = (t_ns * px_per_ns).astype(np.int64)
    first = np.flatnonzero(column[1:] != column[:-1]) + 1
    first = np.concatenate([_ZERO, first])
    return column[first], np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)


def stretched(column: Ints, top: Rows, bottom: Rows, gap_px: float) -> Rows:
    """One vertical line a column, shape (n, 4), stretched to touch its neighbor.

    `top` and `bottom` in pixels, downward. Columns further apart than one are bridged, but not
    over more than `gap_px`.
    """
    rows = np.empty((len(column), 4))
    rows[:, 0] = rows[:, 2] = column
    rows[:, 1], rows[:, 3] = top, bottom
    if len(column) < 2:
        return rows
    step = column[1:] - column[:-1]
    near = step == 1
    if near.all():
        np.minimum(top[1:], bottom[:-1], out=rows[1:, 1])
        np.maximum(bottom[1:], top[:-1], out=rows[1:, 3])
        return rows
    rows[1:, 1][near] = np.minimum(top[1:], bottom[:-1])[near]
    rows[1:, 3][near] = np.maximum(bottom[1:], top[:-1])[near]
    far = ~near & (step <= gap_px)
    if far.any():
        middle = (top + bottom) / 2
        bridges = np.column_stack([column[:-1], middle[:-1], column[1:], middle[1:]])[far]
        rows = np.concatenate([rows, bridges])
    return rows


def pays(traces: Sequence[Rows], width: int, height: int) -> bool:
    """Whether a picture of `width` by `height` pixels is quicker than the lines, shape (n, 4)
    each: x1, y1, x2, y2 with x1 = x2 and y1 <= y2, in whole pixels.

    Qt draws a line 1 pixel wide in about 60 ns, and 6 to 9 ns more for each pixel it is tall. Of a
    long recording in full view nearly every column is as tall as the data: then it is several
    times quicker to mark the pixels of each trace with numpy and to draw one picture.
    """
    lit = sum(float(rows[:, 3].sum() - rows[:, 1].sum()) for rows in traces)
    picture = width * height * (_PICTURE_NS_A_PX + _TRACE_NS_A_PX * len(traces))
    return lit * _LINES_NS_A_PX > picture


def marked(traces: Sequence[Rows], left: int, width: int, height: int) -> Pixels:
    """The pixels of upright lines, shape (height, width): 0 where none is, else the number of the
    last trace there, counted from 1. The first column is x = `left`."""
    marks = np.zeros((height, width), np.uint8)
    below = np.empty((height, width), np.uint16)
    inside = np.empty((height, width), np.bool_)
    bits = inside.view(np.uint8)
    y = np.arange(height, dtype=np.uint16)[:, None]
    for number, rows in enumerate(traces, 1):
        top, tall = _ends(rows, left, width, height)
        np.subtract(y, top, out=below)  # of a pixel above its line's top: far too many, in uint16
        np.less_equal(below, tall, out=inside)
        np.multiply(bits, np.uint8(number), out=bits)
        np.maximum(marks, bits, out=marks)
    return marks


def _ends(
    rows: Rows, left: int, width: int, height: int
) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
    """Of each column its line's top and how many pixels it goes on below, shape (width,) both."""
    top = np.full(width, _NOWHERE)
    tall = np.zeros(width, np.uint16)
    x = rows[:, 0].astype(np.int64) - left
    first, last = rows[:, 1], rows[:, 3]
    seen = (x >= 0) & (x < width) & (last >= 0) & (first <= height - 1)
    x, first, last = x[seen], first[seen], last[seen]
    first, last = np.clip(first, 0, height - 1), np.clip(last, 0, height - 1)
    top[x] = first.astype(np.uint16)
    tall[x] = (last - first).astype(np.uint16)
    return top, tall
