"""The recorder's bar on every page: its state, markers, notes; what does not stop a recording."""

from __future__ import annotations

from itertools import pairwise

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QDialog

from logbench.app.commands import CommandList
from logbench.app.live.recorder_bar import StopButton
from logbench.app.pages import TITLES
from logbench.app.window import MainWindow
from logbench.capture.messages import Status
from logbench.cases.work import Outcome

CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
LEFT = Qt.MouseButton.LeftButton


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car("RPM")
    garage.last.drive("RPM")
    qtbot.waitUntil(lambda: window.live.session.now_ns == 3_000_000_000)
    window.live.tools.passenger.click()  # may be asked for a note under way
    window.activateWindow()
    return window


class Stepped:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@pytest.mark.parametrize("page", TITLES)
def test_state_marker_note_and_stop_are_on_every_page(recording, garage, qtbot, page):
    recording.pages.show_page(page)
    bar = recording.live.bar
    assert bar.isVisible()
    assert bar.state.whole == "● Recording"
    assert bar.elapsed.text() == "0:03"
    qtbot.mouseClick(bar.marker, LEFT)
    qtbot.keyClick(recording, Qt.Key.Key_M, CTRL)
    assert garage.last.marks == ["", ""]
    qtbot.waitUntil(lambda: bar.said_marks.whole == "2 markers, the last at 0:02")
    tall = bar.height()
    qtbot.mouseClick(bar.note_button, LEFT)
    assert bar.note.isVisible()
    assert bar.height() == tall  # nothing moves
    qtbot.keyClicks(bar.note.text, "rattle")
    qtbot.keyClick(bar.note.text, Qt.Key.Key_Return)
    assert garage.last.marks == ["", "", "rattle"]
    assert garage.last.mark_times[-1] == 3_000_000_000
    qtbot.keyClick(recording, Qt.Key.Key_X, CTRL | SHIFT)
    assert not garage.last.stopped
    assert bar.stop.armed


def test_each_state_has_its_words_form_and_color(recording, garage, qtbot):
    bar = recording.live.bar
    seen = {bar.state.property("state"): bar.state.whole}
    for link in ("lost", "silent"):
        garage.last.inbox.append(Status(4.0, 31, 0, 4321, {}, link))
        qtbot.waitUntil(lambda link=link: bar.state.property("state") == link)
        seen[link] = bar.state.whole
    garage.last.on_stop = lambda: None
    recording.live.stop()
    seen[bar.state.property("state")] = bar.state.whole
    assert list(seen) == ["recording", "lost", "silent", "finishing"]
    assert len({text[0] for text in seen.values()}) == len(seen)  # the form
    garage.last.finish()
    qtbot.waitUntil(lambda: bar.state.property("state") == "idle")


def test_neither_a_press_nor_a_slip_stops(qtbot):
    clock = Stepped()
    stop = StopButton(clock)
    qtbot.addWidget(stop)
    heard = []
    stop.wanted.connect(lambda: heard.append(1))
    qtbot.mouseClick(stop, LEFT)
    clock.s += 0.1
    qtbot.mouseClick(stop, LEFT)  # a double click
    assert not heard
    stop.disarm()  # as after some seconds
    clock.s += 5
    qtbot.mouseClick(stop, LEFT)
    assert not heard
    clock.s += 1
    qtbot.mouseClick(stop, LEFT)
    assert heard == [1]
    assert not stop.armed


def test_held_it_stops_and_let_go_early_it_does_not(qtbot):
    stop = StopButton()
    qtbot.addWidget(stop)
    stop.show()
    with qtbot.assertNotEmitted(stop.wanted):
        qtbot.mouseClick(stop, LEFT)
    with qtbot.waitSignal(stop.wanted, timeout=60_000):
        qtbot.mousePress(stop, LEFT)
    qtbot.mouseRelease(stop, LEFT)


def test_the_first_command_and_enter_stop_nothing(recording, garage, qtbot, monkeypatch):
    """Ctrl+K, Enter: whatever stands first in the list."""

    def choose(dialog: CommandList) -> int:
        dialog._search.setText("stop and save")
        QTest.keyClick(dialog._search, Qt.Key.Key_Return)
        return int(QDialog.DialogCode.Accepted)

    monkeypatch.setattr(CommandList, "exec", choose)
    for _ in range(3):
        qtbot.keyClick(recording, Qt.Key.Key_K, CTRL)
        QApplication.processEvents()
    for key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
        qtbot.keyClick(recording.live.stack, key)
    assert not garage.last.stopped
    qtbot.keyClick(recording.live, Qt.Key.Key_R, CTRL)
    assert not garage.last.stopped


def test_what_is_said_is_seen_on_every_page_and_what_passes_goes(window: MainWindow, qtbot):
    window.pages.show_page("review")
    window.live.notice.trouble("The link is lost.")
    window.pages.review.notice.success("Written.")
    window.importing.notice.success("Imported.", "Undo", lambda: None)
    shown = [window.live.notice, window.pages.review.notice, window.importing.notice]
    for page in TITLES:
        window.pages.show_page(page)
        # what is offered on one page lies over no other
        assert [notice.isVisible() for notice in shown] == [True, True, page == "review"]
    window.pages.show_page("review")
    tops = [notice.y() for notice in shown]
    assert tops == sorted(tops)
    for above, below in pairwise(shown):
        assert not above.geometry().intersects(below.geometry())
    ends = [notice._end.isActive() for notice in shown]
    assert ends == [False, True, False]
    shown[1]._end.timeout.emit()
    assert [notice.isVisible() for notice in shown] == [True, False, True]
    window.services.runner.unowned(Outcome("Of a job that is closed."))
    assert window.notice.isVisible()
