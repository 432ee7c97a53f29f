"""A row of controls that wraps."""

from __future__ import annotations

import gc

from PySide6.QtCore import QMargins, QPoint
from PySide6.QtWidgets import QApplication, QLabel, QPushButton, QVBoxLayout, QWidget

from logbench.app.flow import Flow


def shown(qtbot, width: int) -> tuple[QWidget, Flow, list[QPushButton]]:
    host = QWidget()
    row = Flow(QMargins(4, 4, 4, 4))
    buttons = [QPushButton(f"Button {n}") for n in range(4)]
    for button in buttons:
        row.add(button)
    layout = QVBoxLayout(host)
    layout.addWidget(row)
    layout.addWidget(QLabel("below"), 1)
    qtbot.addWidget(host)
    host.resize(width, 300)
    host.show()
    qtbot.waitExposed(host)
    QApplication.processEvents()
    return host, row, buttons


def test_controls_stand_in_as_many_lines_as_they_need(qtbot):
    host, row, buttons = shown(qtbot, 700)
    assert len({b.y() for b in buttons}) == 1
    one_line = row.height()
    host.resize(260, 300)
    qtbot.waitUntil(lambda: len({b.y() for b in buttons}) > 1)
    assert row.height() > one_line
    for button in buttons:
        assert button.geometry().right() < row.width()
        assert button.width() >= button.sizeHint().width()  # nothing is cut off
        assert button.mapTo(host, QPoint(0, button.height())).y() <= row.geometry().bottom() + 1


def test_a_longer_text_or_a_hidden_control_is_given_its_room(qtbot):
    _, row, buttons = shown(qtbot, 700)
    second = buttons[1].x()
    buttons[0].setText("Button with a longer text")
    qtbot.waitUntil(lambda: buttons[1].x() > second)
    buttons[0].hide()
    qtbot.waitUntil(lambda: buttons[1].x() == 4)
    assert row.minimumSizeHint().width() < row.sizeHint().width()


def test_it_goes_without_a_trace(qtbot):
    """Made and taken apart many times, with Python's own collection in between."""
    gc.collect()
    gc.freeze()  # what other tests left is none of its concern, and takes long to walk
    for _ in range(30):
        row = Flow(QMargins())
        row.add(QPushButton("x"))
        host = QWidget()
        QVBoxLayout(host).addWidget(row)
        host.show()
        host.deleteLater()
        del row, host
        QApplication.processEvents()
        gc.collect()
    assert all(not isinstance(w, Flow) for w in QApplication.topLevelWidgets())
