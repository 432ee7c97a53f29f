"""After a crash the window comes back to page, drive, cursors and typed text."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.app.window import MainWindow
from logbench.cases.left_open import FILE, LeftOpen, load_left_open
from logbench.cases.settings import Settings
from logbench.plot.trace import SECOND
from tests.app.jobs import new_job


@pytest.fixture
def again(settings: Settings, garage, qtbot: QtBot) -> Iterator[MainWindow]:
    """Another start with the same settings; what was there is as a crash left it."""
    made = MainWindow(settings, garage)
    made.ask_to_finish = lambda: True
    made.show()
    yield made
    made.close()
    made.deleteLater()


def _crash(window: MainWindow) -> None:
    """Nothing of the window's end is reached; its lock is left to be found stale."""
    window.coming_back.keep()
    window.coming_back._timer.stop()
    assert window.coming_back._lock is not None
    window.coming_back._lock.unlock()


def test_page_drive_cursors_job_and_typed_text(
    window: MainWindow, again: MainWindow, drive_file: Path, tmp_path: Path, qtbot: QtBot
):
    window.coming_back.start(restore=True)
    window.pages.open_recordings([drive_file])
    review = window.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=60_000)
    review.view.show_span(20 * SECOND, 80 * SECOND)
    review.view.set_mark("A", 30 * SECOND)
    review.view.set_mark("B", 60 * SECOND)
    review.view.set_cursor(40 * SECOND)
    job = new_job(window, tmp_path / "job")
    qtbot.keyClicks(window.live.set_up.car.label, "blue van")
    window.pages.show_page("review")
    _crash(window)

    again.coming_back.start(restore=True)
    back = again.pages.review
    qtbot.waitUntil(lambda: back.judged is not None, timeout=60_000)
    assert back.opened.recording.path == drive_file
    assert (back.view.start_ns, back.view.end_ns) == (20 * SECOND, 80 * SECOND)
    assert back.view.marks == {"A": 30 * SECOND, "B": 60 * SECOND}
    assert back.view.cursor_ns == 40 * SECOND
    assert again.pages.shown_key == "review"
    assert again.pages.job.opened.folder.path == job.opened.folder.path
    assert again.live.set_up.car.label.text() == "blue van"
    assert "did not come to its end" in again.notice.text


def test_a_window_that_is_closed_leaves_nothing(window: MainWindow, settings: Settings, qtbot):
    window.coming_back.start(restore=True)
    window.pages.show_page("compare")
    window.coming_back.keep()
    file = settings.beside(FILE)
    assert file is not None
    assert load_left_open(file) == LeftOpen(page="compare")
    window.close()
    qtbot.waitUntil(lambda: not window.isVisible())
    assert not file.exists()


def test_a_second_window_neither_comes_back_nor_keeps(
    window: MainWindow, again: MainWindow, settings
):
    window.coming_back.start(restore=True)
    window.pages.show_page("compare")
    window.coming_back.keep()
    again.coming_back.start(restore=True)
    assert again.pages.shown_key == "live"
    again.close()
    file = settings.beside(FILE)
    assert file is not None
    assert load_left_open(file) == LeftOpen(page="compare")


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", json.dumps({"page": 7, "drive": ["x"], "typed": {"a": 1}}),
     json.dumps({"page": "nowhere", "drive": "/nowhere/x.parquet", "job": "/nowhere",
                 "span_ns": [1e400, -1], "typed": {"live: nothing": "x"}})],
)  # fmt: skip
def test_a_damaged_file_costs_nothing(window: MainWindow, settings: Settings, text: str):
    file = settings.beside(FILE)
    assert file is not None
    file.write_text(text, encoding="utf-8")
    window.coming_back.start(restore=True)
    assert window.pages.shown_key == "live"
