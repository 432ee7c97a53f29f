"""What holds for every page: names for screen readers, a command for every action."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QAbstractScrollArea,
    QAbstractSpinBox,
    QComboBox,
    QHeaderView,
    QLineEdit,
    QMenu,
    QPlainTextEdit,
    QTabBar,
    QTextEdit,
    QToolButton,
    QWidget,
)

from logbench.app.commands import CommandList
from logbench.app.window import MainWindow

PAGES = ("live", "review", "compare", "job", "archive")
CONTROLS = (
    QAbstractButton, QAbstractItemView, QAbstractSpinBox, QComboBox, QLineEdit, QPlainTextEdit,
    QTextEdit,
)  # fmt: skip


def nameless(root: QWidget) -> list[str]:
    """The controls under a widget that a screen reader could not name, hidden ones included."""
    found = []
    for widget in root.findChildren(QWidget):
        focus = widget.focusPolicy() & Qt.FocusPolicy.TabFocus
        if not isinstance(widget, CONTROLS) and not focus:
            continue
        if _is_part(widget):
            continue
        text = widget.text() if isinstance(widget, QAbstractButton) else ""
        if not (widget.accessibleName() or text):
            found.append(f"{type(widget).__name__} {widget.objectName()} in {_owners(widget)}")
    return found


def _is_part(widget: QWidget) -> bool:
    """Parts of a whole that has the name: the field of a combo box, a table's header and corner,
    the arrows of a bar of tabs, a scroll area (what lies in it has names)."""
    parents, at = [], widget.parentWidget()
    while at is not None:
        parents.append(at)
        at = at.parentWidget()
    whole = (QComboBox, QAbstractSpinBox, QAbstractItemView, QTabBar, QLineEdit)
    bare = type(widget) in (QWidget, QAbstractScrollArea) or isinstance(widget, QMenu | QTabBar)
    return (
        bare
        or isinstance(widget, QHeaderView)
        or any(isinstance(p, whole) for p in parents)
        or (isinstance(widget, QToolButton) and not widget.text() and bool(parents))
        or (isinstance(widget, QAbstractScrollArea) and not isinstance(widget, CONTROLS))
    )


def _owners(widget: QWidget) -> str:
    names, at = [], widget.parentWidget()
    while at is not None:
        names.append(type(at).__name__)
        at = at.parentWidget()
    return " < ".join(names[:4])


@pytest.mark.parametrize("page", PAGES)
def test_every_control_of_a_page_has_a_name_for_screen_readers(window: MainWindow, page: str):
    window.pages.show_page(page)
    assert nameless(window) == []


def test_review_with_a_drive_has_names_too(window: MainWindow, drive_file: Path, qtbot):
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    review = window.pages.review
    review.plots.show_cross(True)
    review.cross.draw()
    review.find_bar.open()
    review.span_panel.put("A")
    window.appearance.show_settings()
    assert nameless(window) == []
    for strip in review.stack.strips:
        assert strip.accessibleName().startswith("Strip: ")
    window.appearance._dialog.close()


@pytest.mark.parametrize("page", PAGES)
def test_every_action_of_a_page_has_a_key_of_its_own(window: MainWindow, page: str):
    window.pages.show_page(page)
    commands = window.commands()
    assert len(commands) > 10
    assert [a.text() for a in commands if a.shortcut().isEmpty()] == []
    keys = [key.toString() for action in commands for key in action.shortcuts()]
    assert sorted(keys) == sorted(set(keys))
    titles = [action.text() for action in commands]
    assert sorted(titles) == sorted(set(titles))


@pytest.mark.parametrize("page", PAGES)
def test_every_action_is_found_in_the_command_list(window: MainWindow, page: str, qtbot):
    window.pages.show_page(page)
    commands = window.commands()
    mine = [*window.actions(), *getattr(window.pages, page).actions()]
    assert {a.text() for a in mine} <= {a.text() for a in commands}
    dialog = CommandList(commands, window)
    qtbot.addWidget(dialog)
    for action in commands:
        if action.isEnabled():
            dialog._search.setText(action.text())
            shown = [dialog._list.item(n).text() for n in range(dialog._list.count())]
            assert any(text.startswith(action.text()) for text in shown)
