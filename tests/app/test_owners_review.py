"""Whose answers are whose on the Review page: with answers that come late, none is lost, and none
is shown with another recording."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt

from logbench.app.review.page import ReviewPage
from logbench.app.window import MainWindow
from logbench.cases import recording as recording_cases
from logbench.cases import review as review_cases
from logbench.cases.work import Question
from logbench.plot.trace import SECOND
from logbench.recording.notes import read_notes


class Held:
    """A case's `run` that waits to be let go, once in each thread that enters it."""

    def __init__(self, kind: Any, monkeypatch: pytest.MonkeyPatch) -> None:
        self.entered, self.may_go, self.left = (threading.Event() for _ in range(3))
        owner = kind if isinstance(kind, type) else Question
        real = owner.run

        def run(case: Any, work: Any) -> Any:
            if owner is Question and case.function is not kind.__wrapped__:
                return real(case, work)
            self.entered.set()
            assert self.may_go.wait(30)
            try:
                return real(case, work)
            finally:
                self.left.set()

        monkeypatch.setattr(owner, "run", run)


@pytest.fixture
def hold(monkeypatch) -> Iterator[Callable[[Any], Held]]:
    held: list[Held] = []

    def make(kind: Any) -> Held:
        held.append(Held(kind, monkeypatch))
        return held[-1]

    yield make
    for one in held:
        one.may_go.set()


@pytest.fixture
def other_file(drive_file: Path, tmp_path: Path) -> Path:
    path = tmp_path / "other.parquet"
    path.write_bytes(drive_file.read_bytes())
    return path


def quiet(window: MainWindow, qtbot) -> None:
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)
    qtbot.wait(50)  # what crossed over is heard


def shown(review: ReviewPage) -> Path | None:
    return None if review.opened is None else review.opened.recording.path


def test_a_damaged_file_does_not_cancel_the_checking_of_the_drive_that_stays(
    window: MainWindow, drive_file: Path, tmp_path: Path, hold, qtbot
):
    judge = hold(recording_cases.judge)
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(judge.entered.is_set, timeout=20_000)
    damaged = tmp_path / "damaged.parquet"
    damaged.write_bytes(b"PAR1" + bytes(50))
    window.pages.open_recordings([damaged])
    qtbot.waitUntil(lambda: "damaged.parquet" in window.pages.review.notice.text, timeout=20_000)
    assert shown(window.pages.review) == drive_file
    assert window.pages.review.cancel_button.isVisible()  # the checking goes on
    judge.may_go.set()
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    assert window.pages.review.findings.findings
    assert not window.pages.review.cancel_button.isVisible()


def test_findings_never_come_under_another_recording(
    window: MainWindow, drive_file: Path, other_file: Path, hold, qtbot
):
    judge = hold(recording_cases.judge)
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(judge.entered.is_set, timeout=20_000)
    judged: list[object] = []
    window.pages.review.opening.judged.connect(judged.append)
    window.pages.open_recordings([other_file])
    qtbot.waitUntil(lambda: shown(window.pages.review) == other_file, timeout=20_000)
    judge.may_go.set()
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    quiet(window, qtbot)
    assert judged == [window.pages.review.judged]  # of the one that is shown, once


def test_a_canceled_opening_is_not_shown(window: MainWindow, drive_file: Path, hold, qtbot):
    opening = hold(review_cases.open_for_review)
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(opening.entered.is_set, timeout=20_000)
    window.pages.review.opening.cancel()
    assert not window.pages.review.opening.busy
    assert not window.pages.review.cancel_button.isVisible()
    opening.may_go.set()
    qtbot.waitUntil(opening.left.is_set, timeout=20_000)
    quiet(window, qtbot)
    assert window.pages.review.opened is None


def test_of_two_files_opened_the_last_is_shown(
    window: MainWindow, drive_file: Path, other_file: Path, hold, qtbot
):
    opening = hold(review_cases.open_for_review)
    opened: list[Any] = []
    window.pages.review.opening.opened.connect(opened.append)
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(opening.entered.is_set, timeout=20_000)
    window.pages.open_recordings([other_file])
    opening.may_go.set()
    qtbot.waitUntil(lambda: shown(window.pages.review) == other_file, timeout=20_000)
    quiet(window, qtbot)
    assert [one.recording.path for one in opened] == [other_file]


def test_a_canceled_checking_says_so_and_another_goes_on(
    window: MainWindow, drive_file: Path, other_file: Path, hold, qtbot
):
    judge = hold(recording_cases.judge)
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(judge.entered.is_set, timeout=20_000)
    window.pages.review.opening.cancel()
    assert "could not be run" in window.pages.review.findings.state.text()
    judge.may_go.set()
    quiet(window, qtbot)
    assert window.pages.review.judged is None
    window.pages.open_recordings([other_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)


def test_a_note_belongs_to_the_drive_on_which_it_was_written(
    window: MainWindow, drive_file: Path, other_file: Path, hold, qtbot
):
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    writing = hold(recording_cases.NotesBeside)
    window.pages.review.notes.add(0, SECOND, "a hiss")
    qtbot.waitUntil(writing.entered.is_set, timeout=20_000)
    window.pages.open_recordings([other_file])
    qtbot.waitUntil(lambda: shown(window.pages.review) == other_file, timeout=20_000)
    writing.may_go.set()
    quiet(window, qtbot)
    assert [note.text for note in read_notes(drive_file)] == ["a hiss"]
    assert read_notes(other_file) == ()
    assert window.pages.review.notes.notes == ()


def test_an_export_shows_how_far_it_is_and_stops(
    window: MainWindow, drive_file: Path, tmp_path: Path, qtbot, monkeypatch
):
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    review, may_go = window.pages.review, threading.Event()

    def slow(recording, path, *_, told, **__):
        told(0.25)
        may_go.wait(20)
        told(0.5)

    monkeypatch.setattr("logbench.recording.export.export_csv", slow)
    review.exporting.export(tmp_path / "span.csv")
    row = review.exporting.work
    qtbot.waitUntil(lambda: row.bar.value() == 250, timeout=20_000)
    assert row.isVisible()
    assert row.doing.whole == "Exporting span.csv"
    qtbot.keyClick(review, Qt.Key.Key_Period, Qt.KeyboardModifier.ControlModifier)
    assert not row.isVisible()
    assert "span.csv was not written" in review.notice.text
    may_go.set()
    quiet(window, qtbot)
    assert not (tmp_path / "span.csv").exists()


def test_an_export_goes_on_when_another_drive_is_opened_or_the_window_closed(
    window: MainWindow, drive_file: Path, other_file: Path, tmp_path: Path, hold, qtbot
):
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    writing = hold(recording_cases.ExportSpan)
    window.pages.review.exporting.export(tmp_path / "span.csv")
    qtbot.waitUntil(writing.entered.is_set, timeout=20_000)
    window.pages.open_recordings([other_file])
    qtbot.waitUntil(lambda: shown(window.pages.review) == other_file, timeout=20_000)
    threading.Timer(0.2, writing.may_go.set).start()
    window.close()
    lines = (tmp_path / "span.csv").read_text("utf-8-sig").splitlines()
    assert lines[0].startswith("t_s,")
    assert len(lines) > 100
