"""What the tests of the Job page share."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtWidgets import QTreeWidget, QTreeWidgetItemIterator, QWidget
from pytestqt.qtbot import QtBot

from logbench.app.job.page import JobPage
from logbench.app.window import MainWindow
from logbench.job.folder import open_job
from logbench.job.model import Job


def on_disk(page: JobPage) -> Job:
    """The job that is open, as it is on disk once saved."""
    assert page.opened is not None
    assert page.opened.flush()
    return open_job(page.opened.folder.path)[1]


def words_of(tree: QTreeWidget) -> str:
    """All rows, a line each."""
    lines = []
    rows = QTreeWidgetItemIterator(tree)
    while (row := rows.value()) is not None:
        lines.append(" ".join(row.text(n) for n in range(tree.columnCount())).strip())
        rows += 1
    return "\n".join(lines)


def new_job(window: MainWindow, folder: Path) -> JobPage:
    """The Job page with a new job in this folder."""
    window.pages.show_page("job")
    window.pages.job.opening.make(folder, "Rough idle")
    assert window.pages.job.opened is not None
    return window.pages.job


def give(qtbot: QtBot, widget: QWidget, text: str) -> None:
    """Type into a field."""
    widget.setFocus()
    qtbot.keyClicks(widget, text)
