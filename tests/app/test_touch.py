"""Fingers on strips."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QObject, QPoint, Qt
from PySide6.QtGui import QColor
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu, QPushButton, QScroller, QWidget

from logbench.app.commands import CommandList
from logbench.app.plot.canvas import GUTTER, HEADER
from logbench.app.plot.stack import StripStack
from logbench.app.theme import Look
from logbench.app.touch import LongPress
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace
from tests.app.fingers import Fingers, tap, tap_row
from tests.app.two_strips import two_strips

INACTIVE = QScroller.State.Inactive


@pytest.fixture
def stack(qtbot) -> StripStack:
    """Two strips of ten minutes, of which the middle two are in view."""
    made = two_strips(qtbot, Look("light"))
    made.view.show_span(240 * SECOND, 360 * SECOND)
    QApplication.processEvents()
    return made


def test_one_finger_moves_the_time_axis_and_it_runs_on_until_the_end(stack, qtbot):
    view, moved = stack.view, []
    stack.gestures.by_hand.connect(lambda: moved.append(True))
    at = view.t_of(400)
    finger = Fingers(stack.strips[0]).down((GUTTER + 400, 100)).to((GUTTER + 300, 104))
    assert view.t_of(300) == pytest.approx(at, abs=2 * view.ns_per_px)
    assert moved
    finger.up()
    start, px = view.start_ns, abs(stack.touch._px_a_tick)
    assert px > 0
    stack.touch._run_on()
    assert view.start_ns > start  # on, the way it went
    assert abs(stack.touch._px_a_tick) < px
    qtbot.waitUntil(lambda: not stack.touch._runs.isActive(), timeout=20_000)
    assert view.end_ns <= view.high_ns
    stack.touch._px_a_tick = -5000.0
    stack.touch._runs.start()
    qtbot.waitUntil(lambda: not stack.touch._runs.isActive(), timeout=20_000)
    assert view.end_ns == view.high_ns


def test_a_finger_stops_what_runs_on(stack):
    stack.touch._px_a_tick = -50.0
    stack.touch._runs.start()
    tap(stack.strips[0], GUTTER + 50, 100)
    assert not stack.touch._runs.isActive()


def test_two_fingers_zoom_about_what_is_under_them_and_move_it(stack):
    view = stack.view
    left, right = view.t_of(300), view.t_of(500)
    strip = stack.strips[0]
    fingers = Fingers(strip).down((GUTTER + 300, 100), (GUTTER + 500, 100))
    fingers.to((GUTTER + 200, 100), (GUTTER + 600, 100))
    assert view.width_ns == pytest.approx(60 * SECOND, rel=0.02)
    assert view.t_of(200) == pytest.approx(left, abs=3 * view.ns_per_px)
    assert view.t_of(600) == pytest.approx(right, abs=3 * view.ns_per_px)
    fingers.to((GUTTER + 150, 100), (GUTTER + 550, 100))  # together: a pan
    assert view.width_ns == pytest.approx(60 * SECOND, rel=0.02)
    assert view.t_of(150) == pytest.approx(left, abs=4 * view.ns_per_px)
    fingers.up()
    assert not stack.touch._runs.isActive()


def test_a_vertical_move_scrolls_the_strips(stack):
    stack.splitter.share_out([400, 400], 800)
    QApplication.processEvents()
    bar, start = stack._scroll.verticalScrollBar(), stack.view.start_ns
    assert bar.maximum() > 100
    Fingers(stack).down((GUTTER + 300, 300)).to((GUTTER + 305, 240)).up()
    assert bar.value() == pytest.approx(60, abs=14)
    assert stack.view.start_ns == start


def test_a_tap_puts_the_cursor_down_and_two_show_all(stack):
    view, strip = stack.view, stack.strips[1]
    at = view.t_of(250)
    tap(strip, GUTTER + 250, 80)
    assert view.cursor_ns == at
    assert stack.focused() is strip
    tap(strip, GUTTER + 250, 80)
    assert (view.start_ns, view.end_ns) == (0, 600 * SECOND)


def test_a_tap_on_a_name_chooses_its_trace(stack):
    strip = stack.strips[0]
    t_ns = np.arange(600, dtype=np.int64) * SECOND
    strip.add(StripTrace("RPM2", "7E8", "rpm", Pyramid.of(t_ns, np.full(600, 5.0))))
    box = strip.header.boxes()[1]
    tap(strip, box.center().x(), box.center().y())
    assert strip.chosen is not None
    assert strip.chosen.signal == "RPM2"


@pytest.mark.parametrize("finger", [True, False])
def test_cursors_are_taken_hold_of_by_their_lines(stack, qtbot, finger):
    view, strip = stack.view, stack.strips[0]
    view.set_mark("A", view.t_of(200))
    view.set_mark("B", view.t_of(500))
    start = view.start_ns
    if finger:  # beside the line: a finger is wide
        Fingers(strip).down((GUTTER + 488, 90)).to((GUTTER + 600, 95)).up()
    else:
        QTest.mouseMove(strip, QPoint(GUTTER + 498, 90))
        assert strip.cursor().shape() is Qt.CursorShape.SizeHorCursor
        QTest.mousePress(strip, Qt.MouseButton.LeftButton, pos=QPoint(GUTTER + 498, 90))
        QTest.mouseMove(strip, QPoint(GUTTER + 600, 95))
        QTest.mouseRelease(strip, Qt.MouseButton.LeftButton, pos=QPoint(GUTTER + 600, 95))
    assert view.marks["B"] == pytest.approx(view.t_of(600), abs=2 * view.ns_per_px)
    assert view.marks["A"] == view.t_of(200)
    assert view.start_ns == start


def test_cursors_have_tabs_to_be_taken_by(stack):
    view, strip = stack.view, stack.strips[0]
    view.set_mark("A", view.t_of(200))
    view.set_mark("B", view.t_of(210))
    image = strip.grab().toImage()
    accent = QColor(stack.look.theme.accent).rgb()
    row = [image.pixel(x, HEADER + 3) == accent for x in range(image.width())]
    assert sum(row) >= 50  # two tabs beside each other, though the lines nearly meet


def test_a_finger_that_stays_opens_the_menu_and_so_does_a_right_click(stack, qtbot):
    asked = []
    stack.menu_wanted.connect(lambda strip, at: asked.append((strip, at)))
    strip, view = stack.strips[1], stack.view
    at = view.t_of(300)
    finger = Fingers(strip).down((GUTTER + 300, 80))
    stack.touch._hold.timeout.emit()
    finger.to((GUTTER + 400, 80)).up()  # what follows is nothing more
    assert asked == [(strip, strip.mapToGlobal(QPoint(GUTTER + 300, 80)))]
    assert view.cursor_ns == at
    assert view.start_ns == 240 * SECOND
    QTest.mouseClick(strip, Qt.MouseButton.RightButton, pos=QPoint(GUTTER + 310, 60))
    assert len(asked) == 2
    QTest.mousePress(strip, Qt.MouseButton.RightButton, pos=QPoint(GUTTER + 100, 60))
    QTest.mouseMove(strip, QPoint(GUTTER + 200, 60))
    QTest.mouseRelease(strip, Qt.MouseButton.RightButton, pos=QPoint(GUTTER + 200, 60))
    assert len(asked) == 2  # a box was drawn: the view zoomed
    assert view.width_ns < 60 * SECOND


def test_the_menu_of_a_strip_does_what_the_keys_do(window, drive_file, qtbot):
    review = window.pages.review
    window.pages.show_page("review")
    review.open_path(drive_file)
    qtbot.waitUntil(lambda: bool(review.stack.strips), timeout=60_000)
    stack, view = review.stack, review.view
    strip = stack.strips[1]
    name = strip.traces[0].name
    finger = Fingers(strip).down((GUTTER + 200, 60))
    stack.touch._hold.timeout.emit()
    finger.up()
    (menu,) = [m for m in stack.findChildren(QMenu) if m.isVisible()]
    by_title = {a.text(): a for a in menu.actions() if a.text()}
    by_title["Put cursor A here"].trigger()
    assert view.marks["A"] == view.cursor_ns
    parts = {a.text(): a.menu() for a in menu.actions() if a.menu() is not None}
    assert set(parts) == {"Time", "This strip", f"Trace {name}"}
    (remove,) = [a for a in parts["This strip"].actions() if a.text() == "Remove the strip"]
    remove.trigger()
    assert strip not in stack.strips
    menu.close()


# --- everywhere else ---


def test_lists_are_pushed_and_run_on_and_a_tap_still_chooses(window, qtbot):
    dialog = CommandList(window.commands(), window)
    qtbot.addWidget(dialog)
    dialog.show()
    rows, bar = dialog._list, dialog._list.verticalScrollBar()
    assert bar.maximum() > 200
    finger = Fingers(rows.viewport()).down((60, 300))
    for n in range(1, 12):
        qtbot.wait(16)  # a speed has a time
        finger.to((60, 300 - 20 * n), steps=1)
    pushed = bar.value()
    finger.up()
    assert pushed > 60
    qtbot.waitUntil(lambda: bar.value() > pushed, timeout=20_000)
    assert dialog.isVisible()  # pushing chooses nothing
    qtbot.waitUntil(lambda: QScroller.scroller(rows.viewport()).state() is INACTIVE, timeout=20_000)
    wanted = rows.item(2).text().partition("    ")[0]
    rows.scrollToTop()
    tap_row(rows, 2)
    assert not dialog.isVisible()
    assert dialog.chosen is not None
    assert dialog.chosen.text() == wanted


def hold(widget: QWidget, window: QWidget) -> None:
    middle = widget.rect().center()
    finger = Fingers(widget).down((middle.x(), middle.y()))
    window.findChild(LongPress)._hold.timeout.emit()
    finger.up()


def test_a_finger_that_stays_shows_the_tip_and_presses_nothing(window, qtbot):
    button = window.live.box.connect_
    pressed = []
    button.clicked.connect(lambda: pressed.append(True))
    tips = Tips(button)
    hold(button, window)
    assert tips.seen == 1
    assert pressed == []
    assert not button.isDown()


class Tips(QObject):
    """Counts the tool tips that a widget is asked for."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__(widget)
        self.seen = 0
        widget.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        self.seen += event.type() == QEvent.Type.ToolTip
        return False


def test_a_finger_that_stays_on_a_field_opens_its_menu(window, qtbot):
    field = window.live.set_up.picker.search
    asked = []
    field.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
    field.customContextMenuRequested.connect(asked.append)
    window.live.side.show_choice()
    QApplication.processEvents()
    hold(field, window)
    assert len(asked) == 1


def test_a_scatter_is_marked_and_zoomed_into_by_fingers(window, drive_file, qtbot):
    review = window.pages.review
    window.pages.show_page("review")
    review.open_path(drive_file)
    qtbot.waitUntil(lambda: review.judged is not None, timeout=60_000)
    tap(review.plots.cross_button)
    review.cross.draw()
    plot = review.cross.plot
    qtbot.waitUntil(lambda: plot.isVisible() and plot.viewport().width() > 4 * 160)  # laid out
    before = plot.getViewBox().viewRect()
    middle = plot.viewport().rect().center()
    x, y = middle.x(), middle.y()
    Fingers(plot.viewport()).down((x - 80, y - 60)).to((x + 80, y + 60)).up()
    zoom = next(b for b in review.cross.findChildren(QPushButton) if "frame" in b.text())
    tap(zoom)
    after = plot.getViewBox().viewRect()
    assert after.width() < before.width() / 2
    assert after.height() < before.height() / 1.5


@pytest.mark.parametrize("page", ["live", "review", "compare", "job", "archive"])
def test_every_command_of_a_page_can_be_tapped(window, page, monkeypatch):
    """What has only a key is in the list of commands, which has a button in the window's head."""
    window.pages.show_page(page)
    opened = []
    monkeypatch.setattr(CommandList, "exec", lambda dialog: opened.append(dialog) or 0)
    head = next(b for b in window.findChildren(QPushButton) if b.text().startswith("Commands"))
    tap(head)
    (dialog,) = opened
    names = [dialog._list.item(n).text().partition("    ")[0] for n in range(dialog._list.count())]
    assert {a.text() for a in window.commands() if a.isEnabled()} == set(names)
    assert head.isVisible()
