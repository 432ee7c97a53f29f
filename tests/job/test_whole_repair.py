"""One repair from the first reading to the report, on a simulated car, through the real link.

Read, record, save, clear, repair, record again, read, compare, report. The car is driven by its
physics: the code, the trims and the monitors come from the fault, and go with it.
"""

from __future__ import annotations

import io
import time
from pathlib import Path

import pytest
from pypdf import PdfReader

from logbench.analysis.model import Verdict
from logbench.capture.messages import CaptureRequest, Message, Status
from logbench.capture.process import run_headless
from logbench.car.model import Car
from logbench.errors import ClearingRefusedError
from logbench.job.folder import JobFolder, create_job, open_job
from logbench.job.model import Job, JobEvent, Note
from logbench.job.timeline import timeline
from logbench.report.document import build_report
from logbench.report.gather import gather
from logbench.report.options import ReportOptions
from logbench.simulator.cars import named_car
from logbench.simulator.day import STANDARD
from logbench.simulator.drive import Drive
from logbench.simulator.faults import Faults
from logbench.simulator.timing import Timing
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.records.clearing import clear_codes
from logbench.vehicle.records.diff import diff_readings
from logbench.vehicle.records.read import read_car
from tests.job.hurried import SPEED, TWO_TRIPS, HeldClock, HurriedSource, end_of_trip
from tests.serving import serve_tcp

FAULT = "unmetered_air"
SEED = 5
SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "FUELSYS1")


def make_drive() -> Drive:
    return Drive(named_car("demo"), Faults({FAULT: 1.0}), TWO_TRIPS, seed=SEED, day=STANDARD)


def record(url: str, out: Path, limit_s: float, clock: HeldClock, until_s: float) -> Path:
    """Record while the car drives on to `until_s`; it starts when the first samples are there."""

    def watch(message: Message) -> None:
        if isinstance(message, Status) and message.samples:
            clock.until_s = until_s

    car = named_car("demo")
    request = CaptureRequest(
        link_url=url,
        signals=SIGNALS,
        out=out,
        vehicle=Car(displacement_l=car.displacement_l, cylinders=car.cylinders),
        limit_s=limit_s,
    )
    path = run_headless(request, watch, HurriedSource).path
    while clock.at(time.monotonic()) < until_s:  # its key is off for a moment on the way there
        time.sleep(0.01)
    return path


@pytest.mark.slow
def test_a_repair_from_the_first_reading_to_the_report(tmp_path):
    off_s = end_of_trip(make_drive(), 1)
    drive = make_drive()
    clock = HeldClock(SPEED, until_s=3.0)
    folder, job = create_job(tmp_path, "Rough idle, invented", Job(concern="Shakes at idle."))
    timing = Timing(baud=0, latency_ms=1.0)
    with serve_tcp(drive, timing=timing, clock=clock) as url:
        # the first drive, recorded
        path = record(url, tmp_path / "first.parquet", off_s - 10, clock, off_s)
        folder.add_recording(job, path, "before")

        # read and saved, then cleared; refused without consent
        with open_link(url) as link:
            with pytest.raises(ClearingRefusedError):
                clear_codes(link, "", lambda reading: _keep(folder, job, reading))
            cleared = clear_codes(link, CONSENT, lambda reading: _keep(folder, job, reading))
        assert cleared.change.accepted == ["7E8", "7E9"], cleared.sentence
        job.events.append(
            JobEvent(at_utc=cleared.change.sent_utc, kind="codes cleared", text=cleared.sentence)
        )
        before = folder.reading(job.readings[0])
        assert [c.code for c in before.codes_in("stored")] == ["P0171"]
        assert before.freeze_frames[0].code == "P0171"
        assert any(result.passed is False for result in before.monitor_results)
        assert cleared.after is not None
        assert cleared.after.codes_in("stored") == []
        assert [c.code for c in cleared.after.codes_in("permanent")] == ["P0171"]

        # repaired, driven and recorded again, read again
        drive.set_fault(FAULT, 0.0)
        job.work.append(Note(text="Intake hose renewed."))
        clock.skip(394.0)
        path = record(url, tmp_path / "second.parquet", 325.0, clock, clock.until_s + 307.0)
        folder.add_recording(job, path, "after")
        with open_link(url) as link:
            after = read_car(link)
        folder.add_reading(job, after, "after")
    folder.save(job)
    _check_what_came_of_it(folder.path, tmp_path)


def _keep(folder: JobFolder, job: Job, reading) -> Path:
    return folder.place(folder.add_reading(job, reading, "before").file)


def _check_what_came_of_it(path: Path, tmp_path: Path) -> None:
    """Everything from the folder alone, as another computer would open it."""
    folder, job = open_job(path)
    before, after = (folder.reading(entry) for entry in (job.readings[0], job.readings[-1]))
    diff = diff_readings(before, after)
    assert [change.code for change in diff.stayed] == ["P0171"], "permanent until its monitor ran"
    assert diff.stayed[0].after == ["permanent"]
    assert after.codes_in("stored") == after.codes_in("pending") == []

    material = gather(folder, job, ReportOptions())
    assert material.problems == []
    first = {f.subject: f for f in material.drives_of("before")[0].findings}
    second = {f.subject: f for f in material.drives_of("after")[0].findings}
    assert first["bank 1, warm idle"].verdict is Verdict.ACT
    assert second["bank 1, warm idle"].verdict is Verdict.WITHIN
    assert material.comparison is not None
    became = {(r.check, r.subject): r.verdict for r in material.comparison.findings}
    assert became["fuel_trim", "bank 1, warm idle"] == "resolved"
    kinds = [moment.kind for moment in timeline(job, folder)]
    assert kinds.count("codes cleared") == 1
    assert "recording, before" in kinds

    out = tmp_path / "report.pdf"
    document = build_report(folder, job, out)
    assert document.problems == ()
    pages = PdfReader(io.BytesIO(out.read_bytes())).pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    for part in ("Shakes at idle.", "P0171", "resolved", "Intake hose renewed.", "codes cleared"):
        assert part in text, part
    assert "The car had stored no codes after the work." in text
