"""Metric and US units switched live. Outside check: pint, an independent units library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pint
import pytest
from PySide6.QtCore import Qt

from logbench.app.window import MainWindow
from logbench.plot.cross import pair
from logbench.plot.trace import SECOND
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.signals.units import METRIC, Differences, Units

US = Units(us=True)


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=60_000)
    return window


@pytest.mark.parametrize(
    ("unit", "ours", "theirs", "shown"),
    [
        ("km/h", "km/h", "mph", "mph"),
        ("degC", "degC", "degF", "degF"),
        ("kPa", "kPa", "inHg", "inHg"),
        ("g/s", "g/s", "lb/min", "lb/min"),
        ("Nm", "N*m", "lbf*ft", "lbf·ft"),
    ],
)
def test_conversions_against_pint(unit: str, ours: str, theirs: str, shown: str):
    registry = pint.UnitRegistry()
    values = np.array([-40.0, 0.0, 37.5, 250.0])
    want = registry.Quantity(values, ours).to(theirs).magnitude
    np.testing.assert_allclose(US.array(values, unit), want, rtol=2e-5, atol=1e-6)
    factor, offset = US.line(unit)
    np.testing.assert_allclose(factor * values + offset, want, rtol=2e-5, atol=1e-6)
    assert US.unit(unit) == shown
    assert METRIC.array(values, unit) is values
    assert METRIC.unit(unit) == unit


def test_a_difference_of_temperatures_gets_no_32():
    assert US.value(10.0, "degC", difference=True) == pytest.approx(18.0)
    assert US.value(10.0, "K") == pytest.approx(18.0)
    assert US.text(100.0, "degC") == "212 °F"
    assert US.text(10.0, "degC", difference=True) == "18 Δ°F"
    assert METRIC.text(10.0, "degC", difference=True) == "10 K"
    assert (Differences().unit("degC"), Differences(us=True).unit("degC")) == ("K", "delta_degF")


def test_the_review_page_switches_and_back(reviewing: MainWindow, qtbot, settings):
    review = reviewing.pages.review
    review.view.set_cursor(60 * SECOND)
    strip = next(s for s in review.stack.strips if s.unit == "km/h")
    metric = (strip.canvas.range.low, strip.canvas.range.high)
    model = review.signals.model_
    row = [model.data(model.index(r, 0)) for r in range(model.rowCount())].index("VSS")
    assert model.data(model.index(row, 1)) == "60 km/h"
    before = strip.canvas.pixmap.toImage()
    qtbot.keyClick(review.stack, Qt.Key.Key_U, Qt.KeyboardModifier.ControlModifier)
    assert settings.us_units
    assert model.data(model.index(row, 1)) == "37 mph"
    assert strip.header.value_text(strip.traces[0]) == "37 mph"
    assert "mph" in strip.accessibleName()
    strip.refresh()
    assert strip.canvas.range.high < metric[1]
    assert strip.canvas.pixmap.toImage() != before
    x_px = int(review.view.x_of(60 * SECOND))
    column = [strip.canvas.pixmap.toImage().pixelColor(x_px, int(strip.canvas.y_of(37.28)) + d)
              for d in range(-2, 3)]  # fmt: skip
    assert any(c.saturation() > 60 for c in column)  # the trace lies where 37.3 mph are
    review.span_panel.put("A")
    review.view.set_cursor(70 * SECOND)
    review.span_panel.put("B")
    cell = {
        review.span_panel.table.item(r, 0).text(): review.span_panel.table.item(r, 1).text()
        for r in range(review.span_panel.table.rowCount())
    }
    assert cell["VSS (mph)"] == "37"
    assert cell["ECT (°F)"] == "194"
    qtbot.keyClick(review.stack, Qt.Key.Key_U, Qt.KeyboardModifier.ControlModifier)
    strip.refresh()
    assert (strip.canvas.range.low, strip.canvas.range.high) == metric


def test_the_scatter_marks_in_the_units_shown(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    reviewing.services.look.choose_units(True)
    review.plots.show_cross(True)
    review.cross.y_box.setCurrentText("VSS")
    review.cross.draw()
    assert "VSS (mph)" in review.cross.plot.accessibleName()
    traces = {t.signal: t for t in review.opened.traces}
    kept = pair(traces["RPM"], traces["VSS"], None, 0, 240 * SECOND)
    assert kept.y.max() == 60.0  # what is kept stays metric


def test_the_live_page_and_the_drivers_view_follow(window: MainWindow, garage, qtbot, tmp_path):
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car("VSS")
    garage.last.send(("VSS", "7E8", 0, 50.0), ("VSS", "7E8", SECOND, 100.0))
    qtbot.waitUntil(lambda: ("VSS", "7E8") in live.session.traces)
    trace = live.session.traces["VSS", "7E8"]
    view = live.shapes.driver_view()
    window.services.look.choose_units(True)
    view.refresh()
    assert view.values[0].text == "62 mph"
    view.close()
    model = live.values.model_
    assert model.data(model.index(0, 1)) == "62 mph"
    assert trace.text(100.0) == "100 km/h"
    strip = live.stack.strips[0]
    qtbot.waitUntil(lambda: strip.header.value_text(strip.traces[0]) == "62 mph")


def test_the_choice_is_kept(qtbot, settings, garage, tmp_path: Path):
    settings.us_units = True
    made = MainWindow(settings, garage)
    qtbot.addWidget(made)
    t_ns = np.arange(100) * SECOND // 10
    trace = Trace("VSS", "7E8", "km/h", t_ns, np.full(100, 160.9344))
    made.pages.open_recordings([write_recording(tmp_path / "a.parquet", [trace], Facts())])
    qtbot.waitUntil(lambda: bool(made.pages.review.stack.strips), timeout=60_000)
    strip = made.pages.review.stack.strips[0]
    assert strip.header.value_text(strip.traces[0]) == "", "no cursor, and nothing is under way"
    made.pages.review.view.set_cursor(5 * SECOND)
    assert strip.header.value_text(strip.traces[0]) == "100 mph"
    qtbot.waitUntil(lambda: made.pages.review.judged is not None, timeout=60_000)
    made.close()
