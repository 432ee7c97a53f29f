"""Which links are offered, a recording to replay among them, and what a car reports."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

from logbench.app.live.choices import LiveChoices
from logbench.app.live.link_box import LinkBox
from logbench.app.live.links import ASK_REPLAY, link_choices, title_of
from logbench.app.live.picker import SignalPicker
from logbench.app.settings import Settings
from logbench.app.window import MainWindow
from logbench.capture.messages import CarFound
from logbench.errors import LinkUnknownError
from logbench.signals.table import table
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
    assert urls[-1] == ASK_REPLAY
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
    with pytest.raises(LinkUnknownError, match="no link"):
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


def test_what_cars_report_is_kept_for_a_few_links(settings: Settings):
    choices = LiveChoices(settings)
    for number in range(20):
        choices.keep_supported(f"tcp://10.0.0.{number}:1", frozenset({number}))
    assert choices.supported("tcp://10.0.0.19:1") == {19}
    assert choices.supported("tcp://10.0.0.1:1") == frozenset()
    for spoilt in ("nonsense", "[1]", '{"a": ["x"]}', '{"a": 3}'):
        settings.store.setValue("live/supported", spoilt)
        assert choices.supported("a") == frozenset()
        choices.keep_supported("b", frozenset({1}))
        assert choices.supported("b") == {1}
    assert {s.pid for s in table()} > {1}
