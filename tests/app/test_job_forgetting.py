"""A customer deleted from the Job page: shown first, then gone, and the page has no job."""

from __future__ import annotations

from pathlib import Path

from logbench.app.job.forgetting import ForgetDialog
from logbench.app.window import MainWindow
from tests.app.jobs import new_job


def test_a_customer_is_deleted_after_all_that_goes_was_shown(
    window: MainWindow, tmp_path: Path, qtbot
):
    page = new_job(window, tmp_path)
    folder = page.opened.folder.path
    drive = Path("recordings/before.parquet").resolve()
    other = page.opened.folder.add_photo(page.opened.snapshot(), drive)
    shown: list[str] = []

    def refuse(dialog: ForgetDialog) -> bool:
        shown.append(dialog.going.toPlainText())
        return False

    page.forgetting.show = refuse
    page.forgetting.ask(page.opened)
    qtbot.waitUntil(lambda: bool(shown), timeout=20_000)
    assert str(folder) in shown[0]
    assert (folder / other.file).exists()
    assert page.opened is not None
    page.forgetting.show = lambda dialog: dialog.answers.leave.isDefault()
    page.forgetting.ask(page.opened)
    qtbot.waitUntil(lambda: not folder.exists(), timeout=20_000)
    qtbot.waitUntil(lambda: "Out of reach" in page.notice.text, timeout=20_000)
    assert page.opened is None
    assert page.empty.isVisibleTo(page)
    assert window.pages.job._services.settings.last_job is None
