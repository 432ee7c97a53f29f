"""What cannot be read, reached or pressed in a window, found by geometry and by contrast.

`faults` names each as a sentence; a window without any gives an empty list.
"""

from __future__ import annotations

from collections.abc import Iterator

from PySide6.QtCore import QEvent, QRect, QSize, Qt
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractScrollArea,
    QAbstractSpinBox,
    QApplication,
    QCheckBox,
    QComboBox,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPushButton,
    QSplitterHandle,
    QTabBar,
    QTableView,
    QToolButton,
    QWidget,
)

from logbench.app.notice import Notice
from logbench.app.parts import Elided
from tests.app.contrast import contrast

CONTROLS = (QAbstractButton, QComboBox, QLineEdit, QAbstractSpinBox)
TEXTS = (QLabel, *CONTROLS, QTabBar, QHeaderView)
SLACK_PX = 1
AA = 4.5
"""WCAG 2.2, 1.4.3: least contrast of text."""
_SPLITTING = 2
"""Siblings may share an edge."""
_DRAWN = ("Strip", "StripCanvas", "PlotWidget", "TimeAxis", "Ribbon")
"""Draw by themselves, and lay parts of theirs over what they drew."""


def settle() -> None:
    """Let layouts come to rest."""
    for _ in range(3):
        QApplication.sendPostedEvents(None, QEvent.Type.LayoutRequest)
        QApplication.processEvents()


def faults(window: QWidget, target_px: int = 0) -> list[str]:
    """All that is wrong with what is shown now; `target_px`: what controls are at least."""
    found: list[str] = []
    for widget in _shown(window):
        if _is_part(widget):
            continue
        if isinstance(widget, TEXTS):
            found += _out_of_reach(widget, window)
            found += _cut(widget)
            found += _faint(widget)
        if target_px and isinstance(widget, CONTROLS):
            found += _small(widget, target_px)
        if type(widget).__name__ not in _DRAWN:
            found += _overlaps(widget)
    return found


def _shown(window: QWidget) -> Iterator[QWidget]:
    """Visible widgets of the window itself, without dialogs."""
    for child in window.children():
        if isinstance(child, QWidget) and not child.isWindow() and child.isVisible():
            yield child
            yield from _shown(child)


def _is_part(widget: QWidget) -> bool:
    """Qt's own part of a control, or of a drawing."""
    parent = widget.parentWidget()
    if isinstance(parent, QComboBox | QAbstractSpinBox | QLineEdit | QTabBar | QAbstractButton):
        return True
    return isinstance(parent, QTableView) and isinstance(widget, QAbstractButton)


def _name(widget: QWidget) -> str:
    said = getattr(widget, "text", None)
    text = said() if callable(said) else widget.accessibleName()
    path = [type(widget).__name__]
    above = widget.parentWidget()
    while above is not None and len(path) < 4:
        path.append(type(above).__name__)
        above = above.parentWidget()
    return f"{'<'.join(path)} '{str(text)[:50]}'"


# --- out of reach ---


def _out_of_reach(widget: QWidget, window: QWidget) -> list[str]:
    """Parts of a widget that no scrolling brings into view."""
    rect, inner = widget.rect(), widget
    while inner is not window:
        above = inner.parentWidget()
        rect.translate(inner.pos())
        area = above.parentWidget()
        if isinstance(area, QAbstractScrollArea) and area.viewport() is above:
            off = Qt.ScrollBarPolicy.ScrollBarAlwaysOff
            if area.horizontalScrollBarPolicy() == off and _beyond(rect, above, across=True):
                return [f"cut at the side: {_name(widget)}"]
            if area.verticalScrollBarPolicy() == off and _beyond(rect, above, across=False):
                return [f"cut below: {_name(widget)}"]
            rect = rect.intersected(above.rect())
            if rect.isEmpty():
                return []  # it can be scrolled to
        elif _beyond(rect, above, across=True) or _beyond(rect, above, across=False):
            return [f"outside {type(above).__name__}: {_name(widget)}"]
        inner = above
    return []


def _beyond(rect: QRect, above: QWidget, *, across: bool) -> bool:
    if across:
        return rect.left() < -SLACK_PX or rect.right() >= above.width() + SLACK_PX
    return rect.top() < -SLACK_PX or rect.bottom() >= above.height() + SLACK_PX


# --- cut text ---


def _cut(widget: QWidget) -> list[str]:
    if isinstance(widget, Elided):
        shortened = widget.text() != widget.whole
        return [f"shortened without a tip: {_name(widget)}"] * (
            shortened and not widget.toolTip()
        ) + _too_low(widget, widget.fontMetrics().height())
    if isinstance(widget, QLabel):
        return _cut_label(widget)
    if isinstance(widget, QComboBox):
        room = widget.width() - widget.fontMetrics().height() - 20
        return _cut_line(widget, widget.currentText(), room)
    if isinstance(widget, QPushButton | QToolButton | QCheckBox):
        wanted = widget.sizeHint()
        if not widget.text() or _holds(widget.size(), wanted):
            return []
        return [f"cut text ({widget.width()}x{widget.height()} of {wanted.width()}x"
                f"{wanted.height()}): {_name(widget)}"]  # fmt: skip
    if isinstance(widget, QLineEdit) and not widget.text() and not widget.toolTip():
        return _cut_line(widget, widget.placeholderText(), widget.width() - 24)
    if isinstance(widget, QHeaderView):
        return list(_cut_heads(widget))
    return []


def _holds(has: QSize, wanted: QSize) -> bool:
    return has.width() + SLACK_PX >= wanted.width() and has.height() + SLACK_PX >= wanted.height()


def _cut_line(widget: QWidget, text: str, room: int) -> list[str]:
    """One line, which a tip may show whole."""
    needed = widget.fontMetrics().horizontalAdvance(text)
    low = _too_low(widget, widget.fontMetrics().height())
    if needed > room + SLACK_PX and text not in widget.toolTip():
        return [*low, f"cut text ({room} of {needed}): {_name(widget)} '{text[:40]}'"]
    return low


def _cut_label(label: QLabel) -> list[str]:
    if not label.text() or label.textFormat() == Qt.TextFormat.RichText:
        return []
    margins = label.width() - label.contentsRect().width()
    if label.wordWrap():
        needed = label.heightForWidth(label.width())
        return _too_low(label, needed)
    metrics = label.fontMetrics()
    lines = label.text().split("\n")
    wide = max(map(metrics.horizontalAdvance, lines)) + margins
    if wide > label.width() + SLACK_PX and not label.toolTip():
        return [f"cut text ({label.width()} of {wide}): {_name(label)}"]
    return _too_low(label, metrics.height() * len(lines))


def _too_low(widget: QWidget, needed: int) -> list[str]:
    if widget.height() + SLACK_PX < needed:
        return [f"cut text (height {widget.height()} of {needed}): {_name(widget)}"]
    return []


def _cut_heads(header: QHeaderView) -> Iterator[str]:
    """Titles of columns."""
    model = header.model()
    if model is None or header.orientation() != Qt.Orientation.Horizontal:
        return
    for section in range(header.count()):
        title = str(model.headerData(section, header.orientation()) or "")
        tip = model.headerData(section, header.orientation(), Qt.ItemDataRole.ToolTipRole)
        needed = max(map(header.fontMetrics().horizontalAdvance, title.split("\n"))) + 6
        if not header.isSectionHidden(section) and needed > header.sectionSize(section) and not tip:
            size = header.sectionSize(section)
            yield f"cut head ({size} of {needed}): {_name(header)} '{title}'"


# --- the rest ---


def _faint(widget: QWidget) -> list[str]:
    if not widget.isEnabled():
        return []  # WCAG asks nothing of what cannot be used
    palette = widget.palette()
    ink, ground = palette.color(widget.foregroundRole()), palette.color(widget.backgroundRole())
    if ground.alpha() < 255 or ink.alpha() < 255:
        return []
    there = contrast(ink, ground)
    if there < AA:
        return [f"faint ({there:.1f}, {ink.name()} on {ground.name()}): {_name(widget)}"]
    return []


def _small(widget: QWidget, target_px: int) -> list[str]:
    if min(widget.width(), widget.height()) >= target_px:
        return []
    return [f"small ({widget.width()}x{widget.height()}): {_name(widget)}"]


def _overlaps(widget: QWidget) -> list[str]:
    """Children of a widget that lie over each other."""
    held = [
        (child, child.geometry())
        for child in widget.children()
        if isinstance(child, QWidget)
        and child.isVisible()
        and not child.isWindow()
        and not isinstance(child, Notice | QSplitterHandle)
        and not _is_part(child)
    ]
    if isinstance(widget, QAbstractScrollArea):
        return []
    return [
        f"over each other in {type(widget).__name__}: {_name(one)}, {_name(other)}"
        for n, (one, rect) in enumerate(held)
        for other, beside in held[n + 1 :]
        if _shared(rect, beside)
    ]


def _shared(rect: QRect, beside: QRect) -> bool:
    both = rect.intersected(beside)
    return both.width() > _SPLITTING and both.height() > _SPLITTING
