"""The checks of charger, recirculation, rail, filter and exhaust on simulated cars they have never
seen: drawn cars, days and drives, by physics that stand elsewhere."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.run import run_checks
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.simulator.day import draw_day
from logbench.simulator.drawn import draw_car
from tests.analysis.fleet import RATES_HZ, WANTED, fleet_schedule
from tests.analysis.simulated import drive_of

CHECKS = (
    *("charge_pressure", "charge_cooler", "recirculation", "rail", "filter", "exhaust_heat"),
    "airflow",
)
ROUND_ROBIN = ("RPM", "VSS", "MAP", "MAF", "TP", "ECT", "IAT", "APP_D", "APP_E", "AAT")
ROUND_ROBIN_HZ = 11.0


@cache
def driven(kind: str, seed: int, fault: str = "") -> Recording:
    faults = {fault: 1.0} if fault else {}
    day, schedule = draw_day(seed), fleet_schedule(seed)
    return drive_of(draw_car(seed, kind), seed, faults, schedule, WANTED, RATES_HZ, day=day)


def one_after_the_other(whole: Recording) -> Recording:
    """As a slow adapter polls ten signals, nothing known of the car (real-figures)."""
    traces, step_ns = [], int(1e9 / ROUND_ROBIN_HZ)
    for place, name in enumerate(ROUND_ROBIN):
        trace = whole.trace(name)
        wanted = np.arange(trace.t_ns[0] + place * step_ns, trace.t_ns[-1], step_ns * 10)
        index = np.unique(np.searchsorted(trace.t_ns, wanted))
        traces.append(Trace(name, "7E8", "", trace.t_ns[index], trace.value[index]))
    return Recording.of(traces, Facts())


def out(found: list[Finding]) -> list[str]:
    return [f"{f.check}, {f.subject}: {f.reason}" for f in found if f.verdict.severity]


@pytest.mark.parametrize(
    ("kind", "seed"),
    [("diesel", 20004), ("diesel", 20007), ("charged", 21007), ("gasoline", 25000)],
)
def test_a_healthy_car_is_within(kind, seed):
    assert out(run_checks(driven(kind, seed), only=CHECKS)) == []


@pytest.mark.parametrize(
    "fault",
    ["boost_open", "egr_shut", "rail_low", "pump_weak", "filter_loaded", "filter_hose", "egt_dead"],
)
def test_a_fault_is_named_where_the_car_reports_what_shows_it(fault):
    found = run_checks(driven("diesel", 20004, fault), only=CHECKS)
    worst = max(f.verdict.severity for f in found)
    named = {text for f in found if f.verdict.severity == worst for text in f.causes[:2]}
    assert worst, fault
    assert {cause.text for cause in NAMED.values() if cause.key == fault} & named, out(found)


@pytest.mark.parametrize("seed", [20004, 20007])
def test_a_slow_log_of_ten_signals_is_judged_and_not_alarmed(seed):
    found = run_checks(one_after_the_other(driven("diesel", seed)), only=CHECKS)
    assert out(found) == []
    judged = {f.check for f in found if f.coverage is Coverage.JUDGED}
    assert {"charge_pressure", "airflow", "recirculation"} <= judged
    assert Verdict.ACT not in {f.verdict for f in found}


def test_a_plain_gasoline_car_has_one_line_of_each():
    found = run_checks(driven("gasoline", 25000), only=CHECKS[:-1])
    assert len(found) == len({f.check for f in found})
