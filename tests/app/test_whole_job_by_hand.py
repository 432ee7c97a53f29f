"""A whole job with nothing but fingers, and with nothing but keys: a job is made, a drive recorded
and marked, reviewed and put into it, work written down, the report made."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import QEvent, QObject, Qt, QTimer
from PySide6.QtGui import QInputMethodEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QDialog, QPushButton, QTabWidget, QWidget

from logbench.app.job.page import RECORDINGS, WORK, JobPage
from logbench.app.plot.canvas import GUTTER
from logbench.app.window import MainWindow
from tests.app.fingers import Fingers, tap, tap_row
from tests.app.jobs import on_disk

LONG_MS = 120_000
Key, Ctrl, Shift, Alt = (
    Qt.Key, Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.AltModifier,
)  # fmt: skip


class Only(QObject):
    """Sees to it that only one kind of event comes to the windows from outside."""

    def __init__(self, *forbidden: QEvent.Type) -> None:
        super().__init__()
        self._forbidden = forbidden
        self.came: list[QEvent.Type] = []
        QApplication.instance().installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.spontaneous() and event.type() in self._forbidden:
            self.came.append(event.type())
        return False

    def end(self) -> None:
        QApplication.instance().removeEventFilter(self)


@pytest.fixture
def slow_taps(qapp: QApplication) -> Iterator[None]:
    """Two taps are never meant as one double tap here."""
    before = qapp.doubleClickInterval()
    qapp.setDoubleClickInterval(0)
    yield
    qapp.setDoubleClickInterval(before)


@pytest.fixture
def shop(window: MainWindow, garage, drive_file: Path) -> MainWindow:
    """What is recorded is saved as a drive of four minutes."""
    window.resize(1280, 900)

    def saves(request) -> object:
        made = type(garage).__call__(garage, request)

        def stop() -> None:
            request.out.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(drive_file, request.out)
            made.finish()

        made.on_stop = stop
        return made

    window.live.session._factory = saves
    return window


def drive(window: MainWindow, garage, qtbot) -> None:
    """The car answers, and reports for some seconds, standing."""
    live = window.live
    garage.last.find_car("RPM", "VSS")
    garage.last.send(*(("RPM", "7E8", n * 10**8, 800.0 + n) for n in range(60)))
    garage.last.send(*(("VSS", "7E8", n * 10**8, 0.0) for n in range(60)))
    qtbot.waitUntil(lambda: live.stack.isVisible() and len(live.stack.strips) > 0)
    live.under_way.look()


def in_dialog(act: Callable[[QDialog], None], ready: Callable[[QDialog], bool]) -> list[bool]:
    """Once a dialog waits for an answer, give it one; what is returned holds True then."""
    done: list[bool] = []

    def look() -> None:
        dialog = QApplication.activeModalWidget()
        if isinstance(dialog, QDialog) and dialog.isVisible() and ready(dialog):
            act(dialog)
            done.append(True)
        else:
            QTimer.singleShot(20, look)

    QTimer.singleShot(20, look)
    return done


def focused() -> QWidget:
    """What keys and texts go to."""
    window = QApplication.activeModalWidget() or next(
        w for w in QApplication.topLevelWidgets() if isinstance(w, MainWindow) and w.isVisible()
    )
    return window.focusWidget() or window


def say(text: str) -> None:
    """As a keyboard on the screen enters text, or one's own voice."""
    event = QInputMethodEvent()
    event.setCommitString(text)
    QApplication.sendEvent(focused(), event)


def tap_tab(tabs: QTabWidget, number: int) -> None:
    at = tabs.tabBar().tabRect(number).center()
    tap(tabs.tabBar(), at.x(), at.y())


def button(root: QWidget, text: str) -> QWidget:
    return next(b for b in root.findChildren(QPushButton) if b.text() == text)


def asserts_done(window: MainWindow, page: JobPage, review_cursors: dict[str, int]) -> None:
    job = on_disk(page)
    assert job.title == "Blue van"
    assert job.concern == "Shakes at idle"
    assert [entry.file.split("/")[0] for entry in job.recordings] == ["recordings"]
    assert [entry.text for entry in job.work] == ["Hose renewed"]
    assert page.opened is not None
    assert (page.opened.folder.path / "report.pdf").read_bytes().startswith(b"%PDF")
    assert set(review_cursors) == {"A", "B"}


@pytest.mark.usefixtures("slow_taps")
def test_a_whole_job_by_fingers_only(shop: MainWindow, garage, qtbot):
    only = Only(QEvent.Type.KeyPress, QEvent.Type.Wheel)
    live = shop.live
    # a job
    tap(button(shop, "Job"))
    page = shop.pages.job

    def name_it(dialog: QDialog) -> None:
        tap(dialog.title)
        say("Blue van")
        tap(dialog.go)

    named = in_dialog(name_it, lambda d: hasattr(d, "go"))
    tap(page.empty.button)
    assert named
    shop.activateWindow()  # which a desktop does when a dialog closes
    tap(page.tabs.story.widgets["concern"])
    say("Shakes at idle")
    # a drive, marked; stopped by a finger that stays
    tap(button(shop, "Live"))
    tap(live.empty.button)
    drive(shop, garage, qtbot)
    tap(live.bar.marker)
    qtbot.waitUntil(lambda: len(live.shown.events) == 1)
    middle = live.bar.stop.rect().center()
    finger = Fingers(live.bar.stop).down((middle.x(), middle.y()))
    qtbot.waitUntil(lambda: not live.busy, timeout=LONG_MS)
    finger.up()
    # into the job, and reviewed
    assert live.notice.button.text().startswith("Add it to the job")
    tap(live.notice.button)
    qtbot.waitUntil(lambda: len(on_disk(page).recordings) == 1, timeout=LONG_MS)
    tap(button(shop, "Job"))
    tap_tab(page.tabs, RECORDINGS)
    recordings = page.tabs.recordings
    qtbot.waitUntil(lambda: recordings.table.table.rowCount() == 1, timeout=LONG_MS)
    tap_row(recordings.table.table, 0)
    tap(recordings.review_button)
    review = shop.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=LONG_MS)
    strip, view = review.stack.strips[0], review.view
    wide = view.width_ns
    Fingers(strip).down((GUTTER + 200, 50), (GUTTER + 300, 50)).to(
        (GUTTER + 100, 50), (GUTTER + 400, 50)
    ).up()
    assert view.width_ns < wide / 2
    for name, x in (("A", 150), ("B", 350)):
        tap(strip, GUTTER + x, 50)
        tap(button(review.plots, f"Cursor {name}  {name}"))
    assert review.span_panel.isVisible()
    # work and report
    tap(button(shop, "Job"))
    tap_tab(page.tabs, WORK)
    work = page.tabs.work.tables[1]
    qtbot.waitUntil(work.add_button.isVisible)
    tap(work.add_button)
    say("Hose renewed")
    tap_row(work.table, 0, 0)  # the field is left
    written = in_dialog(
        lambda d: tap(d.answers.go), lambda d: hasattr(d, "answers") and d.answers.go.isEnabled()
    )
    tap(button(page, "Report …  Ctrl+P"))
    assert written
    qtbot.waitUntil(lambda: "Report written" in page.notice.text, timeout=LONG_MS)
    only.end()
    assert only.came == []
    asserts_done(shop, page, view.marks)


def test_a_whole_job_by_keys_only(shop: MainWindow, garage, qtbot):
    only = Only(
        QEvent.Type.MouseButtonPress, QEvent.Type.TouchBegin, QEvent.Type.Wheel,
        QEvent.Type.InputMethod,
    )  # fmt: skip
    live = shop.live

    def press(key: Qt.Key, held: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
        QTest.keyClick(focused(), key, held)
        QApplication.processEvents()

    def tab_to(widget: QWidget) -> None:
        for _ in range(80):
            if focused() is widget:
                return
            press(Key.Key_Tab)
        raise AssertionError(widget.accessibleName())

    def write(text: str) -> None:
        QTest.keyClicks(focused(), text)

    # a job
    press(Key.Key_4, Ctrl)
    page = shop.pages.job

    def name_it(_: QDialog) -> None:
        write("Blue van")
        press(Key.Key_Return)

    named = in_dialog(name_it, lambda d: hasattr(d, "go"))
    press(Key.Key_N, Ctrl)
    assert named
    shop.activateWindow()  # which a desktop does when a dialog closes
    press(Key.Key_1, Alt)
    tab_to(page.tabs.story.widgets["concern"])
    write("Shakes at idle")
    # a drive, marked; stopped by two presses that are not a slip of the hand
    press(Key.Key_1, Ctrl)
    press(Key.Key_R, Ctrl | Shift)
    drive(shop, garage, qtbot)
    press(Key.Key_Space)
    qtbot.waitUntil(lambda: len(live.shown.events) == 1)
    now = [0.0]
    live.bar.stop._now_s = lambda: now[0]
    press(Key.Key_X, Ctrl | Shift)
    now[0] += 1.0
    press(Key.Key_X, Ctrl | Shift)
    qtbot.waitUntil(lambda: not live.busy, timeout=LONG_MS)
    # reviewed, and into the job
    press(Key.Key_Return, Ctrl)
    review = shop.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=LONG_MS)
    wide = review.view.width_ns
    for _ in range(3):
        press(Key.Key_Plus)
    assert review.view.width_ns < wide / 2
    for key in (Key.Key_A, Key.Key_B):
        press(Key.Key_Greater)
        press(key)
    assert review.span_panel.isVisible()
    press(Key.Key_4, Ctrl)
    press(Key.Key_D, Ctrl)
    qtbot.waitUntil(lambda: len(on_disk(page).recordings) == 1, timeout=LONG_MS)
    qtbot.waitUntil(lambda: page.tabs.currentIndex() == RECORDINGS)
    # work and report
    press(Key.Key_5, Alt)
    work = page.tabs.work.tables[1]
    tab_to(work.add_button)
    press(Key.Key_Space)
    write("Hose renewed")
    press(Key.Key_Return)
    written = in_dialog(
        lambda _: press(Key.Key_Return),
        lambda d: hasattr(d, "answers") and d.answers.go.isEnabled(),
    )
    press(Key.Key_P, Ctrl)
    assert written
    qtbot.waitUntil(lambda: "Report written" in page.notice.text, timeout=LONG_MS)
    only.end()
    assert only.came == []
    asserts_done(shop, page, review.view.marks)
