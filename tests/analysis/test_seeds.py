"""The three checks on ten simulated cars a fault, drawn from seeds they were not made with."""

from __future__ import annotations

import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks, worst
from tests.analysis.simulated import COLD, WARM, seeds_for, simulated

FIRST_SEED = 101
THREE = ("fuel_trim", "airflow", "warm_up")

FAULTS = {
    "unmetered_air": ("fuel_trim", NAMED["unmetered_air"]),
    "maf_low": ("fuel_trim", NAMED["maf_low"]),
    "weak_fuel": ("fuel_trim", NAMED["weak_fuel"]),
    "leaking_injector": ("fuel_trim", NAMED["rich_fuel"]),  # or that of one bank
    "one_bank_lean": ("fuel_trim", NAMED["bank_lean"]),
    "thermostat_open": ("warm_up", NAMED["thermostat_open"]),
}
CASES = [(f, s) for f in FAULTS for s in seeds_for(f, 10, FIRST_SEED)]


def told(findings) -> str:
    return "; ".join(f"{f.subject}: {f.verdict.value}: {f.reason}" for f in findings)


@pytest.mark.parametrize("seed", seeds_for("", 10, FIRST_SEED))
def test_a_healthy_car_is_within(seed):
    stated = bool(seed % 2)
    found = run_checks(simulated(seed, {}, stated=stated), only=THREE)
    found += run_checks(simulated(seed, {}, COLD, stated=stated), only=["warm_up"])
    for check in THREE:
        mine = [f for f in found if f.check == check]
        assert {f.verdict for f in mine} <= {Verdict.WITHIN, Verdict.NOT_JUDGED}, told(mine)
    for check in ("fuel_trim", "warm_up"):
        assert worst([f for f in found if f.check == check]) is Verdict.WITHIN
    if not any("MAF was not recorded" in f.reason for f in found):
        assert worst([f for f in found if f.check == "airflow"]) is Verdict.WITHIN


@pytest.mark.parametrize(("fault", "seed"), CASES)
def test_a_plain_fault_is_found_and_named(fault, seed):
    check, cause = FAULTS[fault]
    schedule = COLD if check == "warm_up" else WARM
    found = run_checks(simulated(seed, {fault: 1.0}, schedule, stated=bool(seed % 2)), only=THREE)
    mine = [f for f in found if f.check == check]
    assert worst(mine).severity, told(mine)
    first = {c for f in mine if f.verdict is worst(mine) for c in f.causes[:2]}
    same = {c.text for c in NAMED.values() if c.key == cause.key}
    assert first & same, told(mine)
    if fault == "maf_low":
        airflow = [f for f in found if f.check == "airflow"]
        assert worst(airflow).severity, told(airflow)
    for other in {"fuel_trim", "warm_up"} - {check}:
        assert worst([f for f in found if f.check == other]) is not Verdict.ACT
