"""Nothing of the side of the Live page is cut off, at any size of texts, in a small window."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QCheckBox,
    QLabel,
    QPushButton,
    QScrollArea,
    QSpinBox,
    QWidget,
)

from logbench.app.live.car_box import CarBox
from logbench.app.theme import SIZES
from logbench.app.window import MainWindow


@pytest.fixture(params=[100, max(SIZES)])
def sized(window: MainWindow, request) -> Iterator[MainWindow]:
    window.resize(1280, 720)
    window.services.look.choose_size(request.param)
    yield window
    window.services.look.choose_size(100)


def cut_off(side: QWidget) -> list[str]:
    """Controls with less room than their texts need, or beyond the edge of the side."""
    found = []
    for widget in side.findChildren(QWidget):
        if not widget.isVisible() or not isinstance(widget, QPushButton | QCheckBox | QLabel):
            continue
        text = widget.text()
        elided = isinstance(widget, QLabel) and (not text or widget.wordWrap() or "…" in text)
        right = widget.mapTo(side, widget.rect().topRight()).x()
        if right > side.width() or (not elided and widget.width() < widget.sizeHint().width()):
            found.append(f"{type(widget).__name__} {text}")
    return found


def test_before_a_drive(sized: MainWindow, qtbot):
    live = sized.live
    live.set_up.picker.choose(("RPM", "ECT"))  # "Save set" appears
    qtbot.waitUntil(live.set_up.picker.keep.isVisible)
    qtbot.waitUntil(lambda: cut_off(live.side) == [])
    fields = live.side.findChild(CarBox).fields
    for field in fields:
        needed = field.fontMetrics().horizontalAdvance(field.placeholderText())
        assert field.width() >= needed + 20
    spin = live.side.findChild(QSpinBox)
    assert spin.lineEdit().textMargins().left() >= 6
    buttons = [w for w in live.side.findChildren(QAbstractButton) if w.isVisible()]
    assert len(buttons) > 5


def test_the_wheel_scrolls_and_changes_no_choice(window: MainWindow, qtbot):
    window.resize(1280, 620)
    set_up = window.live.set_up
    scroll = window.live.side.findChild(QScrollArea)
    boxes = (set_up.link, set_up.picker.purpose, set_up.rate)
    before = [box.currentText() for box in boxes]
    qtbot.waitUntil(lambda: scroll.verticalScrollBar().maximum() > 0)
    for box in boxes:
        scroll.verticalScrollBar().setValue(0)
        at = QPointF(10, 10)
        turned = QWheelEvent(
            at, QPointF(box.mapToGlobal(at.toPoint())), QPoint(), QPoint(0, -120),
            Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase, False,
        )  # fmt: skip
        QApplication.sendEvent(box, turned)
        assert scroll.verticalScrollBar().value() > 0
    assert [box.currentText() for box in boxes] == before


def test_while_watching(sized: MainWindow, garage, qtbot):
    live = sized.live
    live.choose_link("sim:")
    live.starting.connect_link()
    garage.last.find_car("RPM", "ECT", "VSS")
    garage.last.drive("RPM", "ECT", "VSS", seconds=20.0)
    model, table = live.values.model_, live.values
    qtbot.waitUntil(lambda: model.rowCount() == 3)
    qtbot.waitUntil(lambda: cut_off(live.side) == [])
    for row in range(3):
        for column in range(1, 4):
            text = model.data(model.index(row, column))
            assert text
            assert table.fontMetrics().horizontalAdvance(text) < table.columnWidth(column)
    assert table.columnWidth(0) >= table.fontMetrics().horizontalAdvance("LONGFT1") + 28
    live.side.show_choice()
    qtbot.waitUntil(lambda: cut_off(live.side) == [])
