"""Checking and comparing by the limits of whoever asks, in every front end."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from logbench.analysis.model import Finding, Verdict
from logbench.car.model import Car
from logbench.cases.compare import compare_files
from logbench.cases.recording import ExportRecording, check_recording, judge
from logbench.cases.work import CancelledError, Work, run_here
from logbench.cli.main import main
from logbench.errors import BandsError, UsageError
from logbench.job.folder import create_job
from logbench.recording.export import Selection
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, Surroundings, Trace
from logbench.recording.notes import change_notes, new_note, read_notes
from logbench.recording.reader import open_recording
from logbench.report.gather import gather
from logbench.report.options import ReportOptions
from tests.analysis.diesel import diesel_drive

DRIVES = [
    Path(__file__).resolve().parents[2] / "recordings" / f"{n}.parquet" for n in ("before", "after")
]
OWN = """
[check.load]
title = "Load"
value = "LOAD_PCT"
unit = "%"
within = [0, 100]
watch = [0, 100]
basis = "invented"
"""


@pytest.fixture
def usual(tmp_path, monkeypatch) -> Path:
    """The user's own limits at the usual place; none as yet."""
    place = tmp_path / "own_limits.toml"
    monkeypatch.setattr("logbench.analysis.bands.own_limits_path", lambda: place)
    return place


def test_own_checks_at_the_usual_place_count_everywhere(usual: Path):
    def own() -> list[Finding]:
        _, judged = run_here(check_recording(DRIVES[1]))
        assert not judged.problem
        return [f for f in judged.findings if "Load" in f.subject]

    assert not own()
    usual.write_text(OWN)
    (finding,) = own()
    assert finding.verdict is Verdict.WITHIN
    opened = run_here(judge(open_recording(DRIVES[1])))
    assert finding in opened.findings
    compared = run_here(compare_files((DRIVES[0],), (DRIVES[1],)))
    assert any("Load" in f.subject for f in compared.result.findings)


def test_a_report_judges_alike(usual: Path, tmp_path: Path):
    usual.write_text(OWN)
    folder, job = create_job(tmp_path, "car")
    folder.add_recording(job, DRIVES[1], "after")
    (drive,) = gather(folder, job, ReportOptions()).drives
    assert any("Load" in f.subject for f in drive.findings)
    usual.write_text("[no_such_band]\nwithin = [0, 1]\n")
    assert "no_such_band" in " ".join(gather(folder, job, ReportOptions()).problems)


def test_own_limits_that_are_wrong_are_said_and_not_used(usual: Path, capsys):
    usual.write_text("[no_such_band]\nwithin = [0, 1]\n")
    _, judged = run_here(check_recording(DRIVES[1]))
    assert "no_such_band" in judged.problem
    assert judged.findings
    assert "no_such_band" in run_here(compare_files((DRIVES[0],), (DRIVES[1],))).problem
    assert main(["check", str(DRIVES[1])]) == 0
    assert "no_such_band" in capsys.readouterr().err
    with pytest.raises(BandsError):  # who names a file wants it
        run_here(check_recording(DRIVES[1], usual))


def test_what_is_stated_goes_before_the_file():
    stated = Car(displacement_l=1.1)
    recording, judged = run_here(
        check_recording(DRIVES[1], None, stated, Surroundings(altitude_m=4000.0))
    )
    assert recording.facts.vehicle.displacement_l == 1.1
    assert recording.facts.vehicle.vin == "ZZ9TEST170X000001"
    height = [f for f in judged.findings if (f.check, f.subject) == ("pressures", "height")]
    assert [f.verdict for f in height] == [Verdict.ACT]


def test_a_check_that_is_canceled_has_no_answer():
    work = Work()
    work.cancel()
    with pytest.raises(CancelledError):
        check_recording(DRIVES[1]).run(work)


def test_an_export_ends_in_what_it_is(tmp_path: Path):
    with pytest.raises(UsageError, match=r"\.csv or \.parquet"):
        run_here(ExportRecording(DRIVES[0], tmp_path / "x.docx", Selection()))
    made = run_here(ExportRecording(DRIVES[0], tmp_path / "x.csv", Selection(("RPM",), 0.0, 5.0)))
    again = run_here(ExportRecording(DRIVES[0], tmp_path / "x.csv", Selection(("RPM",), 0.0, 5.0)))
    assert made.read_bytes() == again.read_bytes()
    assert again.name == "x-2.csv"


def test_an_export_holds_what_was_noted(tmp_path: Path):
    second = 10**9
    facts = Facts(
        events=[Event(t_ns=3 * second, kind="marker"), Event(t_ns=9 * second, kind="gap")]
    )
    t_ns = np.arange(0, 10 * second, second)
    drive = write_recording(
        tmp_path / "a.parquet", [Trace("RPM", "7E8", "rpm", t_ns, t_ns / 1e9)], facts
    )
    sha256 = open_recording(drive).facts.samples_sha256
    hiss = new_note(second, 2 * second, "=hiss\nat idle")
    change_notes(drive, sha256, lambda _: [hiss])
    for step_s in (None, 1.0):
        part = Selection(None, 0.5, 8.0)
        made = run_here(ExportRecording(drive, tmp_path / "a.csv", part, step_s=step_s))
        rows = made.read_text("utf-8-sig").splitlines()
        assert rows[0] == "t_s,RPM (rpm),note"
        assert {row.split(",")[0]: row.split(",")[2] for row in rows[1:]} == {
            f"{n}.000000000": {1: '"""=hiss at idle"" (1.0 to 2.0 s)"', 3: "marker (3.0 s)"}.get(
                n, ""
            )
            for n in range(1, 8)
        }
    made = run_here(ExportRecording(drive, tmp_path / "b.parquet", Selection(("RPM",), 0.0, 5.0)))
    assert read_notes(made, open_recording(made).facts.samples_sha256) == (hiss,)


def test_the_terminal_says_what_engine_it_is_and_a_person_goes_before(tmp_path, capsys):
    recording = diesel_drive(signals="RPM VSS MAP MAF TP ECT IAT LOAD_PCT BARO")
    path = str(write_recording(tmp_path / "drive.parquet", recording.traces(), recording.facts))
    assert main(["check", path]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "probably a compression-ignition engine (9" in said
    assert main(["check", path, "--json"]) == 0
    engine = {told["name"]: told for told in json.loads(capsys.readouterr().out)["engine"]}
    assert engine["compression ignition"]["probability"] > 0.9
    assert set(engine["charged"]) == {"name", "probability", "text"}
    main(["check", path, "--json", "--fuel", "gasoline"])
    engine = {told["name"]: told for told in json.loads(capsys.readouterr().out)["engine"]}
    assert engine["compression ignition"]["text"] == "a spark-ignition engine (as stated)"
