"""Exercises: a job about a simulated car with something hidden wrong with it. One reads what was
recorded, does hand tests, commits to a cause, is told the truth and what would have been better.

What is wrong is in no file: it is drawn anew of the exercise's text. Outcomes of tests are drawn
from the catalog's own likelihoods: an exercise teaches to test in a good order, not how cars are.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import ClassVar

from logbench.analysis.causes.catalog import CAUSES, SYMPTOMS
from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, HandTest, after_tests
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG, Causes
from logbench.analysis.causes.next_tests import Doubt, next_tests, observed
from logbench.analysis.causes.sentence import brief, cause_words, share_text
from logbench.analysis.causes.walking import Case as Walked
from logbench.analysis.causes.walking import Walk, advised, drawn, walk
from logbench.analysis.engine import Engine
from logbench.cases.causes import Explained, add_test, as_entry, done_in
from logbench.cases.job import JobCase, reach_car
from logbench.cases.work import Deed, Outcome, Work
from logbench.errors import UsageError
from logbench.foreign import raw
from logbench.job.folder import JobFolder, create_job
from logbench.job.model import Job, now_utc
from logbench.job.store import JobStore
from logbench.recording.storage import storage_trouble
from logbench.signals.table import PURPOSES, default_signals, table
from logbench.simulator.drive import Drive
from logbench.simulator.exercise import Exercise, exercise_of
from logbench.system.private import make_folder
from logbench.words import tr

COMPLAINED, STRAY = 0.4, 0.01
"""How often a customer complains of what a cause does, and of anything else. [CP]"""
MOST_COMPLAINTS = 3
BEFORE_END_S = 20.0
"""The car is read so long before its key is switched off."""
TOGETHER = 2
"""So many causes can be committed to."""


@dataclass(frozen=True)
class BeginExercise(JobCase[Path], Deed[Path]):
    """Make the job of an exercise in the folder `parent`, with its drive and a reading of the car
    behind it; without `driven` these are left to the person, over the exercise's link. Raises
    StorageError, LinkError."""

    exercise: Exercise
    parent: Path
    driven: bool = True
    title: ClassVar[str] = tr("Preparing the exercise")

    def run(self, work: Work) -> Path:
        """The job's folder."""
        from logbench.capture.demo_drives import papers_of

        with storage_trouble(self.parent):
            make_folder(self.parent)
        symptoms = complaints(self.exercise)
        title = tr("Exercise {text}", text=self.exercise.text)
        job = Job(
            title=title,
            concern=_concern(self.exercise, symptoms),
            symptoms=list(symptoms),
            vehicle=papers_of(self.exercise.car),
            exercise=self.exercise.text,
        )
        home, job = create_job(self.parent, title, job)
        if self.driven:
            try:
                self._drive(work, home, job)
            finally:
                home.save(job)
        return home.path

    def outcome(self, answer: Path) -> Outcome:
        """That it can begin."""
        return Outcome(tr("The exercise is ready: find what is wrong."))

    def _drive(self, work: Work, home: JobFolder, job: Job) -> None:
        """Record its drive, far faster than real, and read the car at its end."""
        from logbench.capture.demo_drives import papers_of, record_simulated
        from logbench.simulator.produce import produce
        from logbench.vehicle.records.read import read_car

        drive = self.exercise.drive()
        whole_s = drive.schedule.duration_s

        def driven(t_s: float, phase: str) -> None:
            work.report(tr("Driving the simulated car"), 0.8 * t_s / whole_s)

        driven(0.0, "")
        samples = produce(drive, signals_of(drive), seed=self.exercise.number, progress=driven)
        car, link = self.exercise.car, self.exercise.link
        with tempfile.TemporaryDirectory() as folder:
            path = record_simulated(
                Path(folder) / f"exercise-{self.exercise.text}.parquet",
                drive, samples, now_utc(), vehicle=papers_of(car), url=link,
            )  # fmt: skip
            home.add_recording(job, path, "before")
        say = tr("Reading the simulated car")
        work.report(say, 0.85)
        end_s = max(t_ns[-1] for t_ns, _ in samples.values() if len(t_ns)) / 1e9
        at = f"&start_s={end_s - BEFORE_END_S:.0f}&speed=0.1&baud=0&latency_ms=1"
        with reach_car(link + at, lambda _: None) as behind:
            home.add_reading(job, read_car(behind, lambda _: work.report(say, 0.9)), "before")


def signals_of(drive: Drive) -> list[str]:
    """What is recorded of it: the usual signals, and those for any purpose that it offers."""
    pids, told = drive.supported("7E8"), drive.readings("7E8")
    every = dict.fromkeys((*default_signals(pids), *(s for row in PURPOSES.values() for s in row)))
    return [s for s in every if table().by_acronym(s).pid in pids and s in told]


def _concern(exercise: Exercise, symptoms: Sequence[str]) -> str:
    """What the invented customer says, and how to drive oneself."""
    said = ", ".join(SYMPTOMS[key] for key in symptoms)
    told = (
        tr("An exercise with a simulated car. The customer says: {said}.", said=said)
        if symptoms
        else tr("An exercise with a simulated car. The customer asks for a check.")
    )
    return told + " " + tr("The link to the car: {link}", link=exercise.link)


def truth_of(exercise: Exercise) -> tuple[str, ...]:
    """What is wrong, as keys of causes: for drawing outcomes, and once a person has committed."""
    return tuple(exercise.faults()) or (NOTHING_WRONG,)


def complaints(exercise: Exercise) -> tuple[str, ...]:
    """What the customer noticed, as keys of `SYMPTOMS`."""
    rng = random.Random(f"complaints-{exercise.text}")
    mine = {key for cause in truth_of(exercise) for key in CAUSES[cause].symptoms}
    noticed = [key for key in SYMPTOMS if rng.random() < (COMPLAINED if key in mine else STRAY)]
    return tuple(noticed[:MOST_COMPLAINTS])


@lru_cache(maxsize=8)
def _outcomes(exercise: Exercise) -> dict[str, str]:
    return drawn(truth_of(exercise), exercise.number)


# --- an exercise in its job ---


@dataclass(frozen=True)
class Play:
    """An exercise under way: which, and the causes that were committed to, none before."""

    exercise: Exercise
    committed: tuple[str, ...] = ()

    def perform(self, test: str) -> Done:
        """Do a hand test: what it shows."""
        return Done(test, _outcomes(self.exercise)[test])


def play_of(text: str, committed: Sequence[str] = ()) -> Play | None:
    """The exercise that a job is, by its fields `exercise` and `committed`; None where it is none,
    or of a text that this program does not know."""
    if not text:
        return None
    try:
        exercise = exercise_of(raw(text))
    except UsageError:
        return None
    return Play(exercise, tuple(raw(key) for key in committed if raw(key) in CAUSES))


def play_in(job: Job) -> Play | None:
    """The exercise that a job is."""
    return play_of(job.exercise, job.committed)


def offered(explained: Explained, done: Sequence[Done]) -> list[HandTest]:
    """Tests that can still be done on this car, in the catalog's order."""
    over, seen = {one.test for one in done}, observed(explained.causes)
    tests = HAND_TESTS.values()
    return [
        t for t in tests if t.key not in over and t.fits(explained.engine) and not t.is_told(seen)
    ]


def choices(causes: Causes) -> list[str]:
    """What one can commit to: every cause that this engine can have, by its words."""
    keys = (one.cause for one in causes.ranked if one.cause != NOT_LISTED)
    return sorted(keys, key=lambda key: (key != NOTHING_WRONG, CAUSES[key].text.lower()))


def commit(job: Job, causes: Sequence[str]) -> None:
    """Commit to one cause or two. UsageError for others, and where it was done before."""
    if job.committed:
        raise UsageError(tr("A cause was committed to already: begin another exercise."))
    unknown = [key for key in causes if key not in CAUSES]
    if unknown or not 0 < len(set(causes)) <= TOGETHER:
        raise UsageError(
            tr("Commit to one cause or two, by their keys in the list: {given}.",
               given=", ".join(causes))
        )  # fmt: skip
    job.committed = [*dict.fromkeys(causes)]


def perform(job: Job, explained: Explained, test: str) -> Done:
    """Do a test in an exercise's job and enter what it shows. UsageError where it cannot be done;
    JobError."""
    play = play_in(job)
    if play is None:
        raise UsageError(tr("This job is not an exercise: start one."))
    if play.committed:
        raise UsageError(tr("A cause was committed to already: begin another exercise."))
    keys = [one.key for one in offered(explained, done_in(job))]
    if test not in keys:
        raise UsageError(
            tr("{test} is not a test that is left to do on this car: choose one of {keys}.",
               test=test, keys=", ".join(keys))
        )  # fmt: skip
    done = play.perform(test)
    add_test(job, as_entry(done))
    return done


@dataclass(frozen=True)
class Commit(Deed[None]):
    """Commit to causes in the job of a folder. Raises UsageError, JobError, StorageError."""

    jobs: JobStore
    folder: Path
    causes: tuple[str, ...]

    def run(self, work: Work) -> None:
        """Kept in the job."""
        self.jobs.commit(self.folder, lambda job: commit(job, self.causes))


# --- the truth ---


@dataclass(frozen=True, slots=True)
class Step:
    """One test that was done: the share of the doubt it was expected to take, and the test that
    the advice was at that moment, with its share; None where nothing needed testing."""

    done: Done
    share: float
    advised: HandTest | None
    advised_share: float

    @property
    def test(self) -> HandTest:
        """What was done."""
        return HAND_TESTS[self.done.test]

    @property
    def well_chosen(self) -> bool:
        """Whether the advice told no more for its time."""
        if self.advised is None:
            return False
        return self.share / self.test.minutes >= self.advised_share / self.advised.minutes - 1e-9

    @property
    def sentence(self) -> str:
        """Beside what would have been better."""
        if self.advised is None:
            return tr("Nothing needed testing any more.")
        mine, test = share_text(self.share), self.test
        own = tr("It removed {p} of the doubt in {n:g} min.", p=mine, n=test.minutes)
        if self.advised is test:
            return own + " " + tr("The best choice.")
        if self.well_chosen:
            safer = test.danger > self.advised.danger
            return (
                own
                + " "
                + (
                    tr("Safer and nearly as good: {title}.", title=self.advised.title)
                    if safer
                    else tr("A good choice.")
                )
            )
        return (
            own
            + " "
            + tr(
                "Better: {title}, {p} in {n:g} min.",
                title=self.advised.title,
                p=share_text(self.advised_share),
                n=self.advised.minutes,
            )
        )


@dataclass(frozen=True, slots=True)
class Debrief:
    """What was wrong, with severities; what was committed to; each test beside what would have been
    better; the walk by advice alone; the place among the causes, from 1, and the probability that
    the drive alone gave each of what was wrong."""

    truth: tuple[str, ...]
    severities: tuple[float, ...]
    committed: tuple[str, ...]
    steps: tuple[Step, ...]
    advice: Walk
    places: tuple[tuple[str, int, float], ...]

    @property
    def minutes(self) -> float:
        """Of the tests that were done."""
        return sum(step.test.minutes for step in self.steps)

    @property
    def verdict(self) -> str:
        """How well it was found."""
        right = set(self.committed) & set(self.truth)
        if set(self.committed) == set(self.truth):
            return tr("Right.")
        if not right:
            return tr("Not found.")
        if len(self.truth) > len(right):
            return tr("Half of it: something else was wrong, too.")
        return tr("Found, and one thing more that was not there.")

    @property
    def sentences(self) -> tuple[str, ...]:
        """The truth, what the drive alone said of it, the minutes against those of the advice."""
        wrong = [
            tr("{cause} (severity {n})", cause=cause_words(key), n=share_text(severity))
            for key, severity in zip(self.truth, self.severities, strict=False)
        ]
        said = [tr("What was wrong: {causes}.", causes="; ".join(wrong))]
        if not wrong:
            said = [tr("Nothing was wrong with the car.")]
        said += [
            tr(
                "Before any test {cause} had {p}, place {n}.",
                cause=brief(key),
                p=share_text(p),
                n=n,
            )
            for key, n, p in self.places
        ]  # fmt: skip
        return (*said, self._minutes())

    def _minutes(self) -> str:
        own = tr("Your tests took {n:g} min.", n=self.minutes)
        by, cause = self.advice, brief(self.advice.cause)
        if by.certain:
            by_advice = (
                tr("By the advice it takes {n:g} min to be sure of {cause}, which is right.",
                   n=by.minutes, cause=cause)
                if by.right
                else tr("By the advice one is sure of {cause} after {n:g} min, which is wrong.",
                        n=by.minutes, cause=cause)
            )  # fmt: skip
        else:
            by_advice = tr(
                "By the advice nothing is sure after {n:g} min; likeliest is {cause}.",
                n=by.minutes,
                cause=cause,
            )
        return f"{own} {by_advice}"


def debrief(play: Play, explained: Explained, done: Sequence[Done]) -> Debrief:
    """What is told once somebody has committed. UsageError before."""
    if not play.committed:
        raise UsageError(tr("The truth is shown once you have committed to a cause."))
    truth, recorded = truth_of(play.exercise), explained.causes
    known = [one for one in done if one.test in HAND_TESTS]
    steps = [_step(recorded, explained.engine, known[:n], one) for n, one in enumerate(known)]
    places = [
        (one.cause, n, one.probability)
        for n, one in enumerate(recorded.ranked, 1)
        if one.cause in truth
    ]
    by_advice = walk(Walked(recorded, explained.engine, truth), _outcomes(play.exercise), advised)
    severities = tuple(play.exercise.faults().values())
    return Debrief(truth, severities, play.committed, tuple(steps), by_advice, tuple(places))


def _step(recorded: Causes, engine: Engine, before: Sequence[Done], done: Done) -> Step:
    now = after_tests(recorded, before)
    doubt = Doubt(now.hypotheses)
    whole = doubt.bits or 1.0
    proposed = next_tests(now, engine, before)
    share = doubt.weigh(HAND_TESTS[done.test]).bits / whole
    if not proposed:
        return Step(done, share, None, 0.0)
    return Step(done, share, proposed[0].test, proposed[0].bits / whole)
