"""The window itself: pages, commands, theme, memory."""

from __future__ import annotations

import subprocess
import sys
import threading
from typing import ClassVar

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QKeyEvent, QPalette
from PySide6.QtWidgets import QAbstractSpinBox, QApplication, QComboBox, QWidget

from logbench.app.commands import CommandList, matching
from logbench.app.pages import TITLES
from logbench.app.services import WindowRunner
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings
from logbench.cases.work import Case, Work
from tests.app.jobs import new_job


def test_pages_by_button_and_key(window: MainWindow, qtbot):
    window.activateWindow()
    qtbot.keyClick(window, Qt.Key.Key_2, Qt.KeyboardModifier.ControlModifier)
    assert window.pages.review.isVisible()
    qtbot.keyClick(window, Qt.Key.Key_1, Qt.KeyboardModifier.ControlModifier)
    assert window.live.isVisible()


def test_theme_switches_at_once_and_is_remembered(window: MainWindow, settings: Settings, qtbot):
    window.activateWindow()
    before = window.services.look.theme.name
    qtbot.keyClick(window, Qt.Key.Key_T, Qt.KeyboardModifier.ControlModifier)
    after = window.services.look.theme.name
    assert after != before
    assert settings.theme == after
    dark = QApplication.palette().color(QPalette.ColorRole.Window).lightness() < 100
    assert dark == (after == "night")
    assert window.live.stack.look.theme.name == after


def test_geometry_is_restored(qtbot, settings: Settings, garage):
    first = MainWindow(settings, garage)
    first.resize(1011, 655)
    first.show()
    first.close()
    again = MainWindow(settings, garage)
    qtbot.addWidget(again)
    assert again.height() == 655  # the offscreen display is 800 wide: Qt fits the width to it
    again.close()


def test_every_command_has_a_title_and_most_a_key(window: MainWindow):
    window.pages.show_page("review")
    for page in ("live", "review"):
        window.pages.show_page(page)
        commands = window.commands()
        assert all(a.text() for a in commands)
        assert all(not a.shortcut().isEmpty() for a in commands)
        titles = [a.text() for a in commands]
        assert len(set(titles)) == len(titles)


def test_no_two_commands_of_a_page_share_a_key(window: MainWindow):
    for page in ("live", "review"):
        window.pages.show_page(page)
        keys = [k.toString() for a in window.commands() for k in a.shortcuts()]
        assert sorted(keys) == sorted(set(keys))


def test_command_list_finds_and_runs(window: MainWindow, qtbot):
    actions = window.commands()
    assert [a.text() for a in matching(actions, "zoom in")] == ["Zoom in"]
    dialog = CommandList(actions, window)
    qtbot.addWidget(dialog)
    dialog._search.setText("search comm")
    qtbot.keyClick(dialog._search, Qt.Key.Key_Return)
    assert dialog.chosen is not None
    assert dialog.chosen.text() == "Search commands"
    dialog._search.setText("no such thing")
    assert not dialog._none.isHidden()


def test_pages_of_the_command_list_by_key(window: MainWindow, qtbot):
    dialog = CommandList(window.commands(), window)
    qtbot.addWidget(dialog)
    dialog.show()
    rows = dialog._list
    qtbot.keyClick(dialog._search, Qt.Key.Key_PageDown)
    paged = rows.currentRow()
    assert paged > 3
    qtbot.keyClick(dialog._search, Qt.Key.Key_PageDown)
    assert rows.currentRow() == min(2 * paged, rows.count() - 1)
    for _ in range(2):
        qtbot.keyClick(dialog._search, Qt.Key.Key_PageUp)
    assert rows.currentRow() == 0
    dialog.close()


def test_no_other_window_flashes_when_a_page_is_first_shown(window: MainWindow, tmp_path):
    class Shown(QObject):
        seen: ClassVar[list[str]] = []

        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            shown = event.type() == QEvent.Type.Show
            if shown and isinstance(watched, QWidget) and watched.isWindow():
                self.seen.append(repr(watched))
            return False

    watch, application = Shown(), QApplication.instance()
    assert application is not None
    application.installEventFilter(watch)
    for page in TITLES:
        window.pages.show_page(page)
        QApplication.processEvents()
    new_job(window, tmp_path / "job")
    QApplication.processEvents()
    application.removeEventFilter(watch)
    assert watch.seen == []


def test_a_field_for_text_leaves_a_commands_key_to_it(window: MainWindow, garage, qtbot):
    """On X11 Ctrl+E goes to the end of a line, Ctrl+K deletes to there."""
    live = window.live
    live.choose_link("sim:")
    live.set_up.link.setFocus()
    field = QApplication.focusWidget()
    assert field is live.set_up.link
    qtbot.keyClick(field, Qt.Key.Key_E, Qt.KeyboardModifier.ControlModifier)
    assert live.session.state == "connecting"
    said = QKeyEvent(
        QEvent.Type.ShortcutOverride, Qt.Key.Key_K, Qt.KeyboardModifier.ControlModifier
    )
    live.stop()
    garage.last.finish()
    qtbot.waitUntil(lambda: not live.busy)
    live.set_up.picker.search.setFocus()
    QApplication.sendEvent(live.set_up.picker.search, said)
    assert not said.isAccepted()


def test_controls_have_names_for_screen_readers(window: MainWindow):
    window.pages.show_page("review")
    window.pages.show_page("live")
    for kind in ("QPushButton", "QComboBox", "QLineEdit", "QTableView", "QListView"):
        for found in window.findChildren(QWidget):
            widget = found
            if widget.metaObject().className() != kind or not widget.isVisibleTo(window):
                continue
            parent = widget.parentWidget()
            if isinstance(parent, QComboBox | QAbstractSpinBox):
                widget = parent  # the part is read with the whole's name
            text = widget.property("text") if kind == "QPushButton" else ""
            assert widget.accessibleName() or text, widget


def test_answers_of_other_threads_come_on_the_windows_own(qtbot):
    runner, heard = WindowRunner(), []

    class Answer(Case[str]):
        def run(self, work: Work) -> str:
            work.report("working", 0.5)
            return threading.current_thread().name

    def hear(answer: object, *_: object) -> None:
        heard.append((answer, threading.current_thread() is threading.main_thread()))

    runner.owner().start(Answer(), hear, hear, hear)
    qtbot.waitUntil(lambda: len(heard) == 2)
    (said, there), (worker, here) = heard
    assert said == "working"
    assert str(worker).startswith("case")
    assert there
    assert here
    runner.close()


def test_the_window_comes_up_without_what_only_later_pages_need():
    code = (
        "import sys, logbench.app.window;"
        "heavy = {'pandas', 'scipy', 'typst', 'pyqtgraph', 'obd', 'duckdb', 'pyarrow'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
