"""What the Live page asks the capture process for, and what it does when that one dies."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt

from logbench.app.live.picker import OWN, SignalPicker
from logbench.app.window import MainWindow
from logbench.capture.messages import DEFAULT_RULES, CarFound, Failed
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Facts, SignalFacts
from logbench.vehicle.model import CarFacts


def test_rules_rate_and_unattended_reach_the_capture(window: MainWindow, garage, qtbot, settings):
    live = window.live
    live.choose_link("sim:")
    live.start()
    first = garage.last.request
    assert first.rules == DEFAULT_RULES
    assert first.rates_hz == {}
    assert first.unattended is None
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    live.set_up.rate.setCurrentIndex(live.set_up.rate.findData(5.0))
    for box in (live.set_up.rules, live.set_up.unattended):
        qtbot.keyClick(box, Qt.Key.Key_Space)
    live.start()
    second = garage.last.request
    assert second.rules == ()
    assert second.rates_hz["RPM"] == 5.0
    assert second.unattended is not None
    assert settings.rules_on is False


def test_a_set_of_ones_own_is_kept_between_starts(qtbot, settings):
    picker = SignalPicker(settings)
    qtbot.addWidget(picker)
    picker.choose(("RPM", "ECT"))
    picker.save_set("  cold   morning ")
    assert picker.purpose.currentText() == "cold morning"
    again = SignalPicker(settings)
    qtbot.addWidget(again)
    again.choose((), "cold morning")
    assert set(again.chosen()) == {"RPM", "ECT"}
    assert not again.keep.isVisibleTo(again)
    qtbot.mouseClick(again.forget, Qt.MouseButton.LeftButton)
    assert settings.signal_sets == {}
    assert again.purpose.currentText() == OWN
    assert set(again.chosen()) == {"RPM", "ECT"}


def test_a_name_of_a_purpose_is_not_taken(qtbot, settings):
    picker = SignalPicker(settings)
    qtbot.addWidget(picker)
    picker.choose(("RPM",))
    picker.save_set(OWN)
    picker.save_set("charging")
    assert settings.signal_sets == {}


def test_going_on_after_the_capture_died(window: MainWindow, garage, qtbot, settings):
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car("RPM")
    garage.last.drive("RPM")
    qtbot.waitUntil(lambda: ("RPM", "7E8") in live.session.traces)
    out = garage.last.request.out
    journal = Path(f"{out}.journal")
    writer = JournalWriter(journal, Facts(signals={"RPM": SignalFacts(unit="rpm")}))
    writer.close()
    garage.last.inbox.append(Failed("It died.", path=journal))
    qtbot.waitUntil(lambda: not live.busy)
    assert live.notice.button.text() == "Go on recording"
    qtbot.mouseClick(live.notice.button, Qt.MouseButton.LeftButton)
    assert garage.last.request.resume == journal
    garage.last.find_car("RPM")
    garage.last.send(("RPM", "7E8", 9_000_000_000, 900.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 9_000_000_000)
    assert len(live.session.traces["RPM", "7E8"].pyramid) == 32  # 31 from before
    assert live.stack.keys == (("RPM", "7E8"),)


def test_unattended_each_file_has_its_own_clock(window: MainWindow, garage, qtbot):
    live = window.live
    live.choose_link("sim:")
    live.set_up.unattended.setChecked(True)
    live.start()
    for made in ("first", "second"):  # neither has a date: the clock's battery is empty
        garage.last.inbox.append(CarFound(CarFacts(), ("RPM",), recording_id=made))
        garage.last.send(("RPM", "7E8", 0, 800.0), ("RPM", "7E8", 5_000_000_000, 900.0))
        qtbot.waitUntil(lambda: live.session.now_ns == 5_000_000_000)
        qtbot.waitUntil(lambda: garage.last.inbox == [])
    assert len(live.session.traces["RPM", "7E8"].pyramid) == 2
    assert live.stack.keys == (("RPM", "7E8"),)
