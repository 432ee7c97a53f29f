"""The import dialog shows what would come out while the way of reading is edited."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.app.archive.import_dialog import RANGE, READ, SIGNAL, ImportDialog
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings

TRIPS = "who,time,rpm,odd thing\n" + "".join(
    f"{'ab'[k // 40]}b,2026-03-01 09:{k // 60:02d}:{k % 60:02d},{700 + k},{20 + k}\n"
    for k in range(80)
)


@pytest.fixture
def dialog(window: MainWindow, tmp_path: Path, qtbot) -> ImportDialog:
    """Of a log of two cars whose column is not known by its name."""
    importer = window.importing.importer
    importer._memory = tmp_path / "mappings"
    (tmp_path / "in").mkdir()
    (tmp_path / "in/trips.csv").write_text(TRIPS)
    window.importing.take([tmp_path / "in/trips.csv"], list)
    qtbot.waitUntil(lambda: importer.dialog is not None, timeout=20_000)
    assert importer.dialog is not None
    return importer.dialog


def shown(dialog: ImportDialog) -> list[list[str]]:
    """The cells of the drives."""
    table = dialog.outcome.drives
    columns = range(table.columnCount())
    return [[table.item(row, c).text() for c in columns] for row in range(table.rowCount())]


def cell(dialog: ImportDialog, name: str, place: int) -> str:
    """What stands beside a column of the file."""
    row = [column.column for column in dialog.mapping.columns].index(name)
    item = dialog.columns.item(row, place)
    return item.text() if item is not None else ""


def settled(dialog: ImportDialog, qtbot) -> None:
    """What would come out of the present mapping is shown."""
    qtbot.waitUntil(dialog.outcome.drives.isEnabled, timeout=20_000)


def correct(dialog: ImportDialog, name: str, signal: str) -> None:
    row = [column.column for column in dialog.mapping.columns].index(name)
    dialog.line(row, SIGNAL).setText(signal)
    dialog.line(row, SIGNAL).editingFinished.emit()


def test_drives_rates_and_ranges_are_shown_before_anything_is_imported(
    dialog: ImportDialog, settings: Settings, qtbot
):
    settled(dialog, qtbot)
    assert shown(dialog) == [["1", "2026-03-01 09:00 local", "1:19", "not named", "1", "80", ""]]
    assert (cell(dialog, "rpm", READ), cell(dialog, "rpm", RANGE)) == ("1 Hz", "700 to 779 rpm")
    assert not settings.folder.exists() or not list(settings.folder.glob("*.parquet"))


def test_a_correction_is_worked_out_anew(dialog: ImportDialog, qtbot):
    settled(dialog, qtbot)
    correct(dialog, "odd thing", "ECT")
    assert not dialog.outcome.drives.isEnabled()
    settled(dialog, qtbot)
    assert shown(dialog)[0][4:6] == ["2", "160"]
    assert cell(dialog, "odd thing", RANGE) == "20 to 99 degC"
    correct(dialog, "odd thing", "")
    settled(dialog, qtbot)
    assert cell(dialog, "odd thing", RANGE) == ""


def test_a_column_of_cars_is_chosen_by_hand(dialog: ImportDialog, qtbot):
    settled(dialog, qtbot)
    box = dialog.roles["car"]
    box.setCurrentIndex(box.findText("who"))
    box.activated.emit(box.currentIndex())
    settled(dialog, qtbot)
    assert [row[3] for row in shown(dialog)] == ["ab", "bb"]
    assert dialog.mapping.split.car == 0
    assert "as you said" not in dialog.said.text()  # of the time nothing was said


def test_a_date_in_a_column_of_its_own_survives_another_choice(dialog: ImportDialog, qtbot):
    dialog.mapping.time.places = [0, 1]
    dialog.decimal.activated.emit(0)
    assert dialog.mapping.time.places == [0, 1]


def test_nonsense_cannot_be_imported(dialog: ImportDialog, qtbot):
    settled(dialog, qtbot)
    correct(dialog, "rpm", "")
    correct(dialog, "odd thing", "FIZZ")
    settled(dialog, qtbot)
    assert "known signal" in dialog.said.text()
    assert not dialog.import_button.isEnabled()
    assert shown(dialog) == []
    correct(dialog, "rpm", "RPM")
    assert dialog.import_button.isEnabled()


def test_what_is_implausible_is_told(dialog: ImportDialog, qtbot):
    settled(dialog, qtbot)
    correct(dialog, "odd thing", "VPWR")
    settled(dialog, qtbot)
    assert "VPWR of" in shown(dialog)[0][-1]


def test_changes_in_quick_succession_are_worked_out_once(
    dialog: ImportDialog, window: MainWindow, qtbot
):
    settled(dialog, qtbot)
    asked: list[object] = []
    dialog.outcome_wanted.connect(lambda: asked.append(None))
    for signal in ("ECT", "IAT", "AAT", "ECT"):
        correct(dialog, "odd thing", signal)
    settled(dialog, qtbot)
    assert len(asked) == 1
    dialog.outcome_wanted.emit()
    dialog.reject()  # what is under way has nobody to show it to
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)


def test_left_while_it_is_being_worked_out(dialog: ImportDialog, window: MainWindow, qtbot):
    dialog.outcome_wanted.emit()
    dialog.reject()
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)
    assert window.importing.importer.dialog is None
