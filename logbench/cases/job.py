"""Cases of a job: the car's records, files, comparisons, the report.

Each names the job by its folder; what comes of it is committed to that job by the store, whichever
job is shown by then.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypeVar

from logbench.car.identity import Identity, Match, Meeting
from logbench.car.model import Car
from logbench.cases.cars import AnswerCars, CarsFile, keep_car, let_through
from logbench.cases.runner import Running
from logbench.cases.work import (
    Canceling,
    CancelledError,
    Case,
    Deed,
    Outcome,
    Work,
    not_written,
    only_looks,
)
from logbench.errors import (
    AnotherCarError,
    ClearingRefusedError,
    JobError,
    LinkLostError,
    LogbenchError,
)
from logbench.job.comparisons import first_and_last, keep_comparison, sides_named
from logbench.job.folder import JobFolder, job_folder_of
from logbench.job.model import Job, JobEvent, Role
from logbench.job.seal import Seal, seal_of
from logbench.job.store import JobStore, bring_over
from logbench.job.timeline import Moment, timeline
from logbench.recording.reader import open_recording
from logbench.report.options import ReportOptions
from logbench.system.limits import JOB_ENTRIES
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link, scheme_name
from logbench.vehicle.model import Progress
from logbench.vehicle.records.clearing import (
    Changed,
    ControlTest,
    clear_codes,
    close_evap,
    list_control_tests,
)
from logbench.vehicle.records.diff import ReadingDiff, diff_readings
from logbench.vehicle.records.model import CarOutcome, CarReading
from logbench.vehicle.records.read import read_car
from logbench.words import tr, tr_n

if TYPE_CHECKING:
    from logbench.job.pictures import Pixels

RECORDING = ".parquet"
AnswerT = TypeVar("AnswerT")


@contextmanager
def reach_car(url: str, tell: Progress) -> Iterator[Link]:
    """A connected link; for a `sim:` URL the simulated car runs while the context lasts.

    Raises LinkError.
    """
    with ExitStack() as stack:
        if scheme_name(url) == "sim":
            from logbench.simulator.serve import SimulatedCar

            tell(tr("Starting the simulated car"))
            url = stack.enter_context(SimulatedCar(url.strip())).url
        yield stack.enter_context(open_link(url, tell))


class JobCase(Case[AnswerT]):
    """Done for a job."""

    uses_car: ClassVar[bool] = False
    """It needs the link, which one case has at a time."""


@dataclass(frozen=True)
class Commits(JobCase[AnswerT], Deed[AnswerT]):
    """Does something for a job into a scratch job; all that it made is committed, also where it
    ended early or broke."""

    jobs: JobStore
    folder: Path
    same_car: bool = field(default=False, kw_only=True)
    """A person says that what comes is of the job's car, although it looks like another's."""
    cars: CarsFile = field(default_factory=CarsFile, kw_only=True)

    def car(self, scratch: Job) -> Car:
        """The job's, with what has come already."""
        car = self.jobs.read(self.folder).vehicle
        car.learn(scratch.vehicle)
        return car

    def let(self, there: Identity, what: str, scratch: Job) -> Meeting:
        """Whether it is the job's car. Raises AnotherCarError."""
        return let_through(self.cars, self.car(scratch), there, what, same_car=self.same_car)

    def confirmed(self, error: AnotherCarError) -> JobCase[AnswerT]:
        """What is left of it to do once a person has said that it is the same car."""
        return replace(self, same_car=True)

    def run(self, work: Work) -> AnswerT:
        """Do it, and commit what came of it."""
        scratch = Job()
        try:
            return self.make(JobFolder(self.folder), scratch, work)
        finally:
            self.bring(scratch)

    def bring(self, scratch: Job) -> None:
        """Commit what has come; `scratch` is empty afterwards. Raises JobError, StorageError."""
        if scratch == Job(created_utc=scratch.created_utc):
            return
        known = self.cars.load().met(scratch.vehicle.identified)
        if known is not None:
            scratch.vehicle.learn(known.car)
        come = scratch.model_copy(deep=True)
        self.jobs.commit(self.folder, lambda job: bring_over(job, come))
        _empty(scratch)
        car = self.jobs.read(self.folder).vehicle
        keep_car(car, str(self.folder.resolve()), self.cars)

    @abstractmethod
    def make(self, folder: JobFolder, scratch: Job, work: Work) -> AnswerT:
        """Put files into `folder` and their entries into `scratch`."""


def _empty(scratch: Job) -> None:
    scratch.vehicle = Car()
    scratch.readings, scratch.events = [], []
    scratch.recordings, scratch.photos, scratch.files = [], [], []


@dataclass(frozen=True)
class ReadCar(Commits[CarReading]):
    """Read everything the car has stored. Canceled, it keeps nothing; where the program ends, what
    was read until then. Raises LinkError, StorageError."""

    url: str
    role: Role
    title: ClassVar[str] = tr("Reading the car")
    uses_car: ClassVar[bool] = True
    canceling: ClassVar[Canceling] = "drop"

    def make(self, folder: JobFolder, scratch: Job, work: Work) -> CarReading:
        """A reading, complete or not."""

        def say(sentence: str) -> None:
            work.report(sentence)
            if work.cancelled:
                raise LinkLostError(tr("logbench was closed while the car was read."))

        with reach_car(self.url, say) as link:
            what = tr("The car that answers")
            reading = read_car(link, say, lambda facts: self.let(facts.identity, what, scratch))
            if work.cancelled and not reading.identity.ecus:
                raise CancelledError
            work.seal()
            folder.add_reading(scratch, reading, self.role)
            return reading

    def outcome(self, answer: CarReading) -> Outcome:
        """How many codes, and what could not be read."""
        known = {code.code for code in answer.codes if code.state != "permanent"}
        only = {code.code for code in answer.codes} - known
        text = tr_n(
            "The car was read and kept: {n} code",
            "The car was read and kept: {n} codes",
            len(known),
        )
        text += tr(", {n} only permanent.", n=len(only)) if only else "."
        return Outcome(" ".join((text, *answer.problems[-1:])), not answer.problems)


@dataclass(frozen=True)
class _ChangesCar(Commits[Changed]):
    """Reads and saves, changes the car, and keeps what it says; seen through. Raises
    ClearingRefusedError with nothing changed, LinkError, StorageError."""

    url: str
    consent: str
    uses_car: ClassVar[bool] = True
    role: ClassVar[Role]
    """Of the reading before, which is kept even when the change is refused."""
    change: ClassVar[Callable[..., Changed]]
    """As `clear_codes`."""
    done: ClassVar[str]
    tried: ClassVar[str]
    """Kinds of the job's event: an ECU did it, or none said so."""

    def make(self, folder: JobFolder, scratch: Job, work: Work) -> Changed:
        """The reading and the event are in the job as soon as the request has left; the event's
        sentence says more at the end."""
        job = self.jobs.read(self.folder)
        if max(len(job.events), len(job.readings) + 1) >= JOB_ENTRIES:
            raise ClearingRefusedError(
                tr("Nothing was changed: this job has no room to keep it. Use another job.")
            )

        def save(reading: CarReading) -> Path:
            self.let(reading.car.identity, tr("Nothing was changed"), scratch)
            return folder.place(folder.add_reading(scratch, reading, self.role).file)

        def keep(made: Changed) -> None:
            account = made.change
            kind = self.done if account.accepted else self.tried
            event = JobEvent(at_utc=account.sent_utc, kind=kind, text=made.sentence, change=account)
            scratch.events = [event]
            with suppress(LogbenchError):  # it is tried again at the end
                self.bring(scratch)

        with reach_car(self.url, work.report) as link:
            made = self.change(link, self.consent, save, work.report, keep)

        def say_all(job: Job) -> None:
            for event in job.events:
                if event.change == made.change:
                    event.text = made.sentence

        try:
            if made.after is not None:
                entry = folder.add_reading(scratch, made.after, "other")
                entry.label = _AFTER.get(made.change.outcome, _AFTER_UNKNOWN)
            self.bring(scratch)
            self.jobs.commit(self.folder, say_all)
        except LogbenchError as error:  # what was done to the car is said in any case
            _empty(scratch)
            made.sentence += " " + tr("It could not be kept in the job: {error}", error=error)
        return made

    def outcome(self, answer: Changed) -> Outcome:
        """Its own sentence."""
        return Outcome(answer.sentence, bool(answer.change.accepted))


_AFTER: dict[CarOutcome, str] = {
    "accepted": tr("right after clearing"),
    "refused": tr("after a clearing that the car refused"),
}
_AFTER_UNKNOWN = tr("after a clearing of which it is not known whether it was done")
"""What the reading is that follows the request."""


class ClearCodes(_ChangesCar):
    """Clear the codes; they are read before and afterwards."""

    title: ClassVar[str] = tr("Clearing the codes")
    role: ClassVar[Role] = "before"
    change: ClassVar[Callable[..., Changed]] = staticmethod(clear_codes)
    done: ClassVar[str] = "codes cleared"
    tried: ClassVar[str] = "clearing tried"


class CloseEvap(_ChangesCar):
    """Close the evaporative system for a leak test."""

    title: ClassVar[str] = tr("Closing the evaporative system")
    role: ClassVar[Role] = "other"
    change: ClassVar[Callable[..., Changed]] = staticmethod(close_evap)
    done: ClassVar[str] = "evaporative system closed"
    tried: ClassVar[str] = "closing the evaporative system tried"


@dataclass(frozen=True)
class ListControls(JobCase[list[ControlTest]]):
    """The controls the ECUs offer; asking changes nothing. Raises LinkError."""

    url: str
    title: ClassVar[str] = tr("Asking for controls")
    uses_car: ClassVar[bool] = True

    def run(self, work: Work) -> list[ControlTest]:
        """Ask."""
        with reach_car(self.url, work.report) as link:
            return list_control_tests(link)


@dataclass(frozen=True)
class Added:
    """Files that were added, as the job names them, and why others were not."""

    recordings: tuple[str, ...]
    others: tuple[str, ...]
    problems: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    """What cannot be told of whose car they are."""


@dataclass(frozen=True)
class AddFiles(Commits[Added]):
    """Copy files in: recordings with their role, the rest as photos or files."""

    paths: tuple[Path, ...]
    role: Role = "other"
    label: str = ""
    title: ClassVar[str] = tr("Adding files")

    def make(self, folder: JobFolder, scratch: Job, work: Work) -> Added:
        """One after the other; one that cannot be added leaves the others alone."""
        problems, remarks, others_cars = [], [], {}
        for number, path in enumerate(self.paths):
            work.report(tr("Adding {name}", name=path.name), number / len(self.paths))
            try:
                if path.suffix.lower() == RECORDING:
                    identity = open_recording(path).facts.identity
                    meeting = self.let(identity, path.name, scratch)
                    both = identity.key and self.car(scratch).identified.key
                    if meeting.match is Match.UNKNOWN and both:
                        remarks.append(f"{path.name}: {meeting.sentence}")
                    entry = folder.add_recording(scratch, path, self.role, self.label)
                    entry.same_car = meeting.answered
                else:
                    folder.add_photo(scratch, path, self.label)
            except AnotherCarError as error:
                others_cars[path] = error
            except LogbenchError as error:
                problems.append(str(error))
        if others_cars:
            sentence = " ".join((*map(str, others_cars.values()), *problems))
            pairs = tuple(pair for error in others_cars.values() for pair in error.pairs)
            raise AnotherCarError(sentence, pairs, tuple(others_cars))
        recordings = tuple(entry.file for entry in scratch.recordings)
        others = tuple(entry.file for entry in (*scratch.photos, *scratch.files))
        return Added(recordings, others, tuple(problems), tuple(remarks))

    def confirmed(self, error: AnotherCarError) -> AddFiles:
        """Only those that were left out."""
        return replace(self, same_car=True, paths=error.files)

    def outcome(self, answer: Added) -> Outcome:
        """How many, and what went wrong."""
        count = len(answer.recordings) + len(answer.others)
        text = tr_n("{n} file added to the job.", "{n} files added to the job.", count)
        texts = text, *answer.problems, *answer.remarks
        return Outcome(" ".join(texts), not answer.problems)


@dataclass(frozen=True)
class Records:
    """Readings of the job in its order (None with its sentence where one cannot be read)."""

    readings: tuple[CarReading | None, ...]
    problems: tuple[str, ...]
    diff: ReadingDiff | None


@only_looks
def load_records(work: Work, folder: JobFolder, job: Job) -> Records:
    """Every reading of a job as it is now, and what changed from before to after."""
    readings: list[CarReading | None] = []
    problems = []
    for entry in job.readings:
        work.report(tr("Opening the readings"))
        try:
            readings.append(folder.reading(entry))
        except LogbenchError as error:
            readings.append(None)
            problems.append(str(error))
    pairs = zip(job.readings, readings, strict=True)
    before, after = first_and_last((entry.role, r) for entry, r in pairs if r is not None)
    diff = None
    if before is not None and after is not None:
        diff = diff_readings(before, after, known=CarsFile().load())
    return Records(tuple(readings), tuple(problems), diff)


@only_looks
def look_at_photo(work: Work, folder: JobFolder, file: str, side_px: int) -> Pixels | str:
    """A picture of the job, made small; or the sentence why it cannot be shown."""
    from logbench.job.pictures import read_picture

    work.report(tr("Opening the picture"))
    try:
        return read_picture(folder.place(file), side_px)
    except JobError as error:
        return str(error)


@only_looks
def load_timeline(work: Work, folder: JobFolder, job: Job) -> list[Moment]:
    """Everything of a job that has a time; opens the recordings for theirs."""
    work.report(tr("Opening the recordings"))
    return timeline(job, folder)


@dataclass(frozen=True)
class Written:
    """A report: where it is, and what could not be put in."""

    path: Path
    problems: tuple[str, ...]
    seal: Seal = field(default_factory=Seal)
    """What verifying the job has found."""


@dataclass(frozen=True)
class WriteReport(JobCase[Written], Deed[Written]):
    """Write the report of a job as it is now. Raises JobError, StorageError."""

    folder: JobFolder
    job: Job
    path: Path
    options: ReportOptions
    title: ClassVar[str] = tr("Writing the report")
    canceling: ClassVar[Canceling] = "drop"

    def run(self, work: Work) -> Written:
        """PDF or HTML by the path's ending; until it is written, it can be canceled."""
        from logbench.report.document import build_report

        how = self.options, CarsFile().load(), work.report, work.seal
        document = build_report(self.folder, self.job, self.path, *how)
        seal = Seal() if self.options.private else seal_of(self.folder)
        self.folder.enter_written(self.path)
        return Written(self.path, document.problems, seal)

    def untouched(self) -> str:
        """Neither report nor job."""
        return not_written(self.path, tr("the job"))

    def outcome(self, answer: Written) -> Outcome:
        """Where it is, and what it lacks."""
        text = tr("Report written: {path}.", path=answer.path)
        evidence = [answer.seal.sentence] if answer.seal.notable else []
        texts = text, *evidence, *answer.problems
        return Outcome(" ".join(texts), answer.seal.state != "changed" and not answer.problems)


@only_looks
def make_sentences(
    work: Work, folder: JobFolder, job: Job, options: ReportOptions
) -> dict[str, str]:
    """The sentences for the owner as they will be printed, by their key."""
    from logbench.report.document import report_sentences

    work.report(tr("Making the sentences"), 0.1)
    return report_sentences(folder, job, options, CarsFile().load())


@dataclass(frozen=True)
class KeepComparison(Deed[str]):
    """Enter what a comparison said in the job whose recordings were compared, found by where they
    are; the job's title, `` where they are of no job. Raises JobError, StorageError."""

    jobs: JobStore
    before: tuple[Path, ...]
    after: tuple[Path, ...]
    sentence: str
    label: str = ""
    same_car: bool = False

    def run(self, work: Work) -> str:
        """Both sides must be recordings of one job."""
        homes = {job_folder_of(path) for path in (*self.before, *self.after)}
        home = homes.pop() if len(homes) == 1 else None
        if home is None:
            return ""
        titles: list[str] = []

        def enter(job: Job) -> None:
            sides = sides_named(JobFolder(home), job, self.before, self.after)
            if sides is not None:
                keep_comparison(job, sides, self.sentence, self.label, self.same_car)
                titles.append(job.title or home.name)

        self.jobs.commit(home, enter)
        return "".join(titles[:1])

    def outcome(self, answer: str) -> Outcome:
        """Where it is kept."""
        text = tr("Kept in the job {title}; its report shows the last one kept.", title=answer)
        return Outcome(text if answer else "")


def settle(running: Running, error: AnotherCarError, same: bool) -> None:
    """What becomes of a case that the same-car check has stopped, once a person has said whether
    it is the same car: it goes on, or that is remembered."""
    case, owner = running.case, running.owner
    assert isinstance(case, Commits)
    if same:
        owner.start(case.confirmed(error), running.done, running.failed)
    else:
        owner.start(AnswerCars(case.cars, error.pairs), failed=running.failed)
