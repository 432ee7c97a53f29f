"""What the Job page has done on another thread: the car, files, the report."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logbench.cases.job import Records
from logbench.cases.work import CancelledError
from logbench.cases.work import Work as Task
from logbench.errors import LogbenchError
from logbench.job.car import clear_into, close_evap_into, reach_car, read_into
from logbench.job.comparisons import first_and_last
from logbench.job.folder import JobFolder
from logbench.job.model import Job, Role
from logbench.job.timeline import Moment, timeline
from logbench.report.options import ReportOptions
from logbench.vehicle.model import Progress
from logbench.vehicle.records.clearing import ControlTest, list_control_tests
from logbench.vehicle.records.diff import diff_readings
from logbench.vehicle.records.model import CarReading
from logbench.words import tr

RECORDING = ".parquet"


@dataclass(frozen=True, slots=True)
class Added:
    """The new entries in a scratch job, and what could not be taken in."""

    scratch: Job
    problems: tuple[str, ...]


def read(folder: JobFolder, scratch: Job, task: Task, url: str, role: Role) -> CarReading:
    """Read the car into `scratch`. Raises LinkError, StorageError."""
    tell = _progress(task)
    with reach_car(url, tell) as link:
        return read_into(folder, scratch, link, role, tell)


def clear(folder: JobFolder, scratch: Job, task: Task, url: str, consent: str) -> str:
    """Clear the codes; the sentence of what came of it. It is not cut short by a cancellation."""
    tell = _steady(task)
    with reach_car(url, tell) as link:
        return clear_into(folder, scratch, link, consent, tell).sentence


def list_controls(_folder: JobFolder, _job: Job, task: Task, url: str) -> list[ControlTest]:
    """The controls the ECUs offer; asking changes nothing. Raises LinkError."""
    with reach_car(url, _progress(task)) as link:
        return list_control_tests(link)


def close_evap(folder: JobFolder, scratch: Job, task: Task, url: str, consent: str) -> str:
    """Close the evaporative system; the sentence of what came of it."""
    tell = _steady(task)
    with reach_car(url, tell) as link:
        return close_evap_into(folder, scratch, link, consent, tell).sentence


def load_records(folder: JobFolder, job: Job, task: Task) -> Records:
    """Every reading of `job`, and what changed from before to after."""
    readings: list[CarReading | None] = []
    problems = []
    for entry in job.readings:
        task.report(tr("Opening the readings"), 0.0)
        try:
            readings.append(folder.reading(entry))
        except LogbenchError as error:
            readings.append(None)
            problems.append(str(error))
    pairs = zip(job.readings, readings, strict=True)
    before, after = first_and_last((entry.role, r) for entry, r in pairs if r is not None)
    diff = diff_readings(before, after) if before is not None and after is not None else None
    return Records(tuple(readings), tuple(problems), diff)


def newest_recording(folder: Path) -> Path | None:
    """The recording of the folder that was written last; None where there is none."""
    files = [path for path in folder.glob(f"*{RECORDING}") if path.is_file()]
    return max(files, key=lambda path: (path.stat().st_mtime, path.name), default=None)


def add_files(folder: JobFolder, paths: Sequence[Path], role: Role, task: Task) -> Added:
    """Copy files in: recordings with their role, the rest as photos or files."""
    scratch, problems = Job(), []
    for number, path in enumerate(paths):
        task.report(tr("Taking in {name}", name=path.name), number / len(paths))
        try:
            if path.suffix.lower() == RECORDING:
                folder.add_recording(scratch, path, role)
            else:
                folder.add_photo(scratch, path)
        except LogbenchError as error:
            problems.append(str(error))
    return Added(scratch, tuple(problems))


def load_timeline(folder: JobFolder, job: Job, task: Task) -> list[Moment]:
    """Everything that has a time; opens the recordings for theirs."""
    task.report(tr("Opening the recordings"), 0.0)
    return timeline(job, folder)


def report(
    folder: JobFolder, job: Job, path: Path, options: ReportOptions, task: Task
) -> tuple[Path, tuple[str, ...]]:
    """Write the report: where it is, and what could not be put in."""
    from logbench.report.document import build_report

    task.report(tr("Writing the report"), 0.1)
    return path, build_report(folder, job, path, options).problems


def sentences(folder: JobFolder, job: Job, options: ReportOptions, task: Task) -> dict[str, str]:
    """The sentences for the owner as they will be printed."""
    from logbench.report.document import report_sentences

    task.report(tr("Making the sentences"), 0.1)
    return report_sentences(folder, job, options)


def _progress(task: Task) -> Progress:
    return lambda sentence: task.report(sentence, 0.0)


def _steady(task: Task) -> Progress:
    """Progress that never ends the work: what has begun to change a car is seen through."""

    def tell(sentence: str) -> None:
        with contextlib.suppress(CancelledError):
            task.report(sentence, 0.0)

    return tell
