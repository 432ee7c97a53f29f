"""What is shown, handed on: a picture (PNG, SVG, clipboard) or the samples as CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QRect, QSize
from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter
from PySide6.QtWidgets import QWidget

from logbench.app.plot.stack import StripStack
from logbench.app.theme import Theme
from logbench.errors import StorageError, UsageError
from logbench.words import tr

if TYPE_CHECKING:
    pass


def save_picture(path: Path, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    """Ribbon and what is below it, as PNG or (traces as lines) SVG, by the path's ending. Of a
    `StripStack` all strips are drawn, also those scrolled out of sight.

    Raises `StorageError` when it cannot be written, `UsageError` for another ending.
    """
    if path.suffix.lower() == ".svg":
        _save_svg(path, ribbon, below, theme)
        return
    if path.suffix.lower() != ".png":
        raise UsageError(
            tr("'{name}' is no picture this program writes: use .png or .svg.", name=path.name)
        )
    if not _picture(ribbon, below, theme).save(str(path)):
        raise _not_written(path)


def copy_picture(ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    """The same into the clipboard."""
    QGuiApplication.clipboard().setImage(_picture(ribbon, below, theme))


def _picture(ribbon: QWidget, below: QWidget, theme: Theme) -> QImage:
    ratio = below.devicePixelRatioF()
    image = QImage(_size(ribbon, below) * ratio, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    painter = QPainter(image)
    _draw(painter, ribbon, below, theme)
    painter.end()
    return image


def _save_svg(path: Path, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    from PySide6.QtSvg import QSvgGenerator

    generator = QSvgGenerator()
    generator.setFileName(str(path))
    generator.setViewBox(QRect(QPoint(), _size(ribbon, below)))
    generator.setTitle("logbench")
    painter = QPainter()
    if not painter.begin(generator):
        raise _not_written(path)
    _draw(painter, ribbon, below, theme)
    painter.end()


def _size(ribbon: QWidget, below: QWidget) -> QSize:
    height = below.height()
    if isinstance(below, StripStack):
        height = sum(s.height() for s in below.strips) + below.axis.height()
    return QSize(below.width(), ribbon.height() + height)


def _draw(painter: QPainter, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    painter.fillRect(QRect(QPoint(), _size(ribbon, below)), QColor(theme.window))
    ribbon.render(painter, QPoint(0, 0))
    y = ribbon.height()
    if not isinstance(below, StripStack):
        below.render(painter, QPoint(0, y))
        return
    for strip in below.strips:
        painter.save()
        painter.translate(0, y)
        strip.draw_on(painter)
        painter.restore()
        y += strip.height()
    below.axis.render(painter, QPoint(0, y))


def _not_written(path: Path) -> StorageError:
    return StorageError(
        tr(
            "{path} could not be written: make room or choose another folder; the "
            "recording is as it was.",
            path=path,
        )
    )
