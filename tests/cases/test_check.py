"""Checking and comparing by the limits of whoever asks, in every front end."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.analysis.model import Finding, Verdict
from logbench.car.model import Car
from logbench.cases.compare import CompareFiles
from logbench.cases.recording import CheckRecording, ExportRecording, Judge
from logbench.cases.work import CancelledError, Work, run_here
from logbench.cli.main import main
from logbench.errors import BandsError, UsageError
from logbench.job.folder import create_job
from logbench.recording.export import Selection
from logbench.recording.model import Surroundings
from logbench.recording.reader import open_recording
from logbench.report.gather import gather
from logbench.report.options import ReportOptions

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
        _, judged = run_here(CheckRecording(DRIVES[1]))
        assert not judged.problem
        return [f for f in judged.findings if "Load" in f.subject]

    assert not own()
    usual.write_text(OWN)
    (finding,) = own()
    assert finding.verdict is Verdict.WITHIN
    opened = run_here(Judge(open_recording(DRIVES[1])))
    assert finding in opened.findings
    compared = run_here(CompareFiles((DRIVES[0],), (DRIVES[1],)))
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
    _, judged = run_here(CheckRecording(DRIVES[1]))
    assert "no_such_band" in judged.problem
    assert judged.findings
    assert "no_such_band" in run_here(CompareFiles((DRIVES[0],), (DRIVES[1],))).problem
    assert main(["check", str(DRIVES[1])]) == 0
    assert "no_such_band" in capsys.readouterr().err
    with pytest.raises(BandsError):  # who names a file wants it
        run_here(CheckRecording(DRIVES[1], usual))


def test_what_is_stated_goes_before_the_file():
    stated = Car(displacement_l=1.1)
    recording, judged = run_here(
        CheckRecording(DRIVES[1], None, stated, Surroundings(altitude_m=4000.0))
    )
    assert recording.facts.vehicle.displacement_l == 1.1
    assert recording.facts.vehicle.vin == "ZZ9TEST170X000001"
    height = [f for f in judged.findings if (f.check, f.subject) == ("pressures", "height")]
    assert [f.verdict for f in height] == [Verdict.ACT]


def test_a_check_that_is_cancelled_has_no_answer():
    work = Work()
    work.cancel()
    with pytest.raises(CancelledError):
        CheckRecording(DRIVES[1]).run(work)


def test_an_export_ends_in_what_it_is(tmp_path: Path):
    with pytest.raises(UsageError, match=r"\.csv or \.parquet"):
        run_here(ExportRecording(DRIVES[0], tmp_path / "x.docx", Selection()))
    made = run_here(ExportRecording(DRIVES[0], tmp_path / "x.csv", Selection(("RPM",), 0.0, 5.0)))
    again = run_here(ExportRecording(DRIVES[0], tmp_path / "x.csv", Selection(("RPM",), 0.0, 5.0)))
    assert made.read_bytes() == again.read_bytes()
    assert again.name == "x-2.csv"
