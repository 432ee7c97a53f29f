"""`logbench exercise`: find what is wrong with a simulated car, and be told the truth."""

from __future__ import annotations

import secrets
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.errors import UsageError

if TYPE_CHECKING:
    from logbench.cases.causes import Explained
    from logbench.cases.exercise import Play
    from logbench.job.folder import JobFolder
    from logbench.job.model import Job


def exercise(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of an exercise to go on with.")
    ] = None,
    seed: Annotated[
        str, typer.Option(help="The exercise, as others named it: a number, or like diesel-4711.")
    ] = "",
    kind: Annotated[
        str, typer.Option(help="Kind of car: gasoline, charged, diesel, hybrid, flex, any.")
    ] = "",
    into: Annotated[Path, typer.Option(help="Where the folder of a new one is made.")] = Path("."),
    own_drive: Annotated[
        bool, typer.Option("--own-drive", help="Record the drive yourself, over its link.")
    ] = False,
    do: Annotated[
        list[str] | None, typer.Option(metavar="TEST", help="Do a hand test; may be repeated.")
    ] = None,
    advice: Annotated[
        bool, typer.Option("--advice", help="Show what the program makes of it so far.")
    ] = False,
    commit: Annotated[
        list[str] | None,
        typer.Option(metavar="CAUSE", help="Commit to a cause, or to two, and be told the truth."),
    ] = None,
) -> None:
    """Find what is wrong with a simulated car: read, test, commit to a cause, be told the truth.

    Without a folder a new exercise is made. The same --seed is the same exercise for anybody.
    """
    from logbench.cases.causes import explain_job
    from logbench.cases.exercise import Commit, perform, play_in
    from logbench.cases.work import run_here
    from logbench.cli.show import run_shown, say
    from logbench.job.folder import open_job
    from logbench.job.store import JobStore

    if folder is not None and (seed or kind):
        raise UsageError("An exercise that is under way has its seed: leave out --seed, --kind.")
    home, job = open_job(folder if folder is not None else _begin(seed, kind, into, not own_drive))
    if play_in(job) is None:
        raise UsageError(f"{home.path} is not an exercise: begin one with `logbench exercise`.")
    explained = run_shown(explain_job(home, job), "Weighing the causes")
    jobs = JobStore()
    for test in do or ():
        jobs.commit(home.path, partial(perform, explained=explained, test=test))
    if commit:
        run_here(Commit(jobs, home.path, tuple(commit)))
    job = home.load()
    play = play_in(job)
    assert play is not None
    say(str(home.path), "bold")
    if play.committed:
        _tell(play, explained, job)
    else:
        _show(play, explained, home, advice)


def _begin(seed: str, kind: str, into: Path, driven: bool) -> Path:
    """The folder of a new one, drawn where no seed is given. UsageError."""
    from logbench.cases.exercise import BeginExercise
    from logbench.cli.show import run_shown
    from logbench.simulator.exercise import MOST, exercise_of

    number = seed or str(secrets.randbelow(MOST + 1))
    text = f"{kind}-{number}" if kind and number.isdigit() else number
    chosen = exercise_of(text)
    if kind and chosen.kind != kind:
        raise UsageError(f"The exercise {seed} is of another kind than {kind}: leave out one.")
    return run_shown(BeginExercise(chosen, into, driven), "Preparing the exercise")


def _show(play: Play, explained: Explained, home: JobFolder, advice: bool) -> None:
    """What was seen so far, and what can be done."""
    from logbench.cases.causes import done_in
    from logbench.cases.exercise import choices, offered
    from logbench.cli.show import console, say, table

    job = home.load()
    say(job.concern)
    _seen(explained, home, job)
    if advice:
        from logbench.analysis.causes.hand_tests import after_tests
        from logbench.analysis.causes.next_tests import next_tests
        from logbench.cli.causes import MOST_TESTS, show_causes

        done = done_in(job)
        now = after_tests(explained.causes, done)
        show_causes(now, next_tests(now, explained.engine, done)[:MOST_TESTS], "--do {key}")
    _tests_done(job)
    out = table("--do", "min", "test")
    for test in offered(explained, done_in(job)):
        out.add_row(test.key, f"{test.minutes:g}", test.title)
    console().print(out)
    say(f"To commit to: {', '.join(choices(explained.causes))}")
    say("More of drive and car: `logbench check` and `logbench job show` with this folder's files.")
    say(f"The same exercise for others: logbench exercise --seed {play.exercise.text}", "dim")


def _seen(explained: Explained, home: JobFolder, job: Job) -> None:
    """What the drive and the car's own records say."""
    from logbench.cases.causes import reading_before
    from logbench.cli.show import bullets
    from logbench.foreign import joined

    odd = [f for f in explained.findings if f.verdict.severity > 0]
    lines = [f"{f.heading}: {f.verdict.value}, {f.reason}" for f in odd]
    bullets("Out of their bands:", lines or ["nothing" if job.recordings else "no drive yet"])
    reading = reading_before(home, job)
    if reading is not None:
        codes = [joined(" ", code.code, code.state, code.text) for code in reading.codes]
        bullets("Codes:", codes or ["none"])


def _tests_done(job: Job) -> None:
    from logbench.analysis.causes.hand_tests import HAND_TESTS
    from logbench.cases.causes import done_in
    from logbench.cli.show import bullets

    done = [one for one in done_in(job) if one.test in HAND_TESTS]
    if done:
        minutes = sum(HAND_TESTS[one.test].minutes for one in done)
        bullets(f"Tests done, {minutes:g} min:", [one.words for one in done])


def _tell(play: Play, explained: Explained, job: Job) -> None:
    """The truth, and each test beside what would have been better."""
    from logbench.analysis.causes.sentence import cause_words
    from logbench.cases.causes import done_in
    from logbench.cases.exercise import debrief
    from logbench.cli.show import bullets, say

    told = debrief(play, explained, done_in(job))
    say(f"You committed to: {'; '.join(map(cause_words, told.committed))}.")
    say(told.verdict, "bold")
    for sentence in told.sentences:
        say(sentence)
    if told.steps:
        bullets("Your tests:", [f"{step.done.words}. {step.sentence}" for step in told.steps])
    say(f"The same exercise for others: logbench exercise --seed {play.exercise.text}", "dim")
