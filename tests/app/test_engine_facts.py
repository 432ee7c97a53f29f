"""What engine a drive shows: in the job of its car, where it is corrected, and in Review."""

from __future__ import annotations

from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.app.few_values import FewValues
from logbench.app.window import MainWindow
from logbench.cases.job import AddFiles
from logbench.cases.work import run_here
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording
from tests.analysis.diesel import diesel_drive
from tests.app.jobs import new_job, on_disk


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    recording = diesel_drive(signals="RPM VSS MAP MAF TP ECT IAT LOAD_PCT BARO")
    return write_recording(tmp_path / "drive.parquet", recording.traces(), recording.facts)


def choose(box: FewValues, text: str) -> None:
    """As a person does."""
    box.setCurrentIndex(box.findText(text))
    box.activated.emit(box.currentIndex())


def test_a_job_learns_the_engine_and_a_person_corrects_it(
    window: MainWindow, qtbot: QtBot, tmp_path: Path, drive: Path
):
    page = new_job(window, tmp_path)
    folder = page.opened.folder.path
    add = AddFiles(window.pages.job._services.job_store, folder, (drive,), "other")
    run_here(add)
    page.tabs.refresh()
    story = page.tabs.story
    assert story.widgets["vehicle.fuel"].text() == "diesel"
    assert story.widgets["vehicle.metering"].currentText() == "both"
    assert story.widgets["vehicle.turbo"].currentText() == "yes"
    assert story.widgets["vehicle.stop_start"].currentText() == "unknown"
    shown = story.worked_out.text()
    assert "Fuel: 9" in shown
    assert "no flap throttles its idle" in shown

    choose(story.widgets["vehicle.metering"], "air-flow sensor")
    choose(story.widgets["vehicle.turbo"], "no")
    choose(story.widgets["vehicle.stop_start"], "yes")
    story.widgets["vehicle.fuel"].setFocus()
    story.widgets["vehicle.fuel"].selectAll()
    qtbot.keyClicks(story.widgets["vehicle.fuel"], "gasoline")
    car = on_disk(page).vehicle
    facts = ("fuel", "metering", "turbo", "stop_start")
    assert [getattr(car, fact) for fact in facts] == ["gasoline", "air-flow sensor", False, True]
    assert {car.source(fact) for fact in facts} == {"stated"}
    page.tabs.refresh()
    assert "Fuel" not in story.worked_out.text()

    run_here(add)
    assert [getattr(on_disk(page).vehicle, fact) for fact in facts] == [
        "gasoline",
        "air-flow sensor",
        False,
        True,
    ]
    choose(story.widgets["vehicle.turbo"], "unknown")
    assert on_disk(page).vehicle.turbo is None


def test_review_says_what_engine_it_is(window: MainWindow, qtbot: QtBot, drive: Path):
    window.pages.show_page("review")
    review = window.pages.review
    review.open_path(drive)
    qtbot.waitUntil(lambda: bool(review.findings.findings), timeout=30_000)
    text = review.findings.detail.toPlainText()
    assert "probably a compression-ignition engine (9" in text
    assert "Correct car and date" in text


def test_review_corrects_it_beside_the_recording(window: MainWindow, qtbot: QtBot, drive: Path):
    window.pages.show_page("review")
    review = window.pages.review
    review.open_path(drive)
    qtbot.waitUntil(lambda: bool(review.findings.findings), timeout=30_000)
    review.correcting.ask()
    dialog = review.correcting.dialog
    assert dialog.few["turbo"].currentText() == "unknown"
    choose(dialog.few["turbo"], "no")
    choose(dialog.few["metering"], "air-flow sensor")
    dialog.texts["fuel"].setText("gasoline")
    assert dialog.changes() == {"fuel": "gasoline", "turbo": False, "metering": "air-flow sensor"}
    dialog.accept()
    stated = "a spark-ignition engine (as stated)"
    qtbot.waitUntil(lambda: stated in review.findings.detail.toPlainText(), timeout=30_000)
    assert open_recording(drive).facts.vehicle.source("turbo") == "stated"
    review.correcting.ask()
    assert review.correcting.dialog.few["turbo"].currentText() == "no"
    choose(review.correcting.dialog.few["turbo"], "unknown")
    assert review.correcting.dialog.changes() == {"turbo": None}
    review.correcting.dialog.reject()
