"""How much ink stands out of its ground: WCAG 2.2, definitions of relative luminance and contrast
ratio."""

from __future__ import annotations

from PySide6.QtGui import QColor


def contrast(ink: QColor | str, ground: QColor | str) -> float:
    """From 1 (none) to 21 (black on white)."""
    bright, dark = sorted((_luminance(QColor(ink)), _luminance(QColor(ground))), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def _luminance(color: QColor) -> float:
    red, green, blue = (_linear(c) for c in (color.redF(), color.greenF(), color.blueF()))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else float(((channel + 0.055) / 1.055) ** 2.4)
