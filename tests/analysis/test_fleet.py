"""The fleet script itself; its figures are made by running it."""

from __future__ import annotations

from logbench.simulator.cars import draw_car
from logbench.simulator.faults import FAULT_NAMES, possible_faults
from tests.analysis.fleet import (
    KEYS,
    Outcome,
    drive_one,
    fleet_schedule,
    plot,
    report,
    tasks,
)


def test_every_fault_has_a_cause_that_names_it():
    named = set().union(*KEYS.values())
    assert set(FAULT_NAMES) <= named


def test_schedules_and_tasks_are_drawn_from_the_seed_alone():
    assert fleet_schedule(5) == fleet_schedule(5)
    assert fleet_schedule(5) != fleet_schedule(6)
    todo = tasks(3, 50, (0.5, 1.0))
    cars = [draw_car(seed) for seed in (50, 51, 52)]
    assert len(todo) == sum(1 + 2 * len(possible_faults(car)) for car in cars)


def test_one_faulty_drive():
    outcome = drive_one((10_003, "weak_alternator", 1.0))
    assert outcome.named
    assert outcome.worst == "act"
    assert outcome.first == "weak_alternator"
    assert "charging" in outcome.acted


def made(fault, severity, worst, named, first, acted=()):
    return Outcome(1, fault, severity, worst, named, first, acted, ("fuel_trim", "airflow"))


def test_report_and_plot(tmp_path):
    outcomes = [
        made("healthy", 0.0, "within", False, "none"),
        made("healthy", 0.0, "act", False, "maf_low", ("airflow",)),
        made("maf_low", 0.5, "watch", True, "maf_low"),
        made("maf_low", 1.0, "act", True, "maf_low", ("airflow",)),
        made("maf_low", 1.0, "act", False, "weak_fuel", ("fuel_trim",)),
    ]
    text = report(outcomes)
    assert "1 of 4 judged checks say `act` (25.00 %)" in text
    assert "| maf_low | 0 / 100 / 100 | 100 / 100 / 50 |" in text
    assert "At severity 1: 50.0 % named." in text
    plot(outcomes, tmp_path / "fleet.png")
    assert (tmp_path / "fleet.png").stat().st_size > 10_000
