"""The drive plan, ticked off by simulated drives: an independent car that knows no plan."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from logbench.analysis.drive_plan import (
    COMPRESSION_STEPS,
    POWER_DRIVES,
    STEPS,
    StepState,
    plan_from,
    powers_for,
    progress_of,
    steps_for,
    told_of,
)
from logbench.analysis.engine import know
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Band, Condition
from logbench.analysis.repeats import OF_CARS, Repeats, Scatter
from logbench.analysis.statistics import t_quantile
from logbench.car.model import Car
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from logbench.signals.table import table
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce
from tests.analysis.diesel_roads import road_drive

SIGNALS = ("RPM", "VSS", "ECT", "MAF", "MAP", "LOAD_PCT", "TP", "FUELSYS1", "BARO")


@pytest.fixture(scope="module")
def drive() -> Recording:
    car = Drive(named_car("demo"), {}, schedule("test-drive"), seed=3)
    made = produce(car, SIGNALS, dict.fromkeys(SIGNALS, 5.0), seed=3)
    unit = {s: table().by_acronym(s).unit for s in SIGNALS}
    return Recording.of([Trace(s, e, unit[s], t, v) for (s, e), (t, v) in made.items()])


def part(drive: Recording, start_s: float, end_s: float) -> Recording:
    traces = []
    for trace in drive.traces():
        inside = (trace.t_ns >= start_s * 1e9) & (trace.t_ns < end_s * 1e9)
        t_ns = trace.t_ns[inside] - round(start_s * 1e9)
        traces.append(Trace(trace.signal, trace.ecu, trace.unit, t_ns, trace.value[inside]))
    return Recording.of(traces)


def test_the_scripted_drive_does_every_step(drive: Recording):
    got = progress_of(drive)
    assert [s.state for s in got.steps] == [StepState.DONE] * len(STEPS)
    assert got.says() == "The plan is complete"
    assert sum(c.have_s for c in got.cells.values()) > 120


def test_steps_are_ticked_in_the_order_of_the_data(drive: Recording):
    length_s = drive.duration_ns / 1e9
    done = [
        {s.step.key for s in progress_of(part(drive, 0, end)).steps if s.state is StepState.DONE}
        for end in np.linspace(30, length_s, 6)
    ]
    for before, after in itertools.pairwise(done):
        assert before <= after
    assert done[0] == {"cold_start"}
    assert len(done[-1]) == len(STEPS)


def test_a_warm_start_is_too_late_for_the_cold_steps(drive: Recording):
    got = progress_of(part(drive, 500, drive.duration_ns / 1e9))
    assert [s.state for s in got.steps[:2]] == [StepState.TOO_LATE] * 2
    assert got.next_step() is None or got.next_step() not in got.steps[:2]


def test_seconds_come_from_the_conditions(drive: Recording):
    got = progress_of(drive)
    idle = [s for s in got.conditions if s.condition is Condition.WARM_IDLE]
    longest_s = max(s.end_ns - s.start_ns for s in idle) / 1e9
    warm_idle = next(s for s in got.steps if s.step.key == "warm_idle")
    assert warm_idle.have_s == pytest.approx(longest_s, abs=0.5)


def test_nothing_recorded_yet():
    got = progress_of(Recording.of([]))
    assert got.cells == {}
    assert {s.state for s in got.steps} == {StepState.TO_DO}
    assert got.says() == STEPS[0].say


def test_a_repeat_asks_for_the_first_drives_cells(drive: Recording):
    goals = plan_from([drive])
    start = progress_of(part(drive, 0, 60), goals)
    assert {g.cell for g in goals} <= set(start.cells)
    cell = start.next_cell()
    assert cell is not None
    assert cell.wanted_s - cell.have_s == max(g.wanted_s for g in goals)
    whole = progress_of(drive, goals)
    assert whole.next_cell() is None
    assert whole.says() == "The plan is complete"


def test_power_by_number_of_drives_is_of_what_is_out_of_its_band_else_of_the_total_trim():
    (trim,) = powers_for([], OF_CARS)
    assert trim.unit == "points"
    assert len(trim.sizes) == len(POWER_DRIVES)
    assert trim.sizes[0] / trim.sizes[3] == pytest.approx(np.sqrt(5.0))
    assert told_of([trim])[1].startswith("total fuel trim: ")
    assert told_of([trim])[1].endswith(" points")
    band = Band("b", "B", "V", (13.2, 14.9), (12.8, 15.2), "none")
    low = Subject("charging", "charging").judged("Charging", Measured(12.0, 0.1), band)
    good = Subject("idle", "idle speed").judged("Idle", Measured(14.0, 0.1), band)
    (charging,) = powers_for([good, low], OF_CARS)
    assert charging.title == low.heading
    steady = Repeats({low.heading: Scatter(0.02, degrees=30.0)})
    assert powers_for([low], steady)[0].sizes[0] < 0.5 * charging.sizes[0]


def test_what_the_power_says_is_what_simulated_repairs_show():
    """Of many repairs of the size that is told, four fifths are shown at the 5 % level."""
    scatter = Scatter(2.0, cell=1.0, degrees=60.0)
    (power,) = powers_for([], Repeats({"TOTAL_TRIM1": scatter}))
    rng = np.random.default_rng(7)
    for n, size in zip(POWER_DRIVES, power.sizes, strict=True):
        before, after = rng.normal(0.0, scatter.single, (2, 4000, n)).mean(axis=2)
        half = t_quantile(60.0) * scatter.single * np.sqrt(2.0 / n)
        assert np.mean(after + size - before > half) == pytest.approx(0.8, abs=0.03)


# --- other engines ---


def test_a_diesel_is_not_asked_for_a_hold_and_its_pull_counts_from_lower_speeds():
    """Seen: a hold at 2,500 rpm, and a pull above 3,000, where a diesel is near its end."""
    drive = road_drive(102)
    got = progress_of(drive)
    assert [s.step.key for s in got.steps] == [s.key for s in COMPRESSION_STEPS]
    assert "hold_2500" not in [s.step.key for s in got.steps]
    assert got.axis is not None
    assert got.axis.key == "APP_D"
    done = {s.step.key for s in got.steps if s.state is StepState.DONE}
    assert {"cruise", "coast_down"} <= done
    (power,) = powers_for([], OF_CARS.of_engine(True))
    assert power.title == "charge pressure"


def test_an_engine_that_stops_by_itself_has_to_be_kept_idling():
    for car, words in (
        (Car(stop_start=True), "switch stop-start off"),
        (Car(hybrid=True, stop_start=True), "inspection mode"),
    ):
        idle = next(s for s in steps_for(know(car, [])) if s.key == "warm_idle")
        assert words in idle.say
    assert steps_for(know(Car(), [])) == STEPS
