"""The fleet script itself; its figures are made by running it."""

from __future__ import annotations

from collections import Counter

import pytest
from scipy.stats import binomtest

from logbench.simulator.cars import named_car
from logbench.simulator.drawn import SHARES, draw_kind
from logbench.simulator.faults import FAULT_NAMES, possible_faults
from tests.analysis.fleet import KEYS, car_of, drive_one, fleet_schedule, run, tasks
from tests.analysis.fleet_report import Outcome, hidden_because, plot, report, wilson


def test_every_fault_has_a_cause_that_names_it():
    named = set().union(*KEYS.values())
    assert set(FAULT_NAMES) <= named


def test_schedules_and_tasks_are_drawn_from_the_seed_alone():
    assert fleet_schedule(5) == fleet_schedule(5)
    assert fleet_schedule(5) != fleet_schedule(6)
    todo = tasks(3, 50, (0.5, 1.0), 4)
    assert todo == tasks(3, 50, (0.5, 1.0), 4)
    assert len(todo) == 3 * (1 + 2 * 4)
    for seed, fault, _ in todo:
        assert not fault or fault in possible_faults(car_of(seed))
    able = possible_faults(car_of(50))
    assert len(tasks(1, 50, (1.0,), 99)) == 1 + len(able)


def test_kinds_are_drawn_in_their_shares():
    drawn = Counter(draw_kind(seed) for seed in range(4000))
    for kind, wanted in SHARES.items():
        assert drawn[kind] / 4000 == pytest.approx(wanted, abs=0.025)
    assert sum(SHARES.values()) == pytest.approx(1.0)


def test_one_faulty_drive():
    outcome = drive_one((10_003, "weak_alternator", 1.0))
    assert outcome.named
    assert outcome.worst == "act"
    assert outcome.first == "weak_alternator"
    assert "charging" in outcome.acted


def made(fault, severity, worst, named, first, acted=(), hidden="", seed=1):
    judged = ("fuel_trim", "airflow")
    return Outcome(seed, fault, severity, worst, named, first, acted, judged, hidden)


OUTCOMES = [
    made("healthy", 0.0, "within", False, "none"),
    made("healthy", 0.0, "act", False, "maf_low", ("airflow",), seed=2),
    made("maf_low", 0.5, "watch", True, "maf_low"),
    made("maf_low", 1.0, "act", True, "maf_low", ("airflow",)),
    made("maf_low", 1.0, "act", False, "weak_fuel", ("fuel_trim",), seed=2),
    made("unmetered_air", 0.5, "within", False, "none", hidden="no air-flow sensor"),
    made("unmetered_air", 1.0, "watch", True, "unmetered_air", hidden="no air-flow sensor"),
]


def test_report_and_plot(tmp_path):
    text = report(OUTCOMES, "python -m fleet")
    assert "1 of 4 (25.00 %, 95 % interval 4.56 to 69.94 %) of the judged checks say `act`" in text
    assert "| maf_low | 2 | 0 / 100 / 100 | 100 / 100 / 50 |" in text
    # what cannot show counts in the second figure only
    assert "1 of 2 (50.00 %" in text
    assert "2 of 3 (66.67 %" in text
    assert "| gasoline | 2 | 1 of 4 | 0 | 1: 100 / 100 | 2: 100 / 50 |" in text
    assert "unmetered_air, 2 drives: no air-flow sensor. What the checks said: 0 / 0 / 0 at" in text
    assert "| unmetered_air | 0 | - | - |" in text
    plot(OUTCOMES, tmp_path / "fleet.png")
    assert (tmp_path / "fleet.png").stat().st_size > 10_000


@pytest.mark.parametrize(
    ("hits", "of"), [(0, 20), (1, 300), (29, 30), (285, 300), (30, 30), (0, 1)]
)
def test_wilson_is_that_of_a_reference_library(hits, of):
    # scipy's own implementation of Wilson's interval
    expected = binomtest(hits, of).proportion_ci(0.95, method="wilson")
    assert wilson(hits, of) == pytest.approx((100 * expected.low, 100 * expected.high), abs=1e-3)


def test_what_cannot_show_is_known_from_the_car_alone():
    metered, by_pressure = named_car("demo"), named_car("demo-small")
    assert hidden_because(metered, "unmetered_air", ()) == ""
    assert "manifold pressure" in hidden_because(by_pressure, "unmetered_air", ("MAP",))
    assert hidden_because(by_pressure, "weak_fuel", ()) == ""
    diesel = named_car("demo-diesel")
    assert "glow plug" in hidden_because(diesel, "glow_plug", (), 12.0)
    assert hidden_because(diesel, "glow_plug", (), -5.0) == ""


def test_an_interrupted_run_goes_on(tmp_path):
    todo = [(1, "", 0.0), (2, "maf_low", 0.5), (2, "maf_low", 1.0), (3, "", 0.0)]
    asked = []

    def drives(left, breaks_after=99):
        for k, (seed, fault, severity) in enumerate(left):
            if k == breaks_after:
                raise KeyboardInterrupt
            asked.append((seed, fault, severity))
            yield made(fault or "healthy", severity, "act", True, "none", ("a", "b"), seed=seed)

    work = tmp_path / "fleet.jsonl"
    with pytest.raises(KeyboardInterrupt):
        run(todo, work, lambda left: drives(left, 2))
    whole = work.read_text(encoding="utf-8")
    work.write_text(whole + '{"seed": 2, "fau', encoding="utf-8")  # killed while it wrote
    outcomes = run(todo, work, drives)
    assert asked == todo  # none twice
    assert [(o.seed, o.severity) for o in outcomes] == [(t[0], t[2]) for t in todo]
    assert run(todo, work, drives) == outcomes  # all from the file
    assert asked == todo
