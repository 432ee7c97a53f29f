"""`logbench job …` as typed: exit codes, what it prints, what it keeps; a car over a socket."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from logbench.cli.main import main
from logbench.job.folder import JobFolder, open_job
from logbench.job.seal import seal_of
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import LOSSES
from logbench.vehicle.records.model import CarReading, Code, MonitorState, Readiness
from tests.job.hurried import faulty_at_rest
from tests.job.test_pictures import png

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
VIN = "ZZ9TEST170X000001"
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
        (["new", "con"], "not a name for every file system"),
        (["new", "nowhere/visit"], "make it first"),
        (["show", "nothing"], "There is no job"),
        (["add", "visit", "visit/job.toml", "--role", "later"], "before, after or other"),
        (["add", "visit", "no.parquet"], "no.parquet"),
        (["diff", "visit"], "no reading before and after"),
        (["new", "other", "--vin", "ZZ9"], "17 characters"),
        (["new", "other", "--displacement", "30"], "at least 0.05 and at most 20, not 30"),
        (["set", "visit", "vin=ZZ9"], "17 characters"),
        (["set", "visit", "title=fine", "year=99"], "at least 1900 and at most 2200, not 99"),
        (["set", "visit", "color=red"], "agreement, conclusion"),
        (["part", "visit", "hose", "--quantity", "0"], "more than 0 and at most 1,000,000"),
        (["note", "visit", "x" * 20_001], "at most 20000 characters, this has 20001"),
        (["note", "visit", "x", "--at", "noon"], "not a date and time"),
        (["option", "nothing", "x"], "There is no job"),
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
    Image.new("RGB", (60, 40), "#99aabb").save(photo, "JPEG")
    paper.write_text("invented", encoding="utf-8")
    assert main(["job", "add", str(folder), str(photo), str(paper), "--label", "the hose"]) == 0
    _, job = open_job(folder)
    assert [entry.file for entry in (*job.photos, *job.files)] == [
        "photos/hose.JPG",
        "files/invoice.txt",
    ]
    assert job.photos[0].caption == "the hose"


@pytest.mark.parametrize(
    ("name", "data", "sentence"),
    [
        ("hose.jpg", b"\xff\xd8 and no more", "hose.jpg cannot be shown"),
        ("hose.png", b"", "hose.png cannot be shown"),
        ("HOSE.HEIC", b"ftypheic", "save it as JPEG or PNG"),
        ("drawing.svg", b"<svg/>", "save it as JPEG or PNG"),
        ("wide.png", png(60_000, 60_000, b""), "wide.png is too large"),
    ],
)
def test_a_photo_that_cannot_be_shown_is_not_taken_in(folder, capsys, name, data, sentence):
    photo, good = folder.parent / name, folder.parent / "good.png"
    photo.write_bytes(data)
    Image.new("RGB", (60, 40)).save(good)
    assert main(["job", "add", str(folder), str(photo), str(good)]) == 3
    assert sentence in said(capsys)
    _, job = open_job(folder)
    assert [entry.file for entry in (*job.photos, *job.files)] == ["photos/good.png"]
    assert not (folder / "files").exists()


def test_everything_of_a_job_is_entered_from_the_terminal(folder: Path, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("The hose was split.\nThe idle is steady.\n"))
    for words in (
        ["note", str(folder), "Hose split at the clamp", "--at", "2026-05-04T08:10Z"],
        ["work", str(folder / "job.toml"), "Intake hose renewed"],
        ["part", str(folder), "intake hose", "--number", "EX-1204", "--quantity", "2"],
        ["option", str(folder), "Renew the hose", "--cost", "120"],
        ["option", str(folder), "Renew the hose", "--agreed"],
        ["set", str(folder), "agreement=New hose, by telephone", "conclusion=-"],
        ["set", str(folder), "customer=Ada", f"vin={VIN.lower()}", "displacement_l=2.3"],
    ):
        assert main(["job", *words]) == 0, words
    _, job = open_job(folder)
    assert (job.notes[0].text, job.notes[0].at_utc) == (
        "Hose split at the clamp",
        "2026-05-04T08:10:00+00:00",
    )
    assert job.work[0].text == "Intake hose renewed"
    assert (job.parts[0].number, job.parts[0].quantity) == ("EX-1204", 2)
    assert [(o.what, o.cost, o.agreed) for o in job.options] == [("Renew the hose", "120", True)]
    assert job.conclusion == "The hose was split.\nThe idle is steady."
    car = job.vehicle
    assert (car.vin, car.displacement_l, job.customer.name) == (VIN, 2.3, "Ada")
    capsys.readouterr()
    assert main(["job", "show", str(folder)]) == 0
    out = said(capsys)
    for part in ("Part: 2 × intake hose, EX-1204", "Option: Renew the hose: 120; agreed",
                 "Agreed: New hose, by telephone", "Conclusion: The hose was split."):  # fmt: skip
        assert part in out
    assert main(["job", "set", str(folder), "displacement_l=", "conclusion="]) == 0
    _, job = open_job(folder)
    assert (job.vehicle.displacement_l, job.conclusion) == (None, "")


def test_a_vin_of_another_check_digit_is_taken_and_said(folder: Path, capsys):
    assert main(["job", "set", str(folder), f"vin={VIN[:8]}9{VIN[9:]}"]) == 0
    assert "check digit" in said(capsys)


def test_a_comparison_is_kept_although_nobody_reads_it(folder: Path):
    for role in ("before", "after"):
        recording = RECORDINGS / f"{role}.parquet"
        assert main(["job", "add", str(folder), str(recording), "--role", role]) == 0
    words = [sys.executable, "-m", "logbench", "job", "compare", str(folder), "--archive", ""]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        running.stdout.close()  # as `| head -0` does
        _, errors = running.communicate(timeout=300)
    assert b"Traceback" not in errors
    assert running.returncode in (0, 1, 2)
    _, job = open_job(folder)
    assert len(job.comparisons) == 1
    assert job.comparisons[0].sentence


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
    assert job.readings[-1].label == "after a clearing that the car refused"


def test_codes_are_cleared(folder: Path, capsys, monkeypatch):
    monkeypatch.setattr("typer.prompt", lambda *_, **__: CONSENT)
    with faulty_at_rest() as url:
        assert main(["job", "clear", str(folder), "--link", url]) == 0
    out = said(capsys)
    assert "7E8, 7E9 cleared. No stored or pending code is left." in out
    assert "Permanent: P0171 (7E8) System Too Lean, bank 1" in out
    job_folder, job = open_job(folder)
    assert [event.kind for event in job.events] == ["codes cleared"]
    assert job.readings[-1].label == "right after clearing"
    before, after = (job_folder.reading(entry) for entry in job.readings)
    assert [code.code for code in before.codes_in("stored")] == ["P0171"]
    assert [(code.code, code.state) for code in after.codes] == [("P0171", "permanent")]


def test_an_entry_is_corrected_or_withdrawn_and_the_ledger_keeps_that(folder: Path, capsys):
    for words in (("note", "Hose split"), ("work", "Hose renewed"), ("part", "hose"),
                  ("option", "renew")):  # fmt: skip
        assert main(["job", words[0], str(folder), words[1]]) == 0
        assert main(["job", words[0], str(folder), f"{words[1]} twice"]) == 0
    count = seal_of(JobFolder(folder)).entries
    for kind in ("note", "work", "part", "option"):
        assert main(["job", "correct", str(folder), kind, "1", "as it was"]) == 0
        assert main(["job", "withdraw", str(folder), kind, "2"]) == 0
    assert "Corrected: Hose split\nWithdrawn: Hose split twice" in capsys.readouterr().out
    job = JobFolder(folder).load()
    assert [note.text for note in job.notes] == ["as it was"]
    assert [part.name for part in job.parts] == ["as it was"]
    seal = seal_of(JobFolder(folder))
    assert (seal.state, seal.entries) == ("sealed", count + 8)
    for wrong, why in (
        (("withdraw", "note", "0"), "that is there. 1: as it was"),
        (("withdraw", "note", "2"), "that is there. 1: as it was"),
        (("correct", "note", "1", " "), "withdraw the entry instead"),
        (("correct", "part", "1", "x" * 301), "at most 300 characters, this has 301"),
    ):
        verb, *rest = wrong
        assert main(["job", verb, str(folder), *rest]) == 3
        assert why in capsys.readouterr().err
    assert main(["job", "withdraw", str(folder), "option", "1"]) == 0
    assert main(["job", "withdraw", str(folder), "option", "1"]) == 3
    assert "no entry of that kind" in capsys.readouterr().err
