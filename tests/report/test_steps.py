"""What to do next, and what follows the first page, of a job that is only as large as the case."""

from __future__ import annotations

from logbench.analysis.bands import load_bands
from logbench.job.model import Job, Option
from logbench.report.gather import Material
from logbench.report.options import ReportOptions
from logbench.report.steps import next_steps
from logbench.vehicle.records.model import CarReading, MonitorState, Readiness


def steps(job: Job, after: CarReading | None = None) -> dict[str, str]:
    material = Material(job, ReportOptions(), "logbench", load_bands())
    material.after = after
    return next_steps(material)


def monitor(name: str, complete: bool) -> MonitorState:
    return MonitorState(key=name, name=name, complete=complete)


def test_only_what_was_declined_and_touches_safety_is_told():
    options = [Option(what="brakes", agreed=False, safety="They pull to one side.")]
    assert "brakes" in steps(Job(options=options))["next: safety"]
    for agreed in (True, None):
        options[0].agreed = agreed
        assert "brakes" not in steps(Job(options=options))["next: safety"]


def test_the_lamp_is_told_and_monitors_are_counted():
    monitors = [monitor("catalyst", True), monitor("misfire", True), monitor("evap", False)]
    reading = CarReading(readiness=[Readiness(ecu="7E8", lamp_on=True, monitors=monitors)])
    told = steps(Job(), reading)
    assert "warning lamp was on" in told["next: safety"]
    assert "2 of 3 are complete. Not yet: evap." in told["next: inspection"]
    reading.readiness[0].lamp_on = False
    assert "lamp" not in steps(Job(), reading)["next: safety"]


def test_limits_are_never_left_out_and_evidence_is_for_a_claims_file():
    only = ReportOptions(sections=("found",))
    assert (only.has("found"), only.has("limits"), only.has("done")) == (True, True, False)
    for audience, shown in (("owner", False), ("technician", False), ("claims", True)):
        assert ReportOptions(audience=audience).has("methods") is shown
    assert ReportOptions(audience="technician").has("found")
    assert not ReportOptions(audience="owner").has("limits")
