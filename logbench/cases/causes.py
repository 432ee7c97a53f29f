"""What explains it all: of a recording that was judged, with what its job says; and the outcomes of
hand tests, which are kept in that job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.analysis.causes.hand_tests import Done
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.observations import of_one_car
from logbench.analysis.engine import Engine
from logbench.analysis.model import Finding
from logbench.cases.cars import CarsFile, let_through
from logbench.cases.recording import check_recording, judge
from logbench.cases.work import Deed, Work, only_looks
from logbench.errors import JobDamagedError
from logbench.job.comparisons import drives_before, first_and_last
from logbench.job.folder import JobFolder
from logbench.job.model import Job, JobTest
from logbench.job.store import JobStore
from logbench.job.typed import append
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.vehicle.records.model import CarReading


@dataclass(frozen=True)
class Explained:
    """The causes of what was recorded, read and complained of, without hand tests; the engine they
    are of; the findings that their observations name by place; the hand tests of the job."""

    causes: Causes
    engine: Engine
    findings: tuple[Finding, ...] = ()
    done: tuple[Done, ...] = ()
    job: Path | None = None
    files: tuple[str, ...] = ()
    """Of a job: the recording that each finding is of."""
    exercise: str = ""
    committed: tuple[str, ...] = ()
    """What the job says of an exercise."""


@only_looks
def explain_judged(
    work: Work, findings: tuple[Finding, ...], engine: Engine, folder: Path | None
) -> Explained:
    """The causes of one recording's findings, with the reading before the repair, the complaints
    and the hand tests of the job in `folder`, where it is in one. Raises JobError."""
    from logbench.analysis.causes.inference import explain

    work.report(tr("Weighing the causes"), 0.5)
    if folder is None:
        return Explained(explain(findings, engine), engine, findings)
    home = JobFolder(folder)
    job = home.load()
    causes = explain(findings, engine, reading_before(home, job), tuple(job.symptoms))
    return Explained(
        causes,
        engine,
        findings,
        done_in(job),
        folder,
        exercise=job.exercise,
        committed=tuple(job.committed),
    )


@only_looks
def explain_job(work: Work, folder: JobFolder, job: Job) -> Explained:
    """The causes of a job: its drives before the repair, judged by the user's own limits, the
    reading before it, the complaints. Without a drive the others alone. Raises JobError,
    BandsError, the reader's errors."""
    from logbench.analysis.causes.inference import explain

    drives, engine, entries = [], Engine(), drives_before(job.recordings)
    for entry in entries:
        work.report(tr("Opening {name}", name=entry.file))
        judged = judge(folder.recording(entry)).run(work)
        drives.append(judged.findings)
        engine = judged.kind
    findings = tuple(of_one_car(drives))
    work.report(tr("Weighing the causes"), 0.9)
    causes = explain(findings, engine, reading_before(folder, job), tuple(job.symptoms))
    files = [entry.file for entry in entries]
    return Explained(
        causes, engine, findings, done_in(job), folder.path, _files_of(findings, files, drives)
    )


def _files_of(
    findings: Sequence[Finding], files: Sequence[str], drives: Sequence[Sequence[Finding]]
) -> tuple[str, ...]:
    """The recording whose evidence each finding has."""
    return tuple(
        next(
            file
            for file, drive in zip(files, drives, strict=True)
            if any(same_finding(finding, one) for one in drive)
        )
        for finding in findings
    )


def same_finding(finding: Finding, other: Finding) -> bool:
    """Whether both are the same look at the same drive, whatever number several drives gave."""
    return (finding.check, finding.subject, finding.unit, finding.evidence) == (
        other.check,
        other.subject,
        other.unit,
        other.evidence,
    )


@only_looks
def explain_files(work: Work, paths: tuple[Path, ...], folder: Path | None = None) -> Explained:
    """The causes of drives of one car, taken together, with the reading, the complaints and the
    hand tests of the job in `folder`, where one is named. Raises the reader's errors,
    AnotherCarError, JobError."""
    drives, engine, car = [], Engine(), None
    for path in paths:
        recording, judged = check_recording(path).run(work)
        car = car or recording.facts.car
        let_through(CarsFile(), car, recording.facts.identity, path.name)
        drives.append(judged.findings)
        engine = judged.kind
    return explain_judged(tuple(of_one_car(drives)), engine, folder).run(work)


def done_in(job: Job) -> tuple[Done, ...]:
    """The hand tests of a job."""
    return tuple(test.done for test in job.tests)


def reading_before(folder: JobFolder, job: Job) -> CarReading | None:
    """The first reading of the car before the repair; one that is damaged counts as none."""
    found = []
    for entry in job.readings:
        try:
            found.append((entry.role, folder.reading(entry)))
        except JobDamagedError:
            continue
    return first_and_last(found)[0]


@dataclass(frozen=True)
class EnterTest(Deed[None]):
    """Keep the outcome of a hand test in the job of a folder."""

    jobs: JobStore
    folder: Path
    test: JobTest

    def run(self, work: Work) -> None:
        """Raises JobError, StorageError."""
        self.jobs.commit(self.folder, lambda job: add_test(job, self.test))


@dataclass(frozen=True)
class TakeTestBack(Deed[None]):
    """Take the outcome of a hand test out of the job of a folder again: the last one like it."""

    jobs: JobStore
    folder: Path
    done: Done

    def run(self, work: Work) -> None:
        """Raises JobError, StorageError."""
        self.jobs.commit(self.folder, lambda job: remove_test(job, self.done))


def add_test(job: Job, test: JobTest) -> None:
    """Put an outcome behind those of the job. Raises JobError, with nothing changed, where the list
    would be too long."""
    append(job, "tests", test)


def remove_test(job: Job, done: Done) -> None:
    """Take the last outcome like this out of the job, where there is one."""
    places = [place for place, test in enumerate(job.tests) if test.done == done]
    job.tests = [test for place, test in enumerate(job.tests) if place not in places[-1:]]


def as_entry(done: Done) -> JobTest:
    """What is kept of an outcome, with the present time."""
    return JobTest(test=done.test, outcome=done.outcome, number=done.number)


def without(done: Sequence[Done], place: int) -> tuple[Done, ...]:
    """The outcomes but one."""
    return tuple(one for at, one in enumerate(done) if at != place)
