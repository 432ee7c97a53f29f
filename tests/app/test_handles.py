"""Strips made higher and lower by the handles between them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QApplication

from logbench.app.plot.handles import LEAST_HEIGHT, StripSplitter, dragged
from logbench.app.plot.stack import StripStack
from logbench.app.window import MainWindow


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.activateWindow()
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    return window


def drag(stack: StripStack, handle: int, by: int) -> None:
    """Press, move in steps and let go, as the window system tells it."""
    splitter = stack.findChild(StripSplitter)
    assert splitter is not None
    grip = splitter.handle(handle)
    left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
    start = grip.mapToGlobal(QPoint(200, 4))
    for kind, y, button, held in (
        (QEvent.Type.MouseButtonPress, 0, left, left),
        (QEvent.Type.MouseMove, by // 2, none, left),
        (QEvent.Type.MouseMove, by, none, left),
        (QEvent.Type.MouseButtonRelease, by, left, none),
    ):
        at = QPointF(start + QPoint(0, y))
        local = QPointF(grip.mapFromGlobal(at))
        event = QMouseEvent(kind, local, at, button, held, Qt.KeyboardModifier.NoModifier)
        QApplication.sendEvent(grip, event)


@given(
    heights=st.lists(st.integers(70, 400), min_size=2, max_size=8),
    by=st.integers(-600, 600),
    room=st.integers(100, 1500),
    data=st.data(),
)
def test_a_drag_keeps_strips_readable_and_the_room_filled(heights, by, room, data):
    above = data.draw(st.integers(0, len(heights) - 2))
    fresh = dragged(heights, above, by, room, 70)
    assert min(fresh) >= 70
    assert fresh[above] == max(70, heights[above] + by)
    assert fresh[:above] == heights[:above]
    assert sum(fresh) >= min(room, sum(heights))
    if sum(heights) == room and sum(fresh) > room:
        assert fresh[above + 1 :] == [70] * (len(heights) - above - 1)


def test_a_handle_makes_the_strip_above_it_higher_and_back(reviewing: MainWindow):
    stack = reviewing.pages.review.stack
    stack.splitter.share_out([1] * len(stack.strips))
    reviewing.pages.review.layouts.rebase()
    before = stack.splitter.sizes()
    drag(stack, 2, 60)
    assert abs(stack.splitter.sizes()[1] - before[1] - 60) <= 1
    assert stack.splitter.sizes()[0] == before[0]
    drag(stack, 2, 30)
    assert abs(stack.splitter.sizes()[1] - before[1] - 90) <= 1
    reviewing.pages.review.layouts.undo()  # one drag is one step
    assert abs(stack.splitter.sizes()[1] - before[1] - 60) <= 2
    reviewing.pages.review.layouts.undo()
    assert all(abs(a - b) <= 2 for a, b in zip(stack.splitter.sizes(), before, strict=True))


def test_where_all_strips_are_low_the_stack_grows(reviewing: MainWindow):
    stack = reviewing.pages.review.stack
    reviewing.resize(1000, 600)
    stack.splitter.share_out([1] * len(stack.strips))
    QApplication.processEvents()
    assert set(stack.splitter.sizes()) == {LEAST_HEIGHT}
    drag(stack, 1, 100)
    assert stack.splitter.sizes() == [170, *[LEAST_HEIGHT] * (len(stack.strips) - 1)]
    drag(stack, 1, -300)
    assert set(stack.splitter.sizes()) == {LEAST_HEIGHT}


def test_strips_are_made_equally_high_by_key_and_double_click(reviewing: MainWindow, qtbot):
    stack = reviewing.pages.review.stack
    drag(stack, 1, 120)
    qtbot.keyClick(stack, Qt.Key.Key_0, Qt.KeyboardModifier.AltModifier)
    assert max(stack.splitter.sizes()) - min(stack.splitter.sizes()) <= 1
    drag(stack, 1, 120)
    splitter = stack.findChild(StripSplitter)
    qtbot.mouseDClick(splitter.handle(3), Qt.MouseButton.LeftButton)
    assert max(stack.splitter.sizes()) - min(stack.splitter.sizes()) <= 1
    reviewing.pages.review.layouts.undo()
    assert max(stack.splitter.sizes()) - min(stack.splitter.sizes()) > 60


def test_a_click_on_a_handle_changes_nothing(reviewing: MainWindow, qtbot):
    stack = reviewing.pages.review.stack
    before = stack.splitter.sizes()
    splitter = stack.findChild(StripSplitter)
    qtbot.mouseClick(splitter.handle(1), Qt.MouseButton.LeftButton)
    assert stack.splitter.sizes() == before
    assert reviewing.pages.review.layouts.history.past == []
