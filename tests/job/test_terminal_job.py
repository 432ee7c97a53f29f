"""`logbench job …` as typed: exit codes, what it prints, what it keeps; a car over a socket."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logbench.cli.main import main
from logbench.job.folder import open_job
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import LOSSES
from logbench.vehicle.records.model import CarReading, Code, MonitorState, Readiness
from tests.job.hurried import faulty_at_rest

FAULTY = "sim:?fault=unmetered_air:1&schedule=short-drive&start_s=270&speed=0.1&baud=0&latency_ms=1"
"""Idling at the end of a drive on which the code was set; slow, so that it goes on idling."""


@pytest.fixture
def folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "visit"
    words = ["--title", "Rough idle", "--concern", "Shakes at idle.", "--vehicle-label", "blue van"]
    assert main(["job", "new", str(path), *words]) == 0
    capsys.readouterr()
    return path


def said(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return " ".join((captured.out + captured.err).split())


def reading(*codes: Code, complete: bool = False) -> CarReading:
    states = ("stored", "pending", "permanent")
    return CarReading(
        read_utc="2026-03-01T10:00:00+00:00",
        complete=True,
        codes=list(codes),
        answered={f"{state} codes": ["7E8"] for state in states},
        readiness=[
            Readiness(
                ecu="7E8", monitors=[MonitorState(key="CAT", name="Catalyst", complete=complete)]
            )
        ],
    )


def test_new_and_show(folder: Path, capsys):
    _, job = open_job(folder)
    assert (job.title, job.concern, job.vehicle.label) == (
        "Rough idle",
        "Shakes at idle.",
        "blue van",
    )
    assert main(["job", "show", str(folder)]) == 0
    out = said(capsys)
    for part in ("Rough idle", "Concern: Shakes at idle.", "Car: blue van", "job opened"):
        assert part in out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["new", "visit"], "exists already"),
        (["new", "con"], "no name for every file system"),
        (["new", "nowhere/visit"], "make it first"),
        (["show", "nothing"], "There is no job"),
        (["add", "visit", "visit/job.toml", "--role", "later"], "before, after or other"),
        (["add", "visit", "no.parquet"], "no.parquet"),
        (["diff", "visit"], "no reading before and after"),
        (["read", "visit", "--link", "pigeon:7"], "tcp://"),
        (["read", "visit", "--link", "sim:?fault=gremlins:1"], "gremlins"),
        (["clear", "visit", "--link", "tcp://127.0.0.1:9", "--consent", CONSENT], "127.0.0.1"),
    ],
)
def test_trouble_is_one_sentence_and_exit_code_3(
    folder: Path, capsys, monkeypatch, arguments: list[str], sentence: str
):
    monkeypatch.chdir(folder.parent)
    before = (folder / "job.toml").read_bytes()
    assert main(["job", *arguments]) == 3
    captured = capsys.readouterr()
    assert captured.err.startswith("logbench: ")
    assert len(captured.err.splitlines()) == 1
    assert sentence in captured.err
    assert (folder / "job.toml").read_bytes() == before


def test_files_are_taken_in(folder: Path, capsys):
    photo, paper = folder.parent / "hose.JPG", folder.parent / "invoice.txt"
    photo.write_bytes(b"not looked at here")
    paper.write_text("invented", encoding="utf-8")
    assert main(["job", "add", str(folder), str(photo), str(paper), "--label", "the hose"]) == 0
    _, job = open_job(folder)
    assert [entry.file for entry in (*job.photos, *job.files)] == [
        "photos/hose.JPG",
        "files/invoice.txt",
    ]
    assert job.photos[0].caption == "the hose"


def test_diff_tells_gone_new_and_run(folder: Path, capsys):
    job_folder, job = open_job(folder)
    lean = Code(code="P0171", state="stored", ecu="7E8", text="System Too Lean")
    rich = Code(code="P0172", state="pending", ecu="7E8", text="System Too Rich")
    job_folder.add_reading(job, reading(lean), "before")
    job_folder.add_reading(job, reading(rich, complete=True), "after")
    job_folder.save(job)
    assert main(["job", "diff", str(folder)]) == 0
    out = said(capsys)
    assert "1 code gone, 1 code new; 1 monitor run since." in out
    assert "Gone: P0171 (7E8) System Too Lean: stored, then none" in out
    assert "New: P0172 (7E8) System Too Rich: none, then pending" in out
    assert "Run since: 7E8 Catalyst" in out


def test_what_a_job_says_is_no_markup_and_no_control(folder: Path, capsys):
    job_folder, job = open_job(folder)
    job.concern = "[red]shakes[/red] \x1b[2J"
    job_folder.save(job)
    assert main(["job", "show", str(folder)]) == 0
    captured = capsys.readouterr().out
    assert "[red]shakes[/red]" in captured
    assert "\x1b[2J" not in captured


def test_a_simulated_car_is_read_and_cleared(folder: Path, capsys, monkeypatch):
    assert main(["job", "read", str(folder), "--link", FAULTY]) == 0
    out = said(capsys)
    for state in ("Stored", "Pending", "Permanent"):
        assert f"{state}: P0171 (7E8) System Too Lean, bank 1" in out
    assert "Freeze frame 0 of 7E8: P0171" in out
    assert re.search(r"monitors of 7E8 (are not )?", out)
    _, job = open_job(folder)
    assert [entry.role for entry in job.readings] == ["before"]
    assert job.vehicle.source("odometer_km") == "read"

    # without the words nothing is cleared, and what would be lost was told
    monkeypatch.setattr("typer.prompt", lambda *_, **__: "yes")
    assert main(["job", "clear", str(folder), "--link", FAULTY]) == 3
    out = said(capsys)
    assert all(loss in out for loss in LOSSES)
    assert "without consent" in out

    # this car refuses while its engine runs: the reading made before is kept, exit code 1
    assert main(["job", "clear", str(folder), "--link", FAULTY, "--consent", CONSENT]) == 1
    assert "Not cleared: 7E8: the conditions are not right" in said(capsys)
    _, job = open_job(folder)
    assert [entry.role for entry in job.readings] == ["before", "before", "other"]
    assert [event.kind for event in job.events] == ["clearing tried"]


def test_codes_are_cleared(folder: Path, capsys, monkeypatch):
    monkeypatch.setattr("typer.prompt", lambda *_, **__: CONSENT)
    with faulty_at_rest() as url:
        assert main(["job", "clear", str(folder), "--link", url]) == 0
    out = said(capsys)
    assert "7E8, 7E9 cleared. No stored or pending code is left." in out
    assert "Permanent: P0171 (7E8) System Too Lean, bank 1" in out
    job_folder, job = open_job(folder)
    assert [event.kind for event in job.events] == ["codes cleared"]
    before, after = (job_folder.reading(entry) for entry in job.readings)
    assert [code.code for code in before.codes_in("stored")] == ["P0171"]
    assert [(code.code, code.state) for code in after.codes] == [("P0171", "permanent")]
