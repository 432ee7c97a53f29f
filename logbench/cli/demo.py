"""`logbench demo`: the whole job on the simulated car, from the concern to the report.

The scenario is invented: no such car, shop or customer exists. Nothing here knows what the checks
will say: the fault acts on the simulated engine, and the verdicts come from the recorded bytes.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.show import say
from logbench.errors import StorageError
from logbench.foreign import joined

if TYPE_CHECKING:
    from logbench.job.folder import JobFolder
    from logbench.job.model import Role
    from logbench.vehicle.records.model import CarReading

SPEED = 100
"""Seconds of driving per real second in the terminal; written into the recording's facts."""
WINDOW_SPEED = 6
"""The same in the window: quick enough to see the whole drive, slow enough to follow it."""
PARKED_S = 30.0
"""The car is read so long after its drive, its key on again and its engine off."""


def demo(
    headless: Annotated[
        bool, typer.Option("--headless", help="In the terminal, even where a window could open.")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the job.")] = None,
) -> int:
    """See the whole job on the simulated car, live and recorded, before and after a repair."""
    from logbench.app.preflight import window_obstacle

    obstacle = None if headless else window_obstacle()
    if not headless and obstacle is None:
        return _in_window()
    if obstacle:
        say(f"No window here: {obstacle} The demo runs in the terminal instead.\n")
    make_demo_job(out or Path("logbench-demo"))
    return 0


def demo_link_url(fault: bool = True, speed: float = 1.0) -> str:
    """The simulated car of the demo, behind a fast simulated adapter."""
    from logbench.capture.demo_drives import CAR_NAME, FAULT

    url = f"sim:?car={CAR_NAME}&schedule=test-drive&baud=2000000&latency_ms=1&speed={speed:g}"
    return url + (f"&fault={FAULT}:1" if fault else "&trims=cleared")


def _in_window() -> int:
    """The window on the faulty simulated car, already recording; returns the exit code."""
    from logbench.app.demo import Demo
    from logbench.app.main import run
    from logbench.capture.demo_drives import DEMO_SIGNALS, demo_vehicle

    faulty, repaired = (demo_link_url(fault, WINDOW_SPEED) for fault in (True, False))
    return run(demo=Demo(faulty, repaired, demo_vehicle(), tuple(DEMO_SIGNALS)))


# --- in the terminal: one job, step by step ---


def make_demo_job(wanted: Path) -> Path:
    """The whole job, told as it goes, in the folder wanted or in one with a number behind it, which
    is returned. Raises LogbenchError."""
    from logbench.capture.demo_drives import CONCERN, FAULT_TEXT, demo_vehicle

    home = _new_job(wanted)
    say(joined(": ", demo_vehicle().label, "simulated, behind a simulated adapter"), "bold")
    say(f"Concern: {CONCERN}")
    say(f"Hidden in the engine: {FAULT_TEXT}. Driven {SPEED} times as fast as real.")
    _step("1  A test drive is recorded, and judged")
    _drive(home, "before")
    _judge(home, "before")
    _step("2  Codes are read and saved, then cleared with consent")
    _clear(home)
    _step("3  What explains all of it")
    _explain(home)
    _step("4  The hose is renewed, the same drive again, the car read again")
    _repair_entered(home)
    _drive(home, "after")
    _judge(home, "after")
    _read_again(home)
    _step("5  Before against after, at equal operating points")
    _compare(home)
    _step("6  The report")
    _report(home)
    return home.path


def _step(title: str) -> None:
    say(title, "bold")


def _new_job(wanted: Path) -> JobFolder:
    from logbench.capture.demo_drives import CONCERN, demo_vehicle
    from logbench.job.folder import create_job
    from logbench.job.model import Job
    from logbench.recording.storage import numbered, storage_trouble
    from logbench.system.private import make_folder

    folder = next(
        f
        for f in numbered(wanted.resolve())
        if not f.exists() or (f.is_dir() and not any(f.iterdir()))
    )
    with storage_trouble(folder):
        make_folder(folder.parent)
    job = Job(title="Demo: rough idle", concern=CONCERN, vehicle=demo_vehicle())
    return create_job(folder.parent, folder.name, job)[0]


def _drive(home: JobFolder, role: Role) -> None:
    """Record the drive before or after the repair and put it into the job."""
    from logbench.capture.demo_drives import CONCERN, DEMO_SIGNALS, demo_vehicle
    from logbench.capture.messages import CaptureRequest
    from logbench.cases.job import AddFiles
    from logbench.cli.record import record_shown
    from logbench.job.store import JobStore
    from logbench.simulator.driver import schedule

    faulty = role == "before"
    with tempfile.TemporaryDirectory() as place:
        finished = record_shown(
            CaptureRequest(
                link_url=demo_link_url(faulty, SPEED),
                signals=DEMO_SIGNALS,
                out=Path(place) / f"{role}.parquet",
                vehicle=demo_vehicle(),
                note=CONCERN if faulty else "After the repair (invented).",
                limit_s=schedule("test-drive").duration_s,
            ),
            steps=False,
        )
        assert finished.path is not None  # a request with `out` always ends with a file
        added = run_here(AddFiles(JobStore(), home.path, (finished.path,), role))
        for problem in added.problems:
            raise StorageError(problem)
    say(f"  {finished.samples:,} samples of {len(DEMO_SIGNALS)} signals recorded.")


def _recording(home: JobFolder, role: Role) -> Path:
    entries = home.load().recordings
    return home.place(next(e.file for e in entries if e.role == role))


def _judge(home: JobFolder, role: Role) -> None:
    """Check the drive: what is out of its usual range, the rest counted."""
    from logbench.analysis.findings import number_text
    from logbench.cases.recording import check_recording

    _, judged = run_here(check_recording(_recording(home, role)))
    loud = [f for f in judged.findings if f.verdict.severity]
    for finding in sorted(loud, key=lambda f: -f.verdict.severity):
        number = number_text(finding) or finding.reason
        say(f"  {finding.verdict.value:<6} {finding.heading}  {number}")
    within = sum(f.verdict.value == "within" for f in judged.findings)
    rest = len(judged.findings) - len(loud) - within
    say(f"  {len(loud)} out of their usual range, {within} within, {rest} not judged")


def _parked_link(role: Role) -> str:
    """The car after that drive, its key on and its engine off."""
    from logbench.simulator.driver import schedule

    ended_s = schedule("test-drive").duration_s  # its clock ran before the first sample, too
    url = demo_link_url(role == "before", 0.1).replace("test-drive", "parked")
    return url + f"&start_s={ended_s + PARKED_S:.0f}"


def _clear(home: JobFolder) -> None:
    """Read, save, clear, read."""
    from logbench.cases.job import ClearCodes
    from logbench.job.store import JobStore
    from logbench.vehicle.gate import CONSENT

    made = run_here(ClearCodes(JobStore(), home.path, _parked_link("before"), CONSENT))
    _say_codes(home.reading(home.load().readings[0]))
    say(f"  {made.sentence}")


def _say_codes(reading: CarReading) -> None:
    kept = [*reading.codes_in("stored"), *reading.codes_in("permanent")]
    found = {code.code: joined(" ", code.code, code.text) for code in kept}
    say(joined(": ", "  stored and permanent codes", joined("; ", *found.values()) or "none"))


def _explain(home: JobFolder) -> None:
    from logbench.analysis.causes.hand_tests import after_tests
    from logbench.analysis.causes.next_tests import next_tests
    from logbench.analysis.causes.sentence import headline
    from logbench.cases.causes import explain_files

    explained = run_here(explain_files((_recording(home, "before"),), home.path))
    found = after_tests(explained.causes, explained.done)
    say(f"  {headline(found)}")
    for one in next_tests(found, explained.engine, explained.done)[:1]:
        say(f"  What tells most next: {one.test.title}, {one.test.minutes:g} min")


def _repair_entered(home: JobFolder) -> None:
    from logbench.cases.job_entries import EnterInJob
    from logbench.job.model import Note
    from logbench.job.store import JobStore

    work = Note(text="Intake hose behind the air-flow sensor renewed (invented).")
    run_here(EnterInJob(JobStore(), home.path, "work", work))


def _read_again(home: JobFolder) -> None:
    from logbench.cases.job import ReadCar
    from logbench.job.store import JobStore

    _say_codes(run_here(ReadCar(JobStore(), home.path, _parked_link("after"), "after")))


def _compare(home: JobFolder) -> None:
    from logbench.cases.compare import compare_files
    from logbench.cases.job import KeepComparison
    from logbench.job.store import JobStore

    before, after = ((_recording(home, role),) for role in ("before", "after"))
    result = run_here(compare_files(before, after)).result
    run_here(KeepComparison(JobStore(), before, after, result.summary))
    say(f"  {result.summary}")


def _report(home: JobFolder) -> None:
    """The owner's page and the whole document, and where everything is."""
    from logbench.cases.job import WriteReport
    from logbench.report.options import ReportOptions

    job = home.load()
    place = Path(os.path.relpath(home.path))
    for audience in ("owner", "claims"):
        name = f"report-{audience}.pdf"
        run_here(WriteReport(home, job, home.path / name, ReportOptions(audience=audience)))
        say(f"  {place / name}")
    say(f"Look on: logbench job show {place}")
    say(f"With a screen: logbench {place / home.load().recordings[0].file}")
