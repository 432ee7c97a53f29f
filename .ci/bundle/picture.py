"""The icon in the form that Windows and macOS want, drawn from the one SVG."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from PIL import Image
from PySide6.QtCore import QBuffer, QByteArray
from PySide6.QtGui import QGuiApplication, QImage, QPainter
from PySide6.QtSvg import QSvgRenderer

SIZES = (16, 32, 48, 64, 128, 256)


def make_icon(svg: Path, target: Path) -> None:
    """An .ico or .icns with all usual sizes."""
    application = QGuiApplication.instance() or QGuiApplication(["", "-platform", "offscreen"])
    image = QImage(512, 512, QImage.Format.Format_ARGB32)
    image.fill(0)
    painter = QPainter(image)
    QSvgRenderer(str(svg)).render(painter)
    painter.end()
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QBuffer.OpenModeFlag.WriteOnly)
    image.save(buffer, "PNG")
    target.parent.mkdir(parents=True, exist_ok=True)
    Image.open(BytesIO(data.data())).save(target, sizes=[(size, size) for size in SIZES])
    del application
