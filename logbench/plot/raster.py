"""Many tall upright lines as one picture: what they cost does not grow with the pixels they light.

Qt draws a line 1 pixel wide in about 60 ns, and 6 to 9 ns more for each pixel it is tall. Of a long
recording in full view nearly every column is as tall as the data: then it is several times quicker
to mark the pixels of each trace with numpy and to draw one picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from logbench.plot.lines import Rows

Pixels = npt.NDArray[np.uint8]

_LINES_NS_A_PX = 9.0
_PICTURE_NS_A_PX = 2.5
_TRACE_NS_A_PX = 0.4
"""Measured: for a pixel lit by a line; for one of the picture; and for one, again for each trace.
"""
_NOWHERE = np.uint16(0xFFFF)


def pays(traces: Sequence[Rows], width: int, height: int) -> bool:
    """Whether a picture of `width` by `height` pixels is quicker than the lines, shape (n, 4)
    each: x1, y1, x2, y2 with x1 = x2 and y1 <= y2, in whole pixels."""
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
