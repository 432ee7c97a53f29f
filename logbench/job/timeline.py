"""Everything of a job that has a time, in order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

from logbench.errors import JobDamagedError, RecordingError
from logbench.foreign import joined
from logbench.job.account import account
from logbench.job.folder import JobFolder
from logbench.job.model import Job
from logbench.job.times import parse_time
from logbench.recording.notes import MARKS, read_remarks
from logbench.recording.reader import Recording


@dataclass(frozen=True, slots=True)
class Moment:
    """One entry. `when` None: its time is not known or not readable; such come last."""

    when: datetime | None
    kind: str
    text: str
    file: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    """What more is known, as names and values."""


def timeline(job: Job, folder: JobFolder) -> list[Moment]:
    """Notes, work, hand tests, readings, recordings (by the time they began, and with what was
    noted on them), photos, events."""
    found = [Moment(parse_time(job.created_utc), "job opened", job.title)]
    found += [Moment(parse_time(note.at_utc), "note", note.text) for note in job.notes]
    found += [Moment(parse_time(note.at_utc), "work", note.text) for note in job.work]
    found += [
        Moment(parse_time(t.at_utc), "test", joined(". ", t.done.words, t.remark))
        for t in job.tests
    ]
    for event in job.events:
        facts = account(event.change) if event.change is not None else ()
        found.append(Moment(parse_time(event.at_utc), event.kind, event.text, facts=facts))
    found += [
        Moment(parse_time(r.at_utc), f"car read, {r.role}", r.label, r.file) for r in job.readings
    ]
    found += [
        Moment(parse_time(p.at_utc), "photo", p.caption, p.file) for p in (*job.photos, *job.files)
    ]
    found += [
        Moment(
            parse_time(c.at_utc),
            "comparison",
            ". ".join(text for text in (c.label, c.sentence) if text) or "before and after",
            f"{_names(c.before)} → {_names(c.after)}",
        )
        for c in job.comparisons
    ]
    for entry in job.recordings:
        try:
            recording = folder.recording(entry)
            found += _said_of(recording, entry.file)
        except (RecordingError, JobDamagedError) as error:
            found.append(Moment(None, "recording missing", str(error), entry.file))
            continue
        began = parse_time(recording.facts.started_utc)
        found.append(Moment(began, f"recording, {entry.role}", entry.label, entry.file))
    return sorted(found, key=lambda m: (m.when is None, m.when or datetime.max.replace(tzinfo=UTC)))


def _said_of(recording: Recording, file: str) -> Iterator[Moment]:
    """Notes and markers, by the time of day."""
    facts = recording.facts
    began = parse_time(facts.started_utc)
    remarks, problem = read_remarks(recording)
    if problem:
        yield Moment(None, "note", problem, file)
    for remark in (r for r in remarks if r.kind in ("note", *MARKS)):
        try:
            after = timedelta(seconds=remark.start_ns / 1e9 / facts.link.time_scale)
            when = began and began + after
        except (ArithmeticError, ValueError):  # what the file says is not a time
            when = None
        yield Moment(when, remark.kind, remark.text, file)


def _names(files: Iterable[str]) -> str:
    return ", ".join(PurePosixPath(file).name for file in files)
