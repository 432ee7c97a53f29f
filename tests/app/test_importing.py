"""Other programs' files dropped on any page: confirmed, imported, used where they were dropped."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from PySide6.QtWidgets import QFileDialog, QWidget

from logbench.app.compare.sides import AFTER
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings
from logbench.importing.formats import suffixes
from logbench.importing.run import is_foreign
from tests.app.comparing import drop

FRAME = pd.DataFrame(
    {
        "Time (s)": [n / 10 for n in range(600)],
        "Engine RPM (rpm)": [800.0 + n for n in range(600)],
        "Coolant temperature (C)": [90.0] * 600,
    }
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "other program.csv"
    FRAME.to_csv(path, index=False)
    return path


@pytest.fixture
def asking(window: MainWindow, tmp_path: Path) -> MainWindow:
    window.importing.importer._memory = tmp_path / "mappings"
    return window


def answer(window: MainWindow, qtbot, accept: bool = True) -> None:
    importer = window.importing.importer
    qtbot.waitUntil(lambda: importer.dialog is not None, timeout=20_000)
    assert importer.dialog is not None
    assert importer.dialog.isVisible()
    (importer.dialog.accept if accept else importer.dialog.reject)()
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)


def test_dropped_on_live_it_is_confirmed_imported_and_opened(
    asking: MainWindow, settings: Settings, log: Path, qtbot
):
    drop(asking, log)
    answer(asking, qtbot)
    qtbot.waitUntil(lambda: asking.pages.review.opened is not None, timeout=20_000)
    assert asking.pages.review.isVisible()
    opened = asking.pages.review.opened
    assert opened is not None
    assert opened.recording.path is not None
    assert opened.recording.path.parent == settings.folder
    assert opened.recording.trace("RPM").value[-1] == 1399.0
    assert "1 recording from 1 file" in asking.importing.notice.text


def test_left_out_nothing_is_imported_or_opened(
    asking: MainWindow, settings: Settings, log: Path, qtbot
):
    drop(asking, log)
    answer(asking, qtbot, accept=False)
    assert asking.live.isVisible()
    assert not settings.folder.exists() or not list(settings.folder.glob("*.parquet"))


def test_opened_by_name_a_table_of_another_program_is_imported_too(
    asking: MainWindow, tmp_path: Path, qtbot
):
    table = tmp_path / "table.parquet"
    FRAME.to_parquet(table, index=False)
    asking.pages.open_recordings([table])
    answer(asking, qtbot)
    qtbot.waitUntil(lambda: asking.pages.review.opened is not None, timeout=20_000)
    assert not asking.pages.review.notice.text


def test_dropped_on_a_side_of_compare_it_is_on_that_side(asking: MainWindow, log: Path, qtbot):
    asking.pages.show_page("compare")
    drop(asking.pages.compare.sides.boxes[AFTER], log)
    answer(asking, qtbot)
    qtbot.waitUntil(lambda: len(asking.pages.compare.sides.boxes[AFTER].paths) == 1)
    assert asking.pages.compare.sides.boxes[AFTER].paths[0].suffix == ".parquet"


def test_dropped_on_a_job_the_recording_is_taken_in_and_a_paper_is_kept(
    asking: MainWindow, log: Path, drive_file: Path, tmp_path: Path, qtbot
):
    from logbench.job.folder import create_job

    folder, _ = create_job(tmp_path, "car")
    paper = tmp_path / "what the owner said.txt"
    paper.write_text("It stalls.")
    asking.pages.show_page("job")
    asking.pages.job.open_path(folder.path)
    qtbot.waitUntil(lambda: asking.pages.job.opened is not None, timeout=20_000)
    drop(asking.pages.job, log, paper, drive_file)
    answer(asking, qtbot)
    opened = asking.pages.job.opened
    assert opened is not None
    qtbot.waitUntil(lambda: len(opened.job.recordings) == 2, timeout=20_000)
    assert [Path(f.file).suffix for f in opened.job.files] == [".txt"]


def test_a_file_that_cannot_be_understood_is_a_sentence(asking: MainWindow, tmp_path: Path, qtbot):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"\0\1\2")
    drop(asking, bad)
    qtbot.waitUntil(lambda: "bad.csv" in asking.importing.notice.text, timeout=20_000)
    page: QWidget = asking.live
    assert page.isVisible()


def test_every_format_can_be_picked(asking: MainWindow, monkeypatch):
    filters: list[str] = []

    def pick(_parent: object, _title: str, _folder: str, kinds: str) -> tuple[list[str], str]:
        filters.append(kinds)
        return [], ""

    monkeypatch.setattr(QFileDialog, "getOpenFileNames", pick)
    action = next(a for a in asking.pages.archive.actions() if a.text() == "Import other files")
    action.trigger()
    (kinds,) = filters
    offered = kinds.partition("(")[2].partition(")")[0].split()
    assert offered == [f"*{suffix}" for suffix in suffixes()]


def test_what_is_foreign(drive_file: Path, log: Path, tmp_path: Path):
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(drive_file.read_bytes()[:3000])
    table = tmp_path / "table.parquet"
    FRAME.to_parquet(table)
    found = [is_foreign(p) for p in (log, table, drive_file, cut, tmp_path, tmp_path / "none.csv")]
    assert found == [True, True, False, False, False, False]
