"""The Review page with nothing open: how to begin."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt

import logbench
from logbench.app.window import MainWindow
from logbench.capture import demo_drives
from logbench.cases.settings import Settings

RECORDINGS = Path(__file__).parents[2] / "recordings"


@pytest.fixture
def beginning(window: MainWindow) -> MainWindow:
    window.activateWindow()
    window.pages.show_page("review")
    assert window.pages.review.empty.isVisible()
    return window


def test_the_demo_drive_is_driven_opened_and_kept(beginning: MainWindow, settings: Settings, qtbot):
    review = beginning.pages.review
    qtbot.keyClick(review, Qt.Key.Key_D, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: review.opened is not None, timeout=60_000)
    path = settings.folder / "demo" / "before.parquet"
    made, handed_out = logbench.open(path), logbench.open(RECORDINGS / "before.parquet")
    assert made.facts.link.simulated
    assert made.keys == handed_out.keys
    for key in made.keys:
        mine, theirs = made.trace(*key), handed_out.trace(*key)
        assert abs(mine.value - theirs.value).max() < 1e-6
        assert (mine.t_ns == theirs.t_ns).all()
    assert settings.recent[0] == path
    assert review.stack.hasFocus()


def test_the_demo_drive_of_last_time_is_opened_again(
    beginning: MainWindow, settings: Settings, drive_file: Path, monkeypatch, qtbot
):
    monkeypatch.setattr(demo_drives, "record_simulated", None)  # driving again would fail
    folder = settings.folder / "demo"
    folder.mkdir(parents=True)
    (folder / "after.parquet").write_bytes(drive_file.read_bytes())
    qtbot.mouseClick(beginning.pages.review.empty.demo_buttons[1], Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: beginning.pages.review.opened is not None, timeout=20_000)
    assert "after.parquet" in beginning.pages.review.plots.title.whole


def test_a_folder_that_cannot_be_made_is_said(beginning: MainWindow, settings: Settings, qtbot):
    settings.folder.write_text("a file, where a folder should be")
    beginning.pages.review.open_demo("before")
    qtbot.waitUntil(lambda: bool(beginning.pages.review.notice.text))
    assert "could not be written" in beginning.pages.review.notice.text or (
        "does not exist" in beginning.pages.review.notice.text
    )
    assert beginning.pages.review.empty.isVisible()


def test_driving_the_demo_can_be_canceled(beginning: MainWindow, settings: Settings, qtbot):
    beginning.pages.review.open_demo("before")
    qtbot.keyClick(beginning.pages.review, Qt.Key.Key_Period, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: not beginning.services.runner.busy, timeout=60_000)
    assert beginning.pages.review.opened is None
    assert not (settings.folder / "demo" / "before.parquet").exists()


def test_what_was_open_lately_is_offered_as_it_is_now(
    beginning: MainWindow, settings: Settings, drive_file: Path, qtbot
):
    empty = beginning.pages.review.empty
    assert empty.lately.count() == 0
    settings.recording_opened(drive_file)
    beginning.pages.show_page("live")
    beginning.pages.show_page("review")
    assert empty.lately.count() == 1
    item = empty.lately.itemAt(0)
    assert item is not None
    button = item.widget()
    assert button is not None
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: beginning.pages.review.opened is not None, timeout=20_000)


def test_the_keyboard_begins_at_the_first_button(beginning: MainWindow):
    assert beginning.focusWidget() is beginning.pages.review.empty.button
