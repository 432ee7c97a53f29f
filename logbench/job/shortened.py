"""A copy of a job for third parties, in which names, plates and VINs are shortened.

Wherever they stand, also within a sentence, a name becomes its initials, a VIN its first eleven
characters (the kind of car, its year and works; ISO 3779), a plate or contact an ellipsis. Photos
and other files stay behind, for nobody can look into them; so do the raw exchanges, in which the
car tells its VIN. Samples, times, codes and findings are as they were.

The copy has the job's ledger as it is, and behind it an entry for each shortened piece: of which
original it is a copy, by its SHA-256.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from logbench.car.model import Car
from logbench.foreign import raw
from logbench.job.folder import JOB_FILE, JobFolder, job_text
from logbench.job.ledger import SHORTENED, Ledger
from logbench.job.model import Job, LedgerMark
from logbench.job.pieces import (
    BESIDE,
    Change,
    Piece,
    pieces_of,
    sha256_of,
)
from logbench.job.privacy import stand_ins
from logbench.recording.finish import write_recording
from logbench.recording.notes import notes_path, read_beside
from logbench.recording.reader import open_recording
from logbench.recording.storage import file_sha256, write_whole
from logbench.system.private import make_folder

ModelT = TypeVar("ModelT", bound=BaseModel)
LEFT_OUT = "…"
_KINDS = 11
"""Characters of a VIN that say what kind of car it is; the rest counts the cars."""
_LEAST = 3
"""Letters of a part of a name; shorter ones stand in many words."""


@dataclass(frozen=True)
class Shortener:
    """What is shortened, and what stands in its place."""

    stand_ins: tuple[tuple[re.Pattern[str], str], ...]

    @classmethod
    def of(cls, folder: JobFolder, job: Job) -> Shortener:
        """Of all that the job, its readings and its recordings say of whose car it is."""
        names = [raw(job.customer.name)]
        hidden = [raw(job.customer.contact)]
        vins = []
        for car in _cars(folder, job):
            names.append(raw(car.label))
            hidden.append(raw(car.registration))
            vins += [raw(car.vin), raw(car.identity.vin), raw(_read_vin(car))]
        found = {vin: vin[:_KINDS] + "*" * len(vin[_KINDS:]) for vin in vins}
        found |= dict.fromkeys(hidden, LEFT_OUT)
        for name in names:
            found[name] = " ".join(f"{part[0]}." for part in name.split())
            found |= {
                part: f"{part[0]}." for part in re.findall(r"\w+", name) if len(part) >= _LEAST
            }
        longest = sorted(filter(str.strip, found), key=len, reverse=True)
        return cls(tuple(
            (re.compile(rf"(?<!\w){re.escape(text)}(?!\w)", re.IGNORECASE), found[text])
            for text in longest
        ))  # fmt: skip

    def text(self, text: str) -> str:
        """A text with everything in it shortened."""
        for pattern, stand_in in self.stand_ins:
            text = pattern.sub(lambda _, put=stand_in: put, text)  # type: ignore[misc]
        return text

    def model(self, model: ModelT) -> ModelT:
        """The same of all texts of a model."""
        return type(model).model_validate(self._of(model.model_dump(mode="json")))

    def _of(self, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: self._of(one) for name, one in value.items()}
        if isinstance(value, list):
            return [self._of(one) for one in value]
        return self.text(raw(value)) if isinstance(value, str) else value


def shortened_copy(folder: JobFolder, target: Path) -> JobFolder:
    """Write a shortened copy of a job into a new folder. Raises JobError, StorageError, and as the
    reader for a recording that cannot be read: take it out of the job first."""
    job = folder.load()
    lines = folder.ledger.lines()
    short, names = Shortener.of(folder, job), stand_ins(job)
    made = short.model(job)
    made.job_id = uuid.uuid4().hex
    made.photos, made.files = [], []
    for name in ("recordings", "readings"):
        make_folder(target / name)
    beside = list(_copy_recordings(folder, job, made, target, short))
    _copy_readings(folder, job, made, target, short)
    for old, new in zip(job.comparisons, made.comparisons, strict=True):
        new.before = [_recording_name(names, file) for file in old.before]
        new.after = [_recording_name(names, file) for file in old.after]
    ledger = Ledger(target)
    write_whole(ledger.file, b"".join(line + b"\n" for line in lines))
    changes = [Change(SHORTENED, None, None), *_changes(job, made), *beside]
    more = ledger.signed(changes, begun=False, job_id=made.job_id)
    made.ledger = LedgerMark(
        begun_utc=job.ledger.begun_utc, entries=max(job.ledger.entries, len(lines)) + len(more)
    )
    ledger.commit(target / JOB_FILE, job_text(made).encode(), more)
    return JobFolder(target)


def _recording_name(names: dict[str, str], file: str) -> str:
    return f"recordings/{names.get(raw(file), 'missing')}.parquet"


def _copy_recordings(
    folder: JobFolder, job: Job, made: Job, target: Path, short: Shortener
) -> Iterator[Change]:
    """Recordings without their exchanges, with their notes; what enters of the notes."""
    names = stand_ins(job)
    for old, new in zip(job.recordings, made.recordings, strict=True):
        recording = folder.recording(old)
        facts = short.model(recording.facts)
        new.file = _recording_name(names, old.file)
        path = write_recording(target / new.file, recording.traces(), facts)
        new.sha256 = file_sha256(path)
        original = notes_path(folder.place(old.file))
        if original.exists():
            digest = file_sha256(original)
            yield Change(BESIDE, None, Piece(BESIDE, digest, of=raw(old.sha256)))
        beside = read_beside(folder.place(old.file), recording.facts.samples_sha256)
        if beside.notes:
            copied = short.model(beside)
            copied.corrections, copied.samples_sha256 = (
                [],
                open_recording(path).facts.samples_sha256,
            )
            data = copied.model_dump_json(indent=1).encode()
            write_whole(notes_path(path), data)
            yield Change(BESIDE, Piece(BESIDE, sha256_of(data), of=raw(new.sha256)), None)


def _copy_readings(folder: JobFolder, job: Job, made: Job, target: Path, short: Shortener) -> None:
    names = stand_ins(job)
    for old, new in zip(job.readings, made.readings, strict=True):
        reading = short.model(folder.reading(old))
        new.file = f"readings/{names[raw(old.file)]}.json"
        data = reading.model_dump_json(indent=1).encode()
        write_whole(target / new.file, data)
        new.sha256 = sha256_of(data)


def _changes(job: Job, made: Job) -> Iterator[Change]:
    """Each piece, with the original it is a shortened copy of; those that stay behind."""
    copies: dict[str, list[Piece]] = {}
    for piece in pieces_of(made):
        copies.setdefault(piece.kind, []).append(piece)
    for old in pieces_of(job):
        left = copies.get(old.kind)
        new = replace(left.pop(0), of=old.key) if left else None
        yield Change(old.kind, new, old)


def _read_vin(car: Car) -> str:
    """The VIN that the car gives where another was stated."""
    found = car.read_instead.get("vin", "")
    return found if isinstance(found, str) else ""


def _cars(folder: JobFolder, job: Job) -> Iterator[Car]:
    """The car as the job, its readings and its recordings have it."""
    yield job.vehicle
    for reading in job.readings:
        yield folder.reading(reading).car
    for recording in job.recordings:
        yield folder.recording(recording).facts.car
