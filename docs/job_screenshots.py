"""Makes the pictures of the Job page in docs/screenshots/ from the program itself.

    QT_QPA_PLATFORM=offscreen python docs/job_screenshots.py

Every picture is made in both themes at 1600x900 and 1100x700. The readings are taken over a socket
from a simulated car, once with a fault and once without; customer and car are invented.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from make_screenshots import FOLDER, new_window, save, settle, shrink, until
from PIL import Image, ImageDraw
from PySide6.QtWidgets import QApplication, QDialog

from logbench.analysis.comparison.compare import compare
from logbench.app.job.car_actions import clear_dialog
from logbench.app.job.page import OTHERS, PHOTOS, RECORDINGS, RECORDS, STORY, TIMELINE, WORK
from logbench.app.job.records import SearchPageDialog
from logbench.app.job.reporting import ReportDialog
from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.job.comparisons import keep_comparison, sides_by_role
from logbench.job.folder import JobFolder, create_job
from logbench.job.model import Customer, Job, JobEvent, Note, Option, OtherCode, Part
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.faults import Faults
from logbench.simulator.timing import Timing
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.records.read import read_car
from tests.serving import serve_tcp

RECORDINGS_MADE = Path(__file__).parents[1] / "recordings"


def example_job() -> Job:
    """An invented visit."""
    return Job(
        title="Rough idle, lamp on",
        concern="The engine shakes at idle when warm, since last week; the lamp came on Monday.",
        technician="R. Example",
        customer=Customer(name="Ada Example", contact="ada@example.org"),
        vehicle=Car(
            label="invented car", registration="EX 1234", vin="ZZ9TEST170X000001", year=2016,
            fuel="petrol", displacement_l=1.8, cylinders=4,
        ),
        notes=[
            Note(at_utc="2026-03-02T09:10:00+00:00", text="Hissing at the intake, louder warm."),
            Note(at_utc="2026-03-02T09:25:00+00:00", text="Smoke comes out behind the sensor."),
        ],
        work=[Note(at_utc="2026-03-02T11:00:00+00:00", text="Intake hose renewed.")],
        parts=[Part(name="Intake hose", number="invented 12-34", remark="cracked at the fold")],
        options=[
            Option(what="Renew the hose", cost="120", consequence="Trims come back", agreed=True),
            Option(what="Leave it", consequence="Runs lean, may misfire", safety="May stall",
                   agreed=False),
        ],
        agreement="Hose first; then a drive, and the comparison.",
        other_codes=[
            OtherCode(module="Airbag", code="B1234", state="stored", remark="seat plug",
                      restraint=True),
            OtherCode(module="Brakes", code="C0035", state="history", when="before"),
        ],
        events=[JobEvent(at_utc="2026-03-02T10:40:00+00:00", kind="codes cleared",
                         text="7E8, 7E9 cleared. No stored or pending code is left.")],
    )  # fmt: skip


def read_the_car(folder: JobFolder, job: Job, severity: float, role: str) -> None:
    """A reading at the end of a drive."""
    faults = Faults({"unmetered_air": severity} if severity else {})
    drive = Drive(named_car("demo"), faults, schedule("short-drive"), seed=5)
    drive.advance(270.0)
    url_of = serve_tcp(drive, timing=Timing(baud=0, latency_ms=1.0))
    with url_of as url, open_link(url) as link:
        folder.add_reading(job, read_car(link), "after" if role == "after" else "before")


def make_photo(path: Path) -> Path:
    """A drawing in place of a photo."""
    picture = Image.new("RGB", (1200, 800), "#8A8F96")
    draw = ImageDraw.Draw(picture)
    draw.line([(80, 620), (420, 380), (760, 420), (1120, 180)], fill="#22262B", width=150)
    draw.line([(560, 340), (600, 470)], fill="#E8E2D2", width=14)
    picture.save(path, quality=85)
    return path


def make_job(folder: Path) -> Path:
    """The whole job in a folder."""
    made, job = create_job(folder, "Rough idle", example_job())
    read_the_car(made, job, 1.0, "before")
    read_the_car(made, job, 0.0, "after")
    for drive in ("before", "after"):
        made.add_recording(job, RECORDINGS_MADE / f"{drive}.parquet", drive)  # type: ignore[arg-type]
    summary = compare(*([made.recording(entry)] for entry in job.recordings)).summary
    entry = keep_comparison(job, sides_by_role(job), summary, label="hose renewed")
    entry.at_utc = "2026-05-06T16:40:00+00:00"
    made.add_photo(job, make_photo(folder / "hose.jpg"), "The cracked hose")
    made.save(job)
    return made.path


def save_dialog(window: MainWindow, dialog: QDialog, name: str) -> None:
    """A dialog by itself, in both themes."""
    dialog.show()
    for theme in ("light", "night"):
        window.services.look.choose(theme)  # type: ignore[arg-type]
        settle()
        path = FOLDER / f"{name}-{theme}.png"
        dialog.grab().save(str(path))
        shrink(path)
        print(path)
    dialog.close()


def pictures(window: MainWindow, path: Path) -> None:
    """Every part of the page."""
    window.pages.show_page("job")
    page = window.pages.job
    save(window, "job-empty")
    page.open_path(path)
    until(lambda: page.tabs.records.list.count() == 3)
    for part, name in (
        (STORY, "story"), (OTHERS, "other-modules"), (RECORDINGS, "recordings"), (WORK, "work"),
        (PHOTOS, "photos"),
    ):  # fmt: skip
        page.tabs.show_part(part)
        save(window, f"job-{name}")
    page.tabs.show_part(TIMELINE)
    until(lambda: page.tabs.timeline.topLevelItemCount() > 5)
    save(window, "job-timeline")
    page.tabs.show_part(RECORDS)
    page.tabs.records.list.setCurrentRow(0)
    save(window, "job-records")
    page.tabs.records.list.setCurrentRow(2)
    save(window, "job-before-after")
    save_dialog(window, clear_dialog(page), "job-clear")
    assert page.opened is not None
    search = SearchPageDialog(
        "https://search.example/?q={words}", "P0171", page.opened.job.vehicle, page
    )
    save_dialog(window, search, "job-search")
    dialog = ReportDialog(window.services.settings, path / "report.pdf", page)
    from logbench.report.document import report_sentences

    dialog.show_sentences(report_sentences(page.opened.folder, page.opened.job))
    save_dialog(window, dialog, "job-report")


def main() -> int:
    """Make them all."""
    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = make_job(folder)
        window = new_window(folder)
        pictures(window, path)
        window.close()
        until(lambda: not window.isVisible())
    return 0


if __name__ == "__main__":
    sys.exit(main())
