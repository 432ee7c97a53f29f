"""Overlays: one drive against a shifted copy of itself must fit exactly."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.comparison.overlay import By, overlay
from logbench.analysis.comparison.quantities import Quantity
from logbench.analysis.view import View
from logbench.errors import UsageError
from logbench.recording.model import Event
from tests.analysis.scenes import CRUISE, HILL, IDLE, KEY_ON, Phase, Scene

SHIFT_S = 37.0


def route() -> Scene:
    made = Scene([KEY_ON, Phase(4, 900), IDLE, CRUISE, HILL, IDLE, CRUISE], hz=5.0)
    return made.set(ECT=np.minimum(90.0, 40.0 + made.t_s * 0.4))


def pair() -> tuple[View, View]:
    return View(route().recording()), View(route().recording(shift_s=SHIFT_S))


@pytest.mark.parametrize("by", [By.ENGINE_START, By.COOLANT, By.SPEED_MATCH, By.MARKER])
def test_a_shifted_copy_is_laid_onto_itself(by):
    before, after = pair()
    before.facts.events.append(Event(t_ns=50_000_000_000, kind="marker", text="bump"))
    at = 50_000_000_000 + int(SHIFT_S * 1e9)
    after.facts.events.append(Event(t_ns=at, kind="marker", text="bump"))
    found = overlay(before, after, "RPM", by, marker="bump", coolant_degc=60.0)
    assert found.shift_s == pytest.approx(-SHIFT_S, abs=0.3)
    assert np.nanmax(np.abs(found.difference)) < 15.0
    assert np.isfinite(found.difference).mean() > 0.95
    assert found.x_unit == "s"


def test_by_time_nothing_is_moved():
    before, after = pair()
    found = overlay(before, after, "RPM")
    assert found.shift_s == 0.0
    assert np.nanmax(np.abs(found.difference)) > 500.0


def test_by_distance_stops_do_not_count():
    before = View(route().recording())
    longer = Scene([KEY_ON, Phase(4, 900), IDLE, IDLE, CRUISE, HILL, IDLE, IDLE, CRUISE], hz=5.0)
    after = View(longer.recording())
    found = overlay(before, after, "VSS", By.DISTANCE)
    assert found.x_unit == "km"
    assert found.shift_s is None
    inside = (found.x > 0.1) & (found.x < 1.8)
    assert np.nanmedian(np.abs(found.difference[inside])) < 1.0


def test_speed_match_says_how_well_it_fits():
    before, after = pair()
    assert "correlation of 1.00" in overlay(before, after, "RPM", By.SPEED_MATCH).note


@pytest.mark.parametrize(
    ("by", "options", "said"),
    [
        (By.MARKER, {"marker": "nowhere"}, "holds no marker 'nowhere'"),
        (By.COOLANT, {"coolant_degc": 300.0}, "does not pass this temperature"),
    ],
)
def test_what_cannot_be_aligned_is_said(by, options, said):
    with pytest.raises(UsageError, match=said):
        overlay(*pair(), "RPM", by, **options)


def test_missing_signals_and_standing_cars_are_said():
    before, after = pair()
    with pytest.raises(UsageError, match="MAF was not recorded before"):
        overlay(before, after, "MAF")
    still = View(Scene([KEY_ON, IDLE, IDLE], hz=5.0).recording())
    for by in (By.DISTANCE, By.SPEED_MATCH):
        with pytest.raises(UsageError, match="align otherwise"):
            overlay(still, still, "RPM", by)
    with pytest.raises(UsageError, match="start of the engine"):
        overlay(View(Scene([IDLE], hz=5.0).recording()), after, "RPM", By.ENGINE_START)


def test_times_of_both_sides_are_placed_on_the_axis():
    before, after = pair()
    found = overlay(before, after, "RPM", By.ENGINE_START)
    start = before.run_start_ns
    assert start is not None
    assert found.place("before", start) == pytest.approx(0.0, abs=0.01)
    assert found.place("after", start + int(SHIFT_S * 1e9)) == pytest.approx(0.0, abs=0.3)
    km = overlay(before, after, "RPM", By.DISTANCE)
    end = int(before.grid.t_ns[-1])
    assert km.place("before", end) == pytest.approx(km.place("after", end + int(SHIFT_S * 1e9)))
    assert km.place("before", 0) == 0.0


def test_a_quantity_is_laid_over_like_a_signal():
    before, after = pair()
    double = Quantity("TWICE", "twice the speed", "rpm", "plain", _twice_rpm)
    found = overlay(before, after, double, By.ENGINE_START)
    plain = overlay(before, after, "RPM", By.ENGINE_START)
    assert (found.signal, found.unit) == ("TWICE", "rpm")
    assert np.nanmax(np.abs(found.before - 2.0 * plain.before)) < 1e-9
    absent = Quantity("NONE", "nothing at all", "", "plain", lambda _: None)
    with pytest.raises(UsageError, match="nothing at all was not recorded before"):
        overlay(before, after, absent)


def _twice_rpm(view: View) -> np.ndarray | None:
    rpm = view.grid.linear("RPM")
    return None if rpm is None else 2.0 * rpm
