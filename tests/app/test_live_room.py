"""What the window says of the disks: room left, a second place, trouble, where a drive ended up."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.app.window import MainWindow
from logbench.capture.messages import Finished, Status, Trouble
from logbench.cases.settings import Settings
from logbench.signals.numbers import span_text


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car("RPM")
    qtbot.waitUntil(lambda: window.live.session.state == "recording")
    return window


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(59.0, "0 min"), (540.0, "9 min"), (12_010.0, "3 h 20 min"), (1e9, "more than 100 h")],
)
def test_lengths_that_are_roughly_known(seconds: float, text: str):
    assert span_text(seconds) == text


def test_room_stands_beside_the_size(recording: MainWindow, garage, qtbot):
    garage.last.inbox.append(Status(4, 93, 0, 4321, room_s=12_010.0))
    qtbot.waitUntil(lambda: "room for 3 h 20 min" in recording.live.status.said("size"))
    assert "4 kB" in recording.live.status.said("size")


def test_trouble_is_told_across_the_page(recording: MainWindow, garage, qtbot):
    garage.last.inbox.append(Trouble("The disk is full. The recording goes on in /spare."))
    qtbot.waitUntil(lambda: "goes on in /spare" in recording.live.notice.text)


def test_where_a_drive_ended_up_is_told(recording: MainWindow, garage, qtbot, tmp_path):
    garage.last.on_stop = lambda: garage.last.inbox.append(
        Finished(tmp_path / "a.parquet", 31, 3.0, sentence="Its folder was gone")
    )
    recording.live.session.stop()
    qtbot.waitUntil(lambda: "Its folder was gone" in recording.live.notice.text)
    assert "31 samples" in recording.live.notice.text


def test_the_second_place_is_asked_for(window: MainWindow, garage, settings: Settings, tmp_path):
    second = tmp_path / "second"
    second.mkdir()
    place = window.appearance.show_settings().second
    for wrong in (tmp_path / "nowhere", settings.folder):
        settings.folder.mkdir(exist_ok=True)
        place.folder.setText(str(wrong))
        place.folder.editingFinished.emit()
        assert place.said.isVisible()
        assert settings.second_folder is None
    place.folder.setText(str(second))
    place.folder.editingFinished.emit()
    assert not place.said.isVisible()
    window.live.choose_link("sim:")
    window.live.start()
    assert garage.last.request.second == second
    assert Settings.load(tmp_path / "settings.json").second_folder == second
    place.folder.setText("")
    place.folder.editingFinished.emit()
    assert settings.second_folder is None
    window.appearance.show_settings().close()


def test_exchanges_are_kept_unless_that_is_switched_off(
    window: MainWindow, garage, settings: Settings, tmp_path
):
    dialog = window.appearance.show_settings()
    assert dialog.exchanges.isChecked()
    dialog.exchanges.click()
    window.live.choose_link("sim:")
    window.live.start()
    assert garage.last.request.exchanges is False
    assert Settings.load(tmp_path / "settings.json").keep_exchanges is False
    dialog.close()


def test_a_second_place_that_is_gone_stays_chosen(settings: Settings):
    """A stick that is not plugged in at the start of the window."""
    settings.second_folder = Path("/nowhere/stick")
    assert Settings.load(settings._path).second_folder == Path("/nowhere/stick")
