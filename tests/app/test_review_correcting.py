"""Car and date of the recording shown are put right in the real window; its file stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.app.review.correcting import CorrectDialog
from logbench.app.window import MainWindow
from logbench.importing.run import import_file
from logbench.recording.corrections import STARTED
from logbench.recording.reader import open_recording

ROWS = "".join(f"2026-03-01 09:00:{k:02d},{700 + k},{20 + k}\n" for k in range(50))


@pytest.fixture
def trip(tmp_path: Path) -> Path:
    """An imported recording."""
    (tmp_path / "trip.csv").write_text(f"time,rpm,ECT (degC)\n{ROWS}")
    (path,) = import_file(tmp_path / "trip.csv", tmp_path, memory=tmp_path).made
    return path


@pytest.fixture
def dialog(window: MainWindow, trip: Path, qtbot) -> CorrectDialog:
    """Asked for with its command."""
    return asked(window, trip, qtbot)


def asked(window: MainWindow, path: Path, qtbot) -> CorrectDialog:
    window.pages.open_recordings([path])
    review = window.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=20_000)
    next(a for a in review.actions() if a.text() == "Correct car and date").trigger()
    assert review.correcting.dialog is not None
    return review.correcting.dialog


def test_what_is_typed_over_is_corrected_and_shown(
    window: MainWindow, dialog: CorrectDialog, trip: Path, qtbot
):
    before = trip.read_bytes()
    assert dialog.texts[STARTED].text() == "2026-03-01T09:00:00"
    dialog.texts["label"].setText("blue van")
    dialog.texts[STARTED].setText("2026-04-01 08:00+02:00")
    dialog.numbers["displacement_l"].setText("1,9")
    dialog.numbers["cylinders"].setText("4")
    dialog.accept()

    def shown() -> str:
        opened = window.pages.review.opened
        return "" if opened is None else opened.recording.facts.vehicle.label

    qtbot.waitUntil(lambda: shown() == "blue van", timeout=20_000)
    facts = open_recording(trip).facts
    assert (facts.vehicle.displacement_l, facts.vehicle.cylinders) == (1.9, 4)
    assert facts.started_utc == "2026-04-01T06:00:00+00:00"
    assert trip.read_bytes() == before


def test_taken_back_it_is_as_recorded(window: MainWindow, dialog: CorrectDialog, trip, qtbot):
    assert not dialog.back.isEnabled()
    dialog.texts["label"].setText("blue van")
    dialog.accept()
    qtbot.waitUntil(lambda: open_recording(trip).facts.corrected == "label", timeout=20_000)
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)
    again = asked(window, trip, qtbot)
    assert "Corrected earlier: label." in again.said.text()
    again.back.setChecked(True)
    again.accept()
    qtbot.waitUntil(lambda: open_recording(trip).facts.corrected == "", timeout=20_000)


@pytest.mark.parametrize(("fact", "text"), [(STARTED, "yesterday"), ("displacement_l", "99")])
def test_what_cannot_be_is_said_and_nothing_is_written(
    window: MainWindow, dialog: CorrectDialog, trip: Path, fact: str, text: str
):
    (dialog.texts | dialog.numbers)[fact].setText(text)
    dialog.accept()
    assert f"'{text}'" in window.pages.review.notice.text
    assert open_recording(trip).facts.corrections == []


def test_nothing_typed_nothing_corrected(dialog: CorrectDialog, trip: Path):
    assert dialog.changes() == {}
    dialog.accept()
    assert open_recording(trip).facts.corrections == []


def test_the_start_of_a_drive_recorded_here_stays(window: MainWindow, drive_file: Path, qtbot):
    facts = open_recording(drive_file).facts
    assert asked(window, drive_file, qtbot).texts[STARTED].isEnabled() is not bool(facts.started)


def test_without_a_recording_it_says_so(window: MainWindow):
    window.pages.review.correcting.ask()
    assert "Open a recording first" in window.pages.review.notice.text
