"""A job with a piece of every kind in its ledger, for tests that alter it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from logbench.cases.recording import NotesBeside
from logbench.cases.work import run_here
from logbench.job.folder import JobFolder, create_job
from logbench.job.ledger import LEDGER_FILE, Entry, entry_in
from logbench.job.model import Job, JobEvent
from logbench.job.pieces import NUMBERS
from logbench.job.seal import Seal, seal_of
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.notes import new_note
from logbench.vehicle.records.model import CarChange, CarReading

FIELDS = {
    "concern": "Rough idle when cold",
    "agreement": "Renew the hose",
    "conclusion": "The hose was split",
    "technician": "A. Example",
    "customer": {"name": "Ada Example", "contact": "ada@example.invalid"},
    "vehicle": {"label": "Blue van", "vin": "ZZ9TEST170X000001", "cylinders": 4},
    "symptoms": ["rough idle"],
    "sentences": {"airflow: idle": "It draws air past the meter."},
    "notes": [{"at_utc": "2026-05-04T07:30:00+00:00", "text": "Hose looks split."}],
    "work": [{"at_utc": "2026-05-05T10:00:00+00:00", "text": "Hose renewed."}],
    "parts": [{"name": "intake hose", "number": "EX-1"}],
    "options": [{"what": "renew", "cost": "80", "agreed": True}, {"what": "wait"}],
    "other_codes": [{"module": "airbag", "code": "B1000", "restraint": True}],
    "comparisons": [{"before": ["recordings/a.parquet"], "after": ["recordings/b.parquet"]}],
    "tests": [{"at_utc": "2026-05-04T08:00:00+00:00", "test": "smoke", "outcome": "leak"}],
}


def write_drive(path: Path, value: float = 800.0) -> Path:
    t_ns = np.arange(50, dtype=np.int64) * 100_000_000
    trace = Trace("RPM", "7E8", "rpm", t_ns, np.full(50, value))
    return write_recording(path, [trace], Facts(recording_id=path.stem))


def sealed_job(parent: Path) -> JobFolder:
    """Made by the doors of the program only: save, commit and the notes beside a recording."""
    folder, job = create_job(parent, "Blue van")
    for name, value in FIELDS.items():
        setattr(job, name, getattr(Job.model_validate({name: value}), name))
    Image.new("RGB", (8, 8), "red").save(parent / "hose.png")
    (parent / "invoice.txt").write_text("80", encoding="utf-8")
    drive = write_drive(parent / "a.parquet")
    folder.add_recording(job, drive, "before")
    folder.add_recording(job, write_drive(parent / "b.parquet", 900.0), "after")
    folder.add_reading(job, CarReading(read_utc="2026-05-04T07:00:00+00:00"), "before")
    folder.add_photo(job, parent / "hose.png", "split")
    folder.add_photo(job, parent / "invoice.txt")
    folder.save(job)
    (parent / "report.pdf").write_bytes(b"%PDF-1.7")
    folder.enter_written(parent / "report.pdf")
    folder.enter_written(parent / "invoice.txt", NUMBERS)
    change = CarChange(request="04", consent="clear", saved="readings/a.json")
    job.events.append(JobEvent(kind="codes cleared", text="done", change=change))
    folder.save(job)
    note(folder, "pulls here")
    return folder


def note(folder: JobFolder, text: str) -> None:
    """Say something of the drive, as the Review page does."""
    path = folder.path / "recordings" / "a.parquet"
    run_here(NotesBeside(path, "", lambda notes: [*notes, new_note(0, 1, text)]))


def lines(folder: JobFolder) -> list[bytes]:
    return (folder.path / LEDGER_FILE).read_bytes().splitlines()


def write(folder: JobFolder, kept: list[bytes]) -> None:
    (folder.path / LEDGER_FILE).write_bytes(b"".join(line + b"\n" for line in kept))


def entries(folder: JobFolder) -> list[Entry]:
    return [found[0] for line in lines(folder) if (found := entry_in(line)) is not None]


def changed(folder: JobFolder, *words: str) -> Seal:
    """It is found to be changed, and a sentence names each of these."""
    seal = seal_of(folder)
    assert seal.state == "changed"
    assert "CHANGED" in seal.sentence
    for word in words:
        assert any(word in problem for problem in seal.problems), (word, seal.problems)
    return seal
