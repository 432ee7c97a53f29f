"""The file for third parties, written from the window."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from logbench.app.job.page import JobPage
from logbench.app.job.reporting import ExportDialog, ReportDialog
from logbench.app.window import MainWindow
from logbench.cases import handover
from logbench.errors import StorageError
from logbench.job.folder import JobFolder
from logbench.job.seal import seal_of
from tests.job.sealed import sealed_job

SLOW_MS = 60_000


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> JobPage:
    window.pages.show_page("job")
    page = window.pages.job
    assert page.open_path(sealed_job(tmp_path).path)
    return page


def export(page: JobPage, qtbot, *, short: bool, said: str) -> None:
    def choose(dialog: ReportDialog) -> bool:
        assert isinstance(dialog, ExportDialog)
        dialog.shop.setPlainText("Example Garage")
        dialog.private.setChecked(short)
        assert dialog.shop.isEnabled()
        return True

    page.reporting.show = choose
    page.ask_for_export()
    qtbot.waitUntil(lambda: said in page.notice.text, timeout=SLOW_MS)


@pytest.mark.parametrize("short", [False, True])
def test_a_job_is_packed_from_the_window(page: JobPage, short: bool, tmp_path: Path, qtbot):
    assert page.opened is not None
    home = page.opened.folder.path
    export(page, qtbot, short=short, said="Written to")
    assert "Sealed since" in page.notice.text
    with zipfile.ZipFile(home / "export.zip") as file:
        file.extractall(tmp_path / "out")
    assert seal_of(JobFolder(tmp_path / "out" / "job")).state == "sealed"
    text = (tmp_path / "out" / "job" / "job.toml").read_text("utf-8")
    assert ("Ada Example" in text) is not short
    again = ExportDialog(page._services.settings, home, page)
    assert again.path.name == "export-2.zip"  # what is there stays


def test_an_export_that_fails_leaves_no_part_of_itself(
    page: JobPage, qtbot, monkeypatch: pytest.MonkeyPatch
):
    def fail(*_: object) -> None:
        raise StorageError("the disk is full")

    monkeypatch.setattr(handover, "_pack", fail)
    export(page, qtbot, short=False, said="the disk is full")
    assert page.opened is not None
    assert not [p for p in page.opened.folder.path.rglob("*") if "export" in p.name]
