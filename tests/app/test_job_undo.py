"""The Job page: what was typed or removed comes back."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from logbench.app.job.page import WORK, JobPage
from logbench.app.window import MainWindow
from tests.app.jobs import give, new_job, on_disk


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> JobPage:
    return new_job(window, tmp_path)


def test_what_del_took_from_work_done_comes_back(page: JobPage, qtbot: QtBot):
    """Del erased the text and saved it at once."""
    work = page.tabs.work.tables[1]
    page.tabs.show_part(WORK)
    work.add_row()
    work.table.item(0, 1).setText("Hose renewed")
    work.table.clearFocus()
    work.table.setFocus()
    work.table.selectRow(0)
    qtbot.keyClick(work.table, Qt.Key.Key_Delete)
    assert on_disk(page).work == []
    assert page.notice.text == "●  Removed from work done."
    page.notice.button.click()
    assert [note.text for note in on_disk(page).work] == ["Hose renewed"]
    assert work.table.item(0, 1).text() == "Hose renewed"
    assert page.notice.text == "●  Undone: remove the chosen rows of work done."
    qtbot.keyClick(work.table, Qt.Key.Key_Y, Qt.KeyboardModifier.ControlModifier)
    qtbot.keyClick(work.table, Qt.Key.Key_Home)  # Ctrl is let go, for the tests that follow
    assert on_disk(page).work == []


def test_ctrl_z_in_a_field_is_the_jobs(page: JobPage, qtbot: QtBot):
    fields = page.tabs.story.widgets
    give(qtbot, fields["customer.name"], "Ada")
    give(qtbot, fields["concern"], "Shakes")
    for field in ("concern", "customer.name"):
        qtbot.keyClick(fields["concern"], Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
        assert "undone" in page.notice.text.lower(), field
    qtbot.keyClick(fields["concern"], Qt.Key.Key_Home)  # Ctrl is let go
    job = on_disk(page)
    assert (job.concern, job.customer.name) == ("", "")
    give(qtbot, fields["title"], " again")
    assert page.opened is not None
    page.opened.undo()
    assert page.opened.owner.name == page.title.whole == "Rough idle"
    assert fields["concern"].toPlainText() == ""
    assert fields["customer.name"].text() == ""
