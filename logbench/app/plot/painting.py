"""Numbers handed to Qt as they lie in memory: many lines in one call, marked pixels as a picture.

Building a Python list of `QLineF` costs more than drawing it. Qt's own call takes a pointer to the
first line and a count, and four float64 are a `QLineF`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import cast

import numpy as np
from PySide6.QtCore import QLineF, QSize, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPixmap
from PySide6.QtWidgets import QWidget
from shiboken6 import Shiboken

from logbench.plot.lines import Pixels, Rows

PEN_STYLES = {
    "solid": Qt.PenStyle.SolidLine,
    "dashed": Qt.PenStyle.DashLine,
    "dotted": Qt.PenStyle.DotLine,
    "sparse": Qt.PenStyle.DashDotLine,
}


def draw_rows(painter: QPainter, rows: Rows) -> None:
    """Draw lines, shape (n, 4): x1, y1, x2, y2 in pixels, with the painter's pen."""
    if len(rows):
        rows = np.ascontiguousarray(rows, np.float64)
        first = cast("QLineF", Shiboken.wrapInstance(rows.ctypes.data, QLineF))
        painter.drawLines(first, len(rows))


def picture(marks: Pixels, colors: Sequence[QColor]) -> QImage:
    """The marks in the traces' colors, clear elsewhere. `marks` must outlive it."""
    height, width = marks.shape
    image = QImage(marks.data, width, height, width, QImage.Format.Format_Indexed8)
    image.setColorTable([0, *(color.rgba() for color in colors)])
    return image


def kept_picture(
    widget: QWidget, width: int, height: int, ground: str, draw: Callable[[QPainter], None]
) -> QPixmap:
    """Part of a widget, drawn once, to be copied to it again and again."""
    ratio = widget.devicePixelRatioF()
    pixmap = QPixmap(QSize(width, height) * ratio)
    pixmap.setDevicePixelRatio(ratio)
    pixmap.fill(QColor(ground))
    painter = QPainter(pixmap)
    draw(painter)
    painter.end()
    return pixmap
