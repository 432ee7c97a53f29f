"""What explains several drives of one car, in the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbench.analysis.causes.observations import of_one_car
from logbench.cases.causes import explain_files, explain_job
from logbench.cases.recording import judge
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import AnotherCarError
from logbench.job.folder import create_job
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording
from logbench.simulator.drawn import draw_car

BEFORE, AFTER = (
    Path(__file__).resolve().parents[2] / "recordings" / f"{name}.parquet"
    for name in ("before", "after")
)


def told(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    assert main(["causes", *map(str, args)]) == 0
    return capsys.readouterr().out


def test_the_demo_fault_is_explained_and_the_repaired_car_is_sound(capsys):
    """Seen: `logbench check` named two causes for the demo's lean idle, and left it at that."""
    document = json.loads(told(capsys, BEFORE, "--json"))
    keys = [cause["key"] for cause in document["causes"]]
    assert keys[0] == "unmetered_air"
    assert sum(h["probability"] for h in document["explanations"]) <= 1.0 + 1e-9
    assert document["causes"][0]["for"][0]["log_odds"] > 0
    after = json.loads(told(capsys, AFTER, "--json"))
    assert after["causes"][0]["key"] == "nothing_wrong"


def test_a_test_that_was_done_changes_the_order(capsys):
    plain = json.loads(told(capsys, BEFORE, "--json"))
    tested = json.loads(told(capsys, BEFORE, "--json", "--test", "smoke_test=nothing"))

    def of(document: dict) -> float:
        return next(c["probability"] for c in document["causes"] if c["key"] == "unmetered_air")

    assert of(tested) < of(plain)
    assert tested["tests"][0]["test"] == "smoke_test"


def test_the_terminal_says_it_carefully_and_what_to_do_next(capsys):
    text = told(capsys, BEFORE)
    assert "maker's procedure" in text
    assert "For the likeliest speaks:" in text
    assert "What tells most next:" in text
    text = told(capsys, BEFORE, "--test", "smoke_test=nothing")
    assert "What tells most next:" in text


def test_a_wrong_test_is_refused_with_what_there_is(capsys):
    assert main(["causes", str(BEFORE), "--test", "smoke_test"]) == 3
    assert "NAME=OUTCOME" in capsys.readouterr().err
    assert main(["causes", str(BEFORE), "--test", "nonsense=found"]) == 3
    assert "smoke_test" in capsys.readouterr().err


def test_drives_of_one_car_are_one_case_and_of_two_cars_none(tmp_path):
    both = run_here(explain_files((BEFORE, BEFORE)))
    once = run_here(explain_files((BEFORE,)))
    assert both.causes.ranked[0].cause == once.causes.ranked[0].cause
    recording = open_recording(BEFORE)
    vehicle = recording.facts.vehicle.model_copy(update={"vin": draw_car(7).vin})
    facts = recording.facts.model_copy(update={"vehicle": vehicle})
    other = write_recording(tmp_path / "other.parquet", list(recording.traces()), facts)
    with pytest.raises(AnotherCarError):
        run_here(explain_files((BEFORE, other)))


def test_a_job_is_weighed_by_all_its_drives_before_the_repair(tmp_path: Path):
    folder, job = create_job(tmp_path, "Rough idle, invented")
    for drive in (BEFORE, AFTER):
        folder.add_recording(job, drive, "before")
    both = run_here(explain_job(folder, job))
    alone = [run_here(judge(folder.recording(entry))).findings for entry in job.recordings]
    assert both.findings == tuple(of_one_car(alone))
    assert both.findings != alone[-1]
    assert sum(h.probability for h in both.causes.hypotheses) == pytest.approx(1.0)
