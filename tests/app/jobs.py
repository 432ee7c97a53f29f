"""What the tests of the Job page share."""

from __future__ import annotations

from PySide6.QtWidgets import QTreeWidget, QTreeWidgetItemIterator

from logbench.app.job.page import JobPage
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
