"""Which links are offered, a recording to replay among them, and what a car reports."""

from __future__ import annotations

import threading

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

from logbench.app.live.ble_dialog import BleDialog
from logbench.app.live.link_box import LinkBox
from logbench.app.live.picker import SignalPicker
from logbench.app.window import MainWindow
from logbench.capture.messages import CarFound
from logbench.cases.settings import Settings
from logbench.errors import LinkUnknownError, PortMissingError
from logbench.vehicle.links import ble
from logbench.vehicle.links.ble import Found
from logbench.vehicle.links.schemes import link_choices, title_of
from logbench.vehicle.model import CarFacts


def listed(picker: SignalPicker) -> set[str]:
    rows = range(picker._shown.rowCount())
    return {picker._shown.index(row, 0).data().split()[0] for row in rows}


def test_titles_say_what_a_link_is():
    assert title_of("ble:11:22:33:44:55:66") == "Bluetooth 11:22:33:44:55:66"
    assert title_of("replay:/a/b/drive.parquet?speed=4") == "Replay drive.parquet  × 4"
    assert title_of("replay:/a/b/drive.parquet") == "Replay drive.parquet"


def test_a_recording_to_replay_is_offered_where_it_makes_sense():
    used = ["replay:/a/drive.parquet", "ble:11:22:33:44:55:66"]
    urls = [c.url for c in link_choices(used, replay=True)]
    assert urls[:2] == used
    assert urls[-2:] == ["ble:", "replay:"]
    assert not any(c.url.startswith("replay:") for c in link_choices(used))


@pytest.mark.parametrize("picked", ["/drives/a.parquet", ""])
def test_picking_a_recording_by_keyboard(qtbot, settings: Settings, monkeypatch, picked: str):
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (picked, ""))
    box = LinkBox(settings, replay=True)
    qtbot.addWidget(box)
    box.show()
    first = box.currentText()
    for _ in range(box.count() - 1):
        qtbot.keyClick(box, Qt.Key.Key_Down)
    assert (box.url() == f"replay:{picked}") if picked else (box.currentText() == first)


def test_the_question_itself_is_no_link(qtbot, settings: Settings):
    box = LinkBox(settings, replay=True)
    qtbot.addWidget(box)
    box.setCurrentIndex(box.count() - 1)
    with pytest.raises(LinkUnknownError, match="not a link"):
        box.url()


def test_signals_are_those_that_the_car_reports(window: MainWindow, garage, qtbot, settings):
    live = window.live
    picker = live.set_up.picker
    everything = listed(picker)
    assert {"RPM", "EGR_PCT"} <= everything
    assert not picker.only.isVisible()
    live.choose_link("sim:?seed=9")
    live.start()
    facts = CarFacts(supported={"7E8": frozenset({0x0C, 0x05}), "7E9": frozenset({0x0D})})
    garage.last.inbox.append(CarFound(facts, ("RPM",)))
    qtbot.waitUntil(lambda: live.session.state == "recording")
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    assert picker.only.isVisible()
    assert listed(picker) == {"RPM", "ECT", "VSS"}
    picker.search.setText("0c")
    assert listed(picker) == {"RPM"}
    picker.search.clear()
    qtbot.keyClick(picker.only, Qt.Key.Key_Space)
    assert listed(picker) == everything
    again = MainWindow(settings, garage)
    qtbot.addWidget(again)
    assert listed(again.live.set_up.picker) == {"RPM", "ECT", "VSS"}  # the link used last
    again.live.choose_link("10.0.0.9:35000")
    assert listed(again.live.set_up.picker) == everything
    again.close()


def test_a_recording_to_replay_is_shown_by_its_name(qtbot, settings: Settings):
    box = LinkBox(settings, replay=True)
    qtbot.addWidget(box)
    box.choose("replay:/drives/monday/drive.parquet")
    assert box.currentText() == "Replay drive.parquet"
    assert box.url() == "replay:/drives/monday/drive.parquet"
    box.choose("replay:/drives/tuesday/drive.parquet")  # of the same name: not to be mixed up
    assert box.url() == "replay:/drives/tuesday/drive.parquet"
    box.choose("replay:/drives/monday/drive.parquet")
    assert box.url() == "replay:/drives/monday/drive.parquet"


def test_two_recordings_of_one_name_are_two_links():
    used = ["replay:/monday/drive.parquet", "replay:/tuesday/drive.parquet"]
    titles = [c.title for c in link_choices(used, replay=True)]
    assert titles[:2] == ["Replay drive.parquet", "replay:/tuesday/drive.parquet"]
    assert len(set(titles)) == len(titles)


# --- Bluetooth adapters, with a scanner that is none ---

HEARD = [Found("11:22:33:44:55:66", "near", -40), Found("AA:22:33:44:55:66", "", -80)]


@pytest.fixture
def air(monkeypatch):
    """What the scan does, step by step; without `go` it listens until it is canceled."""
    go, ended = threading.Event(), threading.Event()

    def scan(told):
        try:
            told(HEARD[1:], 0.25)
            while not go.wait(0.005):
                told(HEARD, 0.5)
            return HEARD
        finally:
            ended.set()

    monkeypatch.setattr(ble, "scan", scan)
    return go, ended


def test_an_adapter_is_picked_while_it_is_listened_for(window: MainWindow, qtbot, air):
    dialog = BleDialog(window.services.runner.owner(), window)
    qtbot.addWidget(dialog)
    dialog.show()
    qtbot.waitUntil(lambda: dialog.list.count() == 2)
    assert dialog.progress.value() == 50
    assert "near   11:22:33:44:55:66   -40 dBm" in dialog.list.item(0).text()
    assert not dialog.take.isEnabled()
    dialog.list.setFocus()
    dialog.list.setCurrentRow(1)
    qtbot.waitUntil(dialog.take.isEnabled)
    qtbot.keyClick(dialog.list, Qt.Key.Key_Return)
    assert dialog.address == "AA:22:33:44:55:66"
    assert not dialog.isVisible()
    qtbot.waitUntil(air[1].is_set)  # nobody listens on


def test_a_scan_is_told_to_its_end_and_canceled(window: MainWindow, qtbot, air):
    dialog = BleDialog(window.services.runner.owner(), window)
    qtbot.addWidget(dialog)
    dialog.show()
    air[0].set()
    qtbot.waitUntil(lambda: dialog.said.text() == "2 found")
    air[0].clear()
    air[1].clear()
    qtbot.mouseClick(dialog.again, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: dialog.list.count() == 2)
    qtbot.keyClick(dialog, Qt.Key.Key_Escape)
    assert dialog.address == ""
    qtbot.waitUntil(air[1].is_set)


def test_bluetooth_that_cannot_be_used_is_a_sentence(window: MainWindow, qtbot, monkeypatch):
    def refused(told):
        raise PortMissingError("Bluetooth cannot be used (off): switch it on.")

    monkeypatch.setattr(ble, "scan", refused)
    dialog = BleDialog(window.services.runner.owner(), window)
    qtbot.addWidget(dialog)
    dialog.show()
    qtbot.waitUntil(lambda: "switch it on" in dialog.said.text())
    assert dialog.again.isEnabled()


def test_the_list_of_links_leads_to_the_scan(window: MainWindow, monkeypatch, garage):
    live = window.live
    monkeypatch.setattr(BleDialog, "scan", lambda _: None)

    def picked(dialog) -> int:
        dialog.address = "11:22:33:44:55:66"
        return 1

    def chosen() -> str:
        box = live.set_up.link
        places = [n for n, c in enumerate(box._choices) if c.url == "ble:"]
        box.setCurrentIndex(places[0])
        box.activated.emit(places[0])
        return box.currentText()

    monkeypatch.setattr(BleDialog, "exec", lambda _: 0)
    assert chosen() == "Simulated car"
    monkeypatch.setattr(BleDialog, "exec", picked)
    chosen()
    assert live.set_up.link.url() == "ble:11:22:33:44:55:66"
