"""What is stated of car, place and day on the Live page, and what becomes of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.app.live.car_box import CarBox
from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.cases.settings import Settings
from logbench.errors import UsageError
from logbench.recording.model import Surroundings, stated
from logbench.recording.reader import open_recording
from logbench.signals.units import METRIC, Units

DEMO = Path(__file__).resolve().parents[2] / "recordings"


def typed(qtbot: QtBot, field, text: str) -> None:
    """Typed over what was there, and left."""
    field.setFocus()
    field.selectAll()
    qtbot.keyClicks(field, text)
    qtbot.keyClick(field, Qt.Key.Key_Return)


def test_what_is_stated_reaches_the_capture(window: MainWindow, garage, qtbot, settings):
    live, car = window.live, window.live.set_up.car
    live.choose_link("sim:")
    for field, text in ((car.soak, "9,5"), (car.altitude, "1200"), (car.displacement, "1.8")):
        typed(qtbot, field, text)
    live.start()
    asked = garage.last.request
    assert asked.surroundings == Surroundings(soak_hours=9.5, altitude_m=1200.0)
    assert asked.vehicle == Car(displacement_l=1.8)
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    assert (car.soak.text(), car.altitude.text()) == ("", "1200")  # the engine has run since
    again = CarBox(settings)
    qtbot.addWidget(again)
    assert again.surroundings() == Surroundings(altitude_m=1200.0)


def test_many_drives_without_anybody_there_are_told_nothing(window: MainWindow, garage, qtbot):
    live = window.live
    live.choose_link("sim:")
    typed(qtbot, live.set_up.car.soak, "12")
    live.set_up.unattended.setChecked(True)
    live.start()
    assert garage.last.request.unattended is not None
    assert garage.last.request.surroundings == Surroundings()


def test_a_start_that_failed_keeps_the_hours(window: MainWindow, garage):
    garage.refusal = UsageError("No.")
    window.live.choose_link("sim:")
    window.live.set_up.car.soak.setText("12")
    window.live.start()
    assert not window.live.busy
    assert window.live.set_up.car.soak.text() == "12"


def test_height_is_shown_in_the_units_chosen_and_kept_in_meters(window: MainWindow, qtbot):
    """One foot is 0.3048 m: NIST SP 811, appendix B."""
    car = window.live.set_up.car
    window.services.look.set_units(Units(us=True))
    assert car.altitude.label.text() == "Altitude, ft"
    typed(qtbot, car.altitude, "5280 ft")
    assert car.surroundings().altitude_m == pytest.approx(1609.344)
    typed(qtbot, car.regulating, "190")
    assert car.vehicle().regulating_temp_degc == pytest.approx((190 - 32) / 1.8)
    window.services.look.set_units(METRIC)
    assert (car.altitude.text(), car.regulating.text()) == ("1609.34", "87.7778")
    assert car.surroundings().altitude_m == pytest.approx(1609.344, abs=1e-9)
    window.services.look.set_units(Units(us=True))
    assert car.altitude.text() == "5280"


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("altitude", "12a", "a number from -500 to 6000 m"),
        ("altitude", "7000", "'7000' cannot be the altitude above sea level"),
        ("altitude", "1,200", "two ways: write 1200"),
        ("humidity", "-1", "from 0 to 100 %"),
        ("humidity", "nan", "leave the field empty"),
        ("soak", "inf", "soak time: hours since the engine last ran"),
        ("displacement", "1800", "from 0.05 to 20 L"),
        ("regulating", "20", "from 40 to 130 °C"),
    ],
)
def test_wrong_input_is_a_sentence(settings: Settings, qtbot, name, text, said):
    car = CarBox(settings)
    qtbot.addWidget(car)
    car.show()
    field = getattr(car, name)
    typed(qtbot, field, text)
    assert car.wrong.isVisible()
    assert said in car.wrong.text()
    with pytest.raises(UsageError, match=text):
        car.check()
    qtbot.keyClick(field, Qt.Key.Key_A, Qt.KeyboardModifier.ControlModifier)
    qtbot.keyClick(field, Qt.Key.Key_Backspace)
    qtbot.keyClick(field, Qt.Key.Key_Return)
    assert not car.wrong.isVisible()
    car.check()


def test_nothing_is_started_with_wrong_input(window: MainWindow, garage, qtbot):
    live, car = window.live, window.live.set_up.car
    live.choose_link("sim:")
    typed(qtbot, car.humidity, "101")
    live.record.setFocus()
    live.start()
    assert garage.captures == []
    assert "'101' cannot be the relative humidity" in live.notice.text
    assert car.humidity.hasFocus()
    typed(qtbot, car.humidity, "99")
    live.start()
    assert garage.last.request.surroundings == Surroundings(humidity_pct=99.0)


def test_the_recording_carries_it_and_the_checks_use_it(qtbot, settings: Settings):
    """By the real capture process: a drive recorded near sea level, said to be at 4,000 m, where
    the standard atmosphere (ICAO Doc 7488) has 61.6 kPa."""
    made = MainWindow(settings)
    made.show()
    live, car = made.live, made.live.set_up.car
    live.choose_link(f"replay:{DEMO / 'after.parquet'}?speed=max")
    live.set_up.picker.choose(("RPM", "VSS", "ECT", "IAT", "BARO", "MAP"))
    typed(qtbot, car.altitude, "4000")
    typed(qtbot, car.humidity, "40")
    live.start()
    qtbot.waitUntil(lambda: not live.busy, timeout=100_000)
    assert live.endings.last is not None, live.notice.text
    recording = open_recording(live.endings.last)
    assert stated(recording.facts) == Surroundings(altitude_m=4000.0, humidity_pct=40.0)
    (height,) = [f for f in run_checks(recording, only=["pressures"]) if f.subject == "height"]
    assert height.verdict is Verdict.ACT
    made.close()
    qtbot.waitUntil(lambda: not made.isVisible(), timeout=100_000)
    made.deleteLater()
