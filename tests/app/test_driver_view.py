"""The driver's view: values chosen, as large as they can be, with trend and limit; markers."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF, QImage
from PySide6.QtWidgets import QApplication

from logbench.app.live.driver_cell import DriverCell
from logbench.app.live.driver_view import MOST, DriverView, columns_for
from logbench.app.window import MainWindow
from logbench.plot.trace import SECOND

SIGNALS = ("VPWR", "RPM", "ECT", "VSS", "SHRTFT1", "MAP", "TP")
SPACE, KEYS = Qt.Key.Key_Space, Qt.Key


@pytest.fixture
def driven(window: MainWindow, garage, qtbot) -> MainWindow:
    """A minute of a recording, standing, the engine at idle."""
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car(*SIGNALS)
    send(window, garage, qtbot, 0, VPWR=14.1, RPM=800.0, ECT=90.0, VSS=0.0, SHRTFT1=2.0,
         MAP=35.0, TP=12.0)  # fmt: skip
    return window


def send(window: MainWindow, garage, qtbot, from_s: int, **values: float) -> None:
    """Four seconds, ten samples a second, each a little off."""
    times = [from_s * SECOND + n * SECOND // 10 for n in range(40)]
    for signal, value in values.items():
        garage.last.send(*((signal, "7E8", t, value * (1 + 0.01 * (t % 3))) for t in times))
    session = window.live.session
    qtbot.waitUntil(lambda: session.now_ns == times[-1])
    window.live.shapes.under_way.look()
    window.live.shown._tick()


@pytest.fixture
def view(driven: MainWindow, qtbot) -> DriverView:
    made = driven.live.shapes.driver_view()
    made.resize(1024, 640)
    made.show()
    return made


def test_type_fills_the_cell_at_any_size(driven, view):
    for size in ((1024, 640), (1280, 800), (1920, 1080)):
        view.resize(*size)
        for count in range(2, MOST + 1):
            driven.services.settings.driver_values = SIGNALS[:count]
            view.refresh()
            QApplication.processEvents()
            assert len(view.values) == count
            for cell in view.values:
                assert_filled(cell)
        for button in (view.marker, view.leave, view.choose, view.passenger):
            assert button.height() >= 57
            assert view.rect().contains(button.geometry())


def assert_filled(cell: DriverCell) -> None:
    """As high or as wide as its cell, in letters that an arm's length does not make small."""
    letters = cell.letters_px()
    number, unit = (QFontMetricsF(cell._font(letters * share)) for share in (1.0, 0.42))
    wide = number.horizontalAdvance(cell.number) + unit.horizontalAdvance(f" {cell.unit}")
    assert wide <= cell.width()
    assert letters >= 0.6 * cell.height() or wide >= 0.6 * cell.width()
    assert letters >= 64


def test_cells_stand_where_they_are_largest():
    assert [columns_for(n, 1000, 450) for n in range(1, 7)] == [1, 1, 2, 2, 2, 2]
    assert columns_for(6, 1900, 500) == 3
    assert columns_for(3, 500, 900) == 1


def test_the_trend_of_the_last_minute_is_behind_each_value(driven, garage, view, qtbot):
    driven.services.settings.driver_values = ("VSS", "RPM")
    for n in range(1, 15):
        send(driven, garage, qtbot, 4 * n, VSS=10.0 * (n % 2), RPM=900.0 + 100 * n)
    view.refresh()
    cell = view.values[1]
    image = cell.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    ink = cell._canvas.colors()[0]
    ground = driven.services.look.theme.plot

    def colored(x: int) -> bool:
        """Something of the trace's color in a column, below the name and above the foot."""
        for y in range(4, image.height() - 4):
            found = image.pixelColor(x, y)
            far = sum(abs(a - b) for a, b in zip(found.getRgb()[:3], ink.getRgb()[:3], strict=True))
            if far < 200 and found.name().lower() != ground.lower() and found.saturation() > 60:
                return True
        return False

    seen = [colored(x) for x in range(8, image.width() - 12, 16)]
    assert np.mean(seen) > 0.5


def test_a_limit_is_a_color_and_a_word(driven, garage, view, qtbot):
    driven.services.settings.driver_values = ("VPWR", "RPM")
    view.refresh()
    volts, rpm = view.values
    assert (volts.side, volts.limit) == ("within", "● within")
    assert (rpm.side, rpm.limit) == (None, "")  # no band applies: nothing is said
    within = volts.grab().toImage()
    send(driven, garage, qtbot, 4, VPWR=12.1, RPM=800.0)
    view.refresh()
    assert (volts.side, volts.limit) == ("below", "▲ below 13.20 V")
    assert "below 13.20 V" in volts.accessibleName()
    out = volts.grab().toImage()
    assert out.pixelColor(5, 5) != within.pixelColor(5, 5)
    send(driven, garage, qtbot, 30, RPM=800.0)
    view.refresh()
    assert (volts.text, volts.side) == ("–", None)  # an old value is neither within nor below


def test_space_marks_counts_and_is_heard_once_it_is_recorded(driven, garage, view, qtbot):
    assert view.marker.text() == "Marker  Space  (0 so far)"
    qtbot.keyClick(view, SPACE)
    qtbot.waitUntil(lambda: view.marker.text() == "✔ Marker 1")
    assert garage.tones == ["hit"]
    qtbot.mouseClick(view.marker, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: view.marker.text() == "✔ Marker 2")
    view._flash.timeout.emit()
    assert view.marker.text() == "Marker  Space  (2 so far)"
    driven.live.stop()
    qtbot.waitUntil(lambda: not driven.live.busy)
    assert view.marker.text() == "No marker: not recording"
    assert not view.marker.isEnabled()


def test_two_to_six_values_are_chosen_by_keys_and_kept(driven, view, qtbot):
    settings = driven.services.settings
    qtbot.keyClick(view, KEYS.Key_V)
    rows = view.choice.list
    assert rows.isVisible()
    names = [rows.item(n).text() for n in range(rows.count())]
    for n in range(rows.count()):  # all off, but one: too few
        if rows.item(n).checkState() is Qt.CheckState.Checked:
            rows.setCurrentRow(n)
            qtbot.keyClick(rows, KEYS.Key_Return)
    assert not view.choice.use.isEnabled()
    for n in range(rows.count()):
        rows.setCurrentRow(n)
        qtbot.keyClick(rows, KEYS.Key_Return)
    assert len(view.choice.chosen) == MOST  # the seventh is refused
    assert "6, from 2 to 6" in view.choice.said.text()
    qtbot.mouseClick(view.choice.use, Qt.MouseButton.LeftButton)
    assert settings.driver_values == view.choice.chosen
    assert [
        f"{c.name} ({s})" for c, s in zip(view.values, settings.driver_values, strict=True)
    ] == (names[:MOST])
    assert view.focusWidget() is view


def test_a_driver_under_way_chooses_nothing_a_passenger_does(driven, garage, view, qtbot):
    qtbot.keyClick(view, KEYS.Key_V)
    assert view.choice.isVisible()
    send(driven, garage, qtbot, 4, VSS=70.0, RPM=2200.0)
    assert not view.choice.isVisible()  # it goes when the car drives off
    qtbot.keyClick(view, KEYS.Key_V)
    assert not view.choice.isVisible()
    assert view.state.text().startswith("When safely stopped")
    qtbot.mouseClick(view.passenger, Qt.MouseButton.LeftButton)
    qtbot.keyClick(view, KEYS.Key_V)
    assert view.choice.isVisible()
    qtbot.keyClick(view, KEYS.Key_Escape)
    assert view.isVisible()
    assert not view.choice.isVisible()


def test_a_drive_by_the_drivers_view_with_markers(window: MainWindow, garage, qtbot):
    """From the start to the file: nothing but Space is pressed while it lasts."""
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car(*SIGNALS)
    send(window, garage, qtbot, 0, VPWR=14.1, RPM=800.0, ECT=30.0, VSS=0.0)
    view = live.shapes.driver_view()
    view.show()
    for n, speed in enumerate((0.0, 30.0, 70.0, 0.0), 1):
        send(window, garage, qtbot, 4 * n, VPWR=14.1, RPM=900.0 + 20 * speed, ECT=30.0 + n,
             VSS=speed)  # fmt: skip
        view.refresh()
        assert view.isVisible()
        qtbot.keyClick(view, SPACE)
        qtbot.waitUntil(lambda n=n: view.marker.text() == f"✔ Marker {n}")
    qtbot.mouseClick(view.leave, Qt.MouseButton.LeftButton)
    assert not view.isVisible()
    assert garage.last.marks == [""] * 4
    assert [event.kind for event in live.shown.events] == ["marker"] * 4
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    assert live.endings.last == garage.last.request.out
