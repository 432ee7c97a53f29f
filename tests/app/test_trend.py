"""The trend of a number: where it changed, and the band in which the car moves untouched."""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
import pytest

from logbench.analysis.changes import life_of
from logbench.analysis.repeats import OF_CARS
from logbench.app.archive.panels import TrendPanel
from logbench.app.theme import Look
from logbench.archive.trend import Point, Spread, Trend
from logbench.signals.units import Units

NUMBER, SUBJECT = "warm_up:settled coolant temperature", "settled coolant temperature"


def trend(leap: float) -> Trend:
    values = np.repeat([90.0, 90.0 + leap], [12, 6]) + np.random.default_rng(1).normal(0, 0.8, 18)
    points = [
        Point(f"{k}", f"2026-01-{k + 1:02d}T10:00:00+00:00", "van", SUBJECT, x, 0.5, "degC", "act")
        for k, x in enumerate(values)
    ]
    scatter = OF_CARS.of(f"warm up: {SUBJECT}")
    life = life_of(scatter, values, np.full(18, 0.5), ())
    spread = Spread(3, {f"{q} %": 88.0 + q / 50.0 for q in (5, 25, 50, 75, 95)}, 0.0, (0.0, 0.4))
    return Trend(NUMBER, "van", points, life, 1.8, spread)


@pytest.fixture
def panel(qtbot):
    look = Look("light")
    shown = TrendPanel(look)
    qtbot.addWidget(shown)
    shown.resize(900, 320)
    shown.show()
    return shown, look


def items(panel: TrendPanel, kind: type) -> list:
    return [i for i in panel.plot.graph.getPlotItem().items if isinstance(i, kind)]


@pytest.mark.parametrize("theme", ["light", "night"])
def test_a_change_is_a_line_on_its_interval_between_two_bands(panel, theme):
    shown, look = panel
    look.choose(theme)
    shown.show_trend(found := trend(-20.0))
    (line,) = [i for i in items(shown, pg.InfiniteLine) if i.angle == 90]
    before, after = (point.started for point in found.points[11:13])
    assert (before[:10], after[:10]) == ("2026-01-12", "2026-01-13")
    (reach,) = [i for i in items(shown, pg.LinearRegionItem) if i.orientation == "vertical"]
    assert reach.getRegion()[0] <= line.value() <= reach.getRegion()[1]
    assert len(items(shown, pg.FillBetweenItem)) == 2
    assert "between 2026-01-12 and 2026-01-13" in shown.moves.text()
    assert "learned from 18 of its drives" in shown.moves.text()
    assert "above 0 to 40 % of 3 other cars" in shown.said.whole


def test_a_car_that_nobody_touched_has_one_band_and_no_line(panel):
    shown, _ = panel
    shown.show_trend(found := trend(0.0))
    assert not [i for i in items(shown, pg.InfiniteLine) if i.angle == 90]
    assert len(items(shown, pg.FillBetweenItem)) == 1
    low, high = found.life.states[0].low, found.life.states[0].high
    assert all(low < point.value < high for point in found.points)
    bottom, top = shown.plot.graph.getPlotItem().viewRange()[1]
    assert bottom <= low < high <= top


def test_the_band_is_said_and_drawn_in_the_units_chosen(panel):
    shown, look = panel
    shown.show_trend(trend(0.0))
    assert "°C" in shown.moves.text()
    look.set_units(Units(us=True))
    shown.renew()
    assert "°F" in shown.moves.text()
    bottom, top = shown.plot.graph.getPlotItem().viewRange()[1]
    assert 180.0 < bottom < 194.0 < top < 205.0


def test_another_number_or_none_leaves_nothing_of_the_last(panel):
    shown, _ = panel
    shown.show_trend(trend(-20.0))
    shown.show_numbers("", [])
    assert not shown.moves.text()
    shown.show_trend(Trend(NUMBER, "van", []))
    assert "0 recordings" in shown.said.whole
