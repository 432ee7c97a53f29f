"""Long work on an archive and imports: with the page left, another archive opened or the window
closed, nothing is lost, and what came of it is said."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt

import logbench
from logbench.app.archive.page import ArchivePage
from logbench.app.window import MainWindow
from logbench.cases import archive as archive_cases
from logbench.cases import importing as importing_cases
from logbench.cases.settings import Settings
from tests.app.test_archive_page import CSV, listed, settled, until
from tests.app.test_owners_review import Held
from tests.archive.conftest import make


@pytest.fixture
def hold(monkeypatch) -> Iterator[Callable[[Any], Held]]:
    held: list[Held] = []

    def begin(kind: Any) -> Held:
        held.append(Held(kind, monkeypatch))
        return held[-1]

    yield begin
    for one in held:
        one.may_go.set()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    make(folder / "van/a.parquet", started="2026-01-10T10:00:00+00:00")
    make(folder / "van/b.parquet", started="2026-02-10T10:00:00+00:00")
    return folder


@pytest.fixture
def page(window: MainWindow, root: Path, tmp_path: Path, qtbot) -> ArchivePage:
    made = ArchivePage(window.services, tmp_path / "cache", tmp_path / "memory")
    made.processes = 1
    window.pages.put("archive", made)
    window.pages.show_page("archive")
    made.open_place(str(root))
    until(qtbot, lambda: made.listed is not None and settled(made))
    return made


def test_a_sweep_goes_on_when_the_page_is_left_and_says_so_there(
    page: ArchivePage, window: MainWindow, hold, qtbot
):
    checks = hold(archive_cases.RunChecks)
    page.sweep()
    until(qtbot, checks.entered.is_set)
    window.pages.show_page("live")
    checks.may_go.set()
    until(qtbot, lambda: "checked, " in page.notice.text)
    assert page.notice.isVisible()
    assert not page.isVisible()
    assert page.archive is not None
    assert page.archive.pending() == []


def test_details_of_the_archive_before_are_not_shown(
    page: ArchivePage, tmp_path: Path, hold, qtbot
):
    other = tmp_path / "other"
    make(other / "hatch/x.parquet", car="hatch")
    page.body.table.choose("van/b.parquet")  # so that choosing the other one is a change
    until(qtbot, lambda: settled(page) and not page._details_soon.isActive())
    qtbot.keyPress(page, Qt.Key.Key_Shift, Qt.KeyboardModifier.ShiftModifier)  # held meanwhile
    reading = hold(archive_cases.show_recording)
    page.body.table.choose("van/a.parquet")
    qtbot.keyRelease(page, Qt.Key.Key_Shift)
    until(qtbot, reading.entered.is_set)
    shown: list[str] = []
    show = page.body.details.show_details
    page.body.details.show_details = (  # type: ignore[method-assign]
        lambda details: (shown.append(details.recording if details else ""), show(details))
    )
    page.open_place(str(other))
    until(qtbot, lambda: listed(page) == ["hatch/x.parquet"])
    reading.may_go.set()
    until(qtbot, lambda: settled(page) and "hatch/x.parquet" in shown)
    assert "van/a.parquet" not in shown


def test_adding_is_finished_file_by_file_when_the_window_is_closed(
    page: ArchivePage, window: MainWindow, root: Path, tmp_path: Path, hold, qtbot
):
    new = make(tmp_path / "new.parquet", car="estate", started="2026-05-01T00:00:00+00:00")
    adding = hold(archive_cases.AddRecordings)
    page.add_paths([new])
    until(qtbot, adding.entered.is_set)
    threading.Timer(0.2, adding.may_go.set).start()
    window.close()
    assert adding.left.is_set()
    added = sorted(root.rglob("*.parquet"))
    assert [p for p in added if not logbench.open(p).intact()] == []
    assert not list(root.rglob("*.part"))


def test_an_import_ends_with_whole_files_when_the_window_is_closed(
    window: MainWindow, settings: Settings, tmp_path: Path, qtbot, monkeypatch
):
    """The first of two files is being read as the window closes: nothing is left half, and what was
    not whole is as if it had not been asked for."""
    (tmp_path / "in").mkdir()
    for name in ("one.csv", "two.csv"):
        (tmp_path / "in" / name).write_text(CSV)
    entered, may_go = threading.Event(), threading.Event()
    from logbench.importing import run

    real = run.import_file

    def slow(*arguments: Any) -> Any:
        entered.set()
        assert may_go.wait(30)
        return real(*arguments)

    monkeypatch.setattr(run, "import_file", slow)
    importing = window.importing
    importing.importer._memory = tmp_path / "memory"
    importing.importer.start(settings.folder, [tmp_path / "in"])
    until(qtbot, lambda: importing.importer.dialog is not None)
    assert importing.importer.dialog is not None
    importing.importer.dialog.accept()
    until(qtbot, entered.is_set)
    threading.Timer(0.2, may_go.set).start()
    window.close()
    made = sorted(settings.folder.glob("*.parquet"))
    assert [p for p in made if not logbench.open(p).intact()] == []
    assert "two.parquet" not in [p.name for p in made]
    assert not list(settings.folder.glob(".*"))


def test_an_import_is_used_where_it_was_asked_for_and_said_on_any_page(
    window: MainWindow, settings: Settings, tmp_path: Path, hold, qtbot
):
    log = tmp_path / "log.csv"
    log.write_text(CSV)
    importing = hold(importing_cases.ImportFiles)
    window.importing.importer._memory = tmp_path / "memory"
    taken: list[list[Path]] = []
    window.importing.take([log], taken.append)
    until(qtbot, lambda: window.importing.importer.dialog is not None)
    assert window.importing.importer.dialog is not None
    window.importing.importer.dialog.accept()
    until(qtbot, importing.entered.is_set)
    window.pages.show_page("review")
    importing.may_go.set()
    until(qtbot, lambda: bool(taken))
    assert [path.parent for path in taken[0]] == [settings.folder]
    assert "1 recording from 1 file" in window.importing.notice.text
    assert window.importing.notice.isVisible()
