"""The Job page: a job is made, edited, saved by itself, read from a car, cleared and reported."""

from __future__ import annotations

import io
import os
import shutil
from pathlib import Path

import pytest
from pypdf import PdfReader
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QAbstractButton, QAbstractSpinBox, QComboBox, QLineEdit, QWidget

from logbench.app.job import reporting
from logbench.app.job.car_actions import GuardDialog, evap_dialog
from logbench.app.job.opening import NewJobDialog
from logbench.app.job.page import OTHERS, PHOTOS, RECORDINGS, RECORDS, TIMELINE, JobPage
from logbench.app.job.reporting import ReportDialog
from logbench.app.window import MainWindow
from logbench.cases.work import Work, only_looks
from logbench.job.folder import JobFolder, open_job
from logbench.job.model import RESTRAINT_CAUTION, Job, JobEvent
from logbench.report.options import ReportOptions
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import EVAP_CAUTIONS, LOSSES, ControlTest
from logbench.vehicle.records.model import (
    CarReading,
    Code,
)
from tests.app.comparing import DRIVES, drop
from tests.app.jobs import give, new_job, on_disk, words_of
from tests.job.hurried import faulty_at_rest

SLOW_MS = 100_000


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> JobPage:
    return new_job(window, tmp_path)


def reading(*codes: Code) -> CarReading:
    answered = {f"{state} codes": ["7E8"] for state in ("stored", "pending", "permanent")}
    return CarReading(
        read_utc="2026-03-01T10:00:00+00:00", complete=True, codes=list(codes), answered=answered
    )


LEAN = Code(code="P0171", state="stored", ecu="7E8", text="System Too Lean")


def test_a_job_is_made_typed_into_and_saved_by_itself(page: JobPage, qtbot):
    fields = page.tabs.story.widgets
    give(qtbot, fields["concern"], "Shakes at idle.")
    give(qtbot, fields["customer.name"], "Ada Example")
    fields["vehicle.displacement_l"].setValue(1.8)
    fields["vehicle.odometer_km"].setValue(84_000)
    page.tabs.story.notes.add_row()
    page.tabs.story.notes.table.item(0, 1).setText("Hissing at the intake.")
    assert page.opened is not None
    path = page.opened.folder.path
    qtbot.waitUntil(lambda: "Hissing" in (path / "job.toml").read_text("utf-8"), timeout=SLOW_MS)
    _, job = open_job(path)
    assert job.concern == "Shakes at idle."
    assert job.customer.name == "Ada Example"
    assert (job.vehicle.displacement_l, job.vehicle.odometer_km) == (1.8, 84_000)
    assert job.vehicle.source("odometer_km") == "stated"
    assert page.state.text() == "saved"


def test_a_new_job_is_asked_for(page: JobPage, tmp_path: Path, qtbot):
    first = page.opened
    page.opening.ask = lambda dialog: False
    page.opening.ask_for_new()
    assert page.opened is first

    def fill(dialog: NewJobDialog) -> bool:
        assert dialog.place.text() == str(tmp_path)  # beside the last one
        assert not dialog.go.isEnabled()
        dialog.place.setText("jobs")  # relative: nobody would know where
        give(qtbot, dialog.title, " Blue van: rough/idle ")
        assert not dialog.go.isEnabled()
        dialog.place.setText(str(tmp_path / "this year"))
        assert dialog.said.text().endswith("this year/Blue van- rough-idle")
        return dialog.go.isEnabled()

    page.opening.ask = fill
    page.opening.ask_for_new()
    assert page.opened is not None
    assert page.opened.folder.path == tmp_path / "this year" / "Blue van- rough-idle"
    assert on_disk(page).title == "Blue van: rough/idle"


def test_work_parts_options_in_their_tables(page: JobPage, qtbot):
    for table in page.tabs.work.tables:
        table.add_row()
    options, work, parts = page.tabs.work.tables
    options.table.item(0, 0).setText("Renew the hose")
    options.table.item(0, 4).setText("agreed")
    work.table.item(0, 1).setText("Hose renewed")
    parts.table.item(0, 0).setText("Hose")
    parts.table.item(0, 2).setText("2,5")
    job = on_disk(page)
    assert (job.options[0].what, job.options[0].agreed) == ("Renew the hose", True)
    assert job.work[0].text == "Hose renewed"
    assert (job.parts[0].name, job.parts[0].quantity) == ("Hose", 2.5)

    parts.table.item(0, 2).setText("many")  # refused: the old value stays, with a sentence
    assert "quantity is not taken" in page.notice.text
    assert parts.table.item(0, 2).text() == "2.5"
    work.table.selectRow(0)
    qtbot.keyClick(work.table, Qt.Key.Key_Delete)
    assert on_disk(page).work == []


def test_the_restraint_caution_comes_with_its_code(page: JobPage):
    page.tabs.show_part(OTHERS)
    table = page.tabs.others.table
    table.add_row()
    table.table.item(0, 0).setText("Airbag")
    table.table.item(0, 1).setText("B1234")
    assert not page.tabs.others.caution.isVisible()
    table.table.item(0, 5).setCheckState(Qt.CheckState.Checked)
    assert page.tabs.others.caution.isVisible()
    assert RESTRAINT_CAUTION in page.tabs.others.caution.text()
    assert on_disk(page).other_codes[0].restraint


def test_somebody_else_changes_the_job(page: JobPage, qtbot):
    assert page.opened is not None
    other, job = open_job(page.opened.folder.path)
    job.concern = "Changed elsewhere."
    other.save(job)
    shown = page.tabs.story.widgets["concern"]
    qtbot.waitUntil(lambda: shown.toPlainText() == "Changed elsewhere.", timeout=SLOW_MS)

    # both change it: nothing is overwritten, mine is kept beside it
    give(qtbot, page.tabs.story.widgets["technician"], "R")
    job.concern = "Changed again."
    other.save(job)
    qtbot.waitUntil(lambda: "nothing was overwritten" in page.notice.text, timeout=SLOW_MS)
    folder = page.opened.folder.path
    assert open_job(folder)[1].concern == "Changed again."
    mine = list(folder.glob("job.mine-*.toml"))
    assert len(mine) == 1
    assert 'technician = "R"' in mine[0].read_text("utf-8")
    page.notice.button.click()
    assert shown.toPlainText() == "Changed again."


def test_dropped_files_are_taken_in(
    page: JobPage, window: MainWindow, drive_file: Path, tmp_path: Path, qtbot
):
    photo, paper = tmp_path / "hose.png", tmp_path / "invoice.txt"
    assert QImage(40, 30, QImage.Format.Format_RGB32).save(str(photo))
    paper.write_text("invented", encoding="utf-8")
    drop(page, photo, paper, drive_file, tmp_path / "gone.jpg")
    qtbot.waitUntil(lambda: bool(page.notice.text), timeout=SLOW_MS)
    assert "3 files added" in page.notice.text
    assert "gone.jpg" in page.notice.text
    job = on_disk(page)
    assert [entry.role for entry in job.recordings] == ["before"]
    assert [entry.file for entry in (*job.photos, *job.files)] == [
        "photos/hose.png",
        "files/invoice.txt",
    ]
    page.tabs.show_part(PHOTOS)
    page.tabs.photos.photos.table.setCurrentCell(0, 0)
    qtbot.waitUntil(lambda: not page.tabs.photos.preview.pixmap().isNull(), timeout=SLOW_MS)

    page.tabs.show_part(TIMELINE)
    qtbot.waitUntil(lambda: page.tabs.timeline.topLevelItemCount() == 5, timeout=SLOW_MS)
    assert "marker rattle" in words_of(page.tabs.timeline)  # put while it was driven
    page.tabs.show_part(RECORDINGS)
    page.tabs.recordings.table.table.setCurrentCell(0, 0)
    qtbot.keyClick(page.tabs.recordings.table.table, Qt.Key.Key_Return)
    assert window.pages.review.isVisible()
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=SLOW_MS)
    assert page.opened is not None
    assert window.pages.review.opened.recording.path.is_relative_to(page.opened.folder.path)


def test_the_newest_drive_is_taken_in(page: JobPage, window: MainWindow, drive_file: Path, qtbot):
    page.tabs.adding.add_newest(page.opened)
    assert "has no recording yet" in page.notice.text
    folder = window.services.settings.folder
    folder.mkdir()
    for number, name in enumerate(("later.parquet", "earlier.parquet")):
        shutil.copy2(drive_file, folder / name)
        os.utime(folder / name, (100 - number, 100 - number))
    page.tabs.adding.add_newest(page.opened)
    qtbot.waitUntil(lambda: "added to the job" in page.notice.text, timeout=SLOW_MS)
    assert [entry.file for entry in on_disk(page).recordings] == ["recordings/later.parquet"]


def test_before_and_after_are_sent_to_compare(
    page: JobPage, window: MainWindow, drive_file: Path, qtbot
):
    assert page.opened is not None
    folder = page.opened.folder

    def add(job):
        folder.add_recording(job, drive_file, "before")
        folder.add_recording(job, drive_file, "after")

    page.opened.edit(add)
    qtbot.mouseClick(page.tabs.recordings.compare_button, Qt.MouseButton.LeftButton)
    assert window.pages.compare.isVisible()
    assert [box.paths[0].name for box in window.pages.compare.sides.boxes.values()] == [
        "drive.parquet",
        "drive-2.parquet",
    ]


def test_a_comparison_of_the_jobs_recordings_is_kept_in_it(
    page: JobPage, window: MainWindow, qtbot
):
    assert page.opened is not None
    folder = page.opened.folder

    def add(job):
        folder.add_recording(job, DRIVES[0], "before")
        folder.add_recording(job, DRIVES[1], "after")

    page.opened.edit(add)
    page.tabs.show_part(RECORDINGS)
    qtbot.mouseClick(page.tabs.recordings.compare_button, Qt.MouseButton.LeftButton)
    kept = "Kept in the job Rough idle"
    qtbot.waitUntil(lambda: kept in window.pages.compare.notice.text, timeout=SLOW_MS)
    (entry,) = on_disk(page).comparisons
    assert entry.before == ["recordings/before.parquet"]
    assert entry.after == ["recordings/after.parquet"]
    assert "Resolved: fuel trim" in entry.sentence
    assert entry.sentence == window.pages.compare.compared.result.summary
    table = page.tabs.recordings.comparisons.table
    assert table.item(0, 1).text() == entry.sentence
    assert [table.item(0, column).text() for column in (3, 4)] == [
        "before.parquet",
        "after.parquet",
    ]

    # from the list back to the Compare page; the other way round is another comparison
    window.pages.show_page("job")
    table.setCurrentCell(0, 0)
    qtbot.keyClick(table, Qt.Key.Key_Return)
    assert window.pages.compare.sides.isVisible()
    first = window.pages.compare.compared
    window.pages.compare.sides.swap()
    window.pages.compare.compare()
    qtbot.waitUntil(lambda: window.pages.compare.compared is not first, timeout=SLOW_MS)
    qtbot.waitUntil(lambda: kept in window.pages.compare.notice.text, timeout=SLOW_MS)
    assert [c.before for c in on_disk(page).comparisons] == [entry.before, entry.after]
    window.pages.show_page("job")
    page.tabs.show_part(TIMELINE)
    rows = page.tabs.timeline
    qtbot.waitUntil(lambda: rows.topLevelItemCount() == 5, timeout=SLOW_MS)
    kinds = [rows.topLevelItem(n).text(1) for n in range(5)]
    assert kinds.count("comparison") == 2

    # recordings that are not the job's leave no trace in it
    window.pages.compare.set_sides(DRIVES[:1], DRIVES[1:])
    second = window.pages.compare.compared
    window.pages.compare.compare()
    qtbot.waitUntil(lambda: window.pages.compare.compared is not second, timeout=SLOW_MS)
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=SLOW_MS)
    assert len(on_disk(page).comparisons) == 2


def test_readings_and_what_changed_between_them(page: JobPage, qtbot):
    assert page.opened is not None
    folder = page.opened.folder

    def add(job):
        folder.add_reading(job, reading(LEAN), "before")
        folder.add_reading(job, reading(), "after")

    page.opened.edit(add)
    page.tabs.show_part(RECORDS)
    records = page.tabs.records
    qtbot.waitUntil(lambda: records.list.count() == 3, timeout=SLOW_MS)
    assert "Stored codes: none" in words_of(records.tree)
    assert "Freeze frames: not reported." in words_of(records.tree)
    records.list.setCurrentRow(0)
    assert "P0171  System Too Lean  7E8" in words_of(records.tree)
    records.list.setCurrentRow(2)
    assert "1 code gone; no monitor changed." in words_of(records.tree)
    assert "before: stored after: none" in words_of(records.tree)

    # a reading that is no longer there costs its own row only
    folder.place(page.opened.job.readings[0].file).unlink()
    page.opened.edit(lambda job: setattr(job.readings[0], "role", "other"))
    qtbot.waitUntil(lambda: "cannot be read" in records.list.item(0).text(), timeout=SLOW_MS)
    assert records.list.count() == 2
    records.list.setCurrentRow(0)
    assert "put the file back" in words_of(records.tree)


def test_nothing_is_cleared_without_tick_and_words(page: JobPage, qtbot):
    asked: list[GuardDialog] = []

    def try_to(dialog: GuardDialog) -> bool:
        asked.append(dialog)
        assert not dialog.go.isEnabled()
        dialog.words.setText(CONSENT)
        assert not dialog.go.isEnabled()
        dialog.tick.setChecked(True)
        assert dialog.go.isEnabled()
        dialog.words.setText(CONSENT.lower())
        assert not dialog.go.isEnabled()
        return False

    page.tabs.records.car.ask = try_to
    page.tabs.records.link.choose("127.0.0.1:9")
    page.tabs.records.clear_button.click()
    assert not page.tabs.records.car.busy
    texts = " ".join(w.text() for w in asked[0].findChildren(QWidget) if hasattr(w, "text"))
    assert all(loss in texts for loss in LOSSES)

    dialog = evap_dialog([ControlTest(ecu="7E8", test_id=1, name="close", startable=True)], page)
    texts = " ".join(w.text() for w in dialog.findChildren(QWidget) if hasattr(w, "text"))
    assert all(caution in texts for caution in EVAP_CAUTIONS)


def test_a_car_that_is_not_there_is_a_sentence(page: JobPage, qtbot):
    page.tabs.records.link.choose("no such thing")
    page.tabs.records.read_button.click()
    assert "is not a link" in page.notice.text
    page.tabs.records.link.choose("127.0.0.1:9")  # the discard port: nothing listens
    page.tabs.records.read_button.click()
    assert page.tabs.records.car.busy
    qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
    assert "127.0.0.1" in page.notice.text
    assert on_disk(page).readings == []


def test_read_and_clear_a_real_car(page: JobPage, qtbot):
    def agree(dialog: GuardDialog) -> bool:
        dialog.tick.setChecked(True)
        dialog.words.setText(CONSENT)
        return dialog.go.isEnabled()

    page.tabs.records.car.ask = agree
    told: list[str] = []
    page._services.runner.changed.append(lambda: told.append(page.work_bar.doing.whole))
    page.tabs.show_part(RECORDS)
    with faulty_at_rest() as url:
        page.tabs.records.link.choose(url)
        page.tabs.records.read_button.click()
        assert not page.tabs.records.clear_button.isEnabled()
        qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
        assert "read and kept: 1 code." in page.notice.text
        assert "Reading trouble codes" in told
        qtbot.waitUntil(lambda: "P0171" in words_of(page.tabs.records.tree), timeout=SLOW_MS)
        assert "Monitor results:" in words_of(page.tabs.records.tree)
        assert "Freeze frame 0 of 7E8, set by P0171" in words_of(page.tabs.records.tree)
        page.tabs.records.clear_button.click()
        qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
        assert "7E8, 7E9 cleared. No stored or pending code is left." in page.notice.text
        assert page.tabs.records.role.currentText() == "after"
        page.tabs.records.read_button.click()
        qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
    qtbot.waitUntil(lambda: page.tabs.records.list.count() == 5, timeout=SLOW_MS)
    page.tabs.records.list.setCurrentRow(4)  # before against after
    words = words_of(page.tabs.records.tree)
    assert "1 code no longer stored, but permanent until its own monitor has passed" in words
    assert "monitors reset and not run again yet." in words
    assert "before: stored, pending, permanent after: permanent" in words
    assert "Monitors reset" in words
    job = on_disk(page)
    assert [entry.role for entry in job.readings] == ["before", "before", "other", "after"]
    assert [event.kind for event in job.events] == ["codes cleared"]
    assert job.vehicle.source("odometer_km") == "read"


def test_the_report_is_written_with_rewritten_sentences(page: JobPage, qtbot):
    assert page.opened is not None
    folder: JobFolder = page.opened.folder
    page.opened.edit(lambda job: folder.add_reading(job, reading(LEAN), "before"))
    page.opened.edit(lambda job: setattr(job, "concern", "Shakes at idle."))
    shown: list[ReportDialog] = []

    def choose(dialog: ReportDialog) -> bool:
        shown.append(dialog)
        qtbot.waitUntil(lambda: dialog.sentences.rowCount() > 0, timeout=SLOW_MS)
        dialog.sentences.item(0, 1).setText("In plain words: it draws false air.")
        dialog.paper.setCurrentText("US letter")
        dialog.shop.setPlainText("Example Garage\n1 Invented Road")
        dialog.sections["methods"].setChecked(False)
        return True

    page.reporting.show = choose
    page.ask_for_report()
    qtbot.waitUntil(lambda: "Report written" in page.notice.text, timeout=SLOW_MS)
    pages = PdfReader(io.BytesIO((folder.path / "report.pdf").read_bytes())).pages
    assert [round(float(side)) for side in pages[0].mediabox[2:]] == [612, 792]  # US letter, points
    text = " ".join(" ".join(p.extract_text().split()) for p in pages)
    for part in ("Shakes at idle.", "P0171", "it draws false air", "Example Garage"):
        assert part in text, part
    assert on_disk(page).sentences
    assert page.notice.button.text() == "Open the report"
    again = ReportDialog(page._services.settings, folder.path, page)
    assert again.shop.toPlainText() == "Example Garage\n1 Invented Road"


def test_the_reports_sentences_follow_its_units_until_one_is_rewritten(
    page: JobPage, qtbot, monkeypatch: pytest.MonkeyPatch
):
    @only_looks
    def made(work: Work, folder: JobFolder, job: Job, options: ReportOptions) -> dict[str, str]:
        return {"found: heat": "at 194 °F" if options.units == "us" else "at 90 °C"}

    monkeypatch.setattr(reporting, "make_sentences", made)

    def sentence(dialog: ReportDialog) -> str:
        item = dialog.sentences.item(0, 1)
        return "" if item is None else item.text()

    def choose(dialog: ReportDialog) -> bool:
        for index, text in ((0, "at 90 °C"), (1, "at 194 °F")):
            dialog.units.setCurrentIndex(index)
            dialog.units.activated.emit(index)
            qtbot.waitUntil(lambda text=text: sentence(dialog) == text, timeout=SLOW_MS)
        dialog.sentences.item(0, 1).setText("It runs hot.")
        dialog.units.setCurrentIndex(0)
        dialog.units.activated.emit(0)
        assert dialog.rewritten() == {"found: heat": "It runs hot."}
        return False

    page.reporting.show = choose
    page.ask_for_report()


def test_closing_the_window_saves(window: MainWindow, page: JobPage, qtbot):
    assert page.opened is not None
    path = page.opened.folder.path
    event = JobEvent(kind="seen", text="typed just before closing")
    page.opened.edit(lambda job: job.events.append(event))
    window.close()
    qtbot.waitUntil(lambda: not window.isVisible())
    assert open_job(path)[1].events[0].text == "typed just before closing"


def test_a_damaged_job_is_a_sentence(page: JobPage, tmp_path: Path):
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "job.toml").write_text("concern = [", encoding="utf-8")
    assert not page.open_path(bad)
    assert "job.toml" in page.notice.text
    assert page.opened is not None


def test_everything_has_a_name_a_key_and_fits(window: MainWindow, page: JobPage):
    kinds = (QAbstractButton, QComboBox, QAbstractSpinBox, QLineEdit)
    for number in range(page.tabs.count()):
        page.tabs.show_part(number)
        area = page.tabs.currentWidget()
        assert area.widget().minimumSizeHint().width() <= area.viewport().width(), number
        for widget in page.tabs.currentWidget().findChildren(QWidget):
            if widget.objectName().startswith("qt_"):
                continue  # a part of a Qt widget that has a name
            if isinstance(widget, kinds) and not isinstance(widget.parent(), kinds):
                assert widget.accessibleName() or getattr(widget, "text", str)(), widget
    titles = [action.text() for action in window.commands()]
    assert len(set(titles)) == len(titles)
    keys = [action.shortcut().toString() for action in window.commands()]
    assert all(keys)
    assert len(set(keys)) == len(keys)
