"""Makes the pictures in docs/screenshots/ from the program itself: only those that the docs show.

    QT_QPA_PLATFORM=offscreen python -m docs.make_screenshots [PART...]

The job is that of `logbench demo`: an invented car, an invented fault, driven behind a real link.
The page of the report is drawn by pypdfium2, which nothing else needs: `pip install pypdfium2`.
What each picture depends on is kept as a digest (`docs/picture_sources.py`).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PIL import Image
from PySide6.QtWidgets import QApplication, QWidget

from docs.picture_sources import keep
from logbench.app.archive.page import ArchivePage
from logbench.app.job.page import STORY
from logbench.app.theme import Choice
from logbench.app.window import MainWindow
from logbench.capture.demo_drives import demo_vehicle
from logbench.cases.settings import Settings
from logbench.cli.demo import demo_link_url, make_demo_job

FOLDER = Path(__file__).parent / "screenshots"
LARGE, SMALL = (1600, 900), (1100, 700)


def until(true: Callable[[], bool], limit_s: float = 120.0) -> None:
    """Let Qt work until something is true."""
    deadline = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > deadline:
            raise TimeoutError(true)
        QApplication.processEvents()
        time.sleep(0.005)


def settle(seconds: float = 0.5) -> None:
    """Let what was asked for be painted."""
    end = time.monotonic() + seconds
    until(lambda: time.monotonic() > end)


def shrink(path: Path) -> None:
    """A third of the size: 256 colors chosen from the picture itself."""
    with Image.open(path) as picture:
        small = picture.convert("RGB").quantize(256, dither=Image.Dither.NONE)
    small.save(path, optimize=True)
    keep(path.stem)
    print(path)


def save(
    window: MainWindow, shown: QWidget, name: str, theme: Choice, size: tuple[int, int]
) -> None:
    """A widget as it is, in a theme and a size."""
    window.services.look.choose(theme)
    shown.resize(*size)
    settle()
    shown.grab().save(str(FOLDER / f"{name}.png"))
    shrink(FOLDER / f"{name}.png")


def new_window(folder: Path) -> MainWindow:
    """A window with settings of its own."""
    settings = Settings.load(folder / "settings.json")
    settings.folder = folder
    window = MainWindow(settings)
    window.ask_to_finish = lambda: True
    window.show()
    return window


def live(window: MainWindow, _: Path) -> None:
    """A recording at the roadside, and the driver's view of it."""
    page = window.live
    page.choose_link(demo_link_url(speed=6))
    page.set_up.car.set_vehicle(demo_vehicle())
    page.start()
    until(lambda: page.session.now_ns > 95e9)
    page.mark()
    until(lambda: page.session.now_ns > 150e9)
    save(window, window, "live-roadside", "roadside", (1280, 800))
    view = page.shapes.driver_view()
    view.show()
    save(window, view, "live-driver", "night", SMALL)
    view.close()
    page.stop()
    until(lambda: not page.busy)


def review(window: MainWindow, job: Path) -> None:
    """The drive before the repair, with its first finding chosen."""
    window.pages.show_page("review")
    window.pages.open_recordings([job / "recordings" / "before.parquet"])
    page = window.pages.review
    until(lambda: page.judged is not None)
    shown = page.findings.list
    shown.setCurrentItem(shown.topLevelItem(0))
    save(window, window, "review", "light", LARGE)


def compare(window: MainWindow, job: Path) -> None:
    """Before against after, with the cell chosen that changed and has most."""
    window.pages.show_page("compare")
    page, results = window.pages.compare, window.pages.compare.results
    page.set_sides(*([job / "recordings" / f"{side}.parquet"] for side in ("before", "after")))
    page.compare()
    until(lambda: page.compared is not None and results.overlay.laid is not None)
    results.step(1)
    settle(12.0)  # what passes has gone by itself
    save(window, window, "compare", "light", LARGE)


def at_job(window: MainWindow, job: Path) -> None:
    """The job's story, and the first page of its report."""
    from pypdfium2 import PdfDocument

    window.pages.show_page("job")
    page = window.pages.job
    page.open_path(job)
    until(lambda: page.tabs.records.list.count() >= 3)
    page.tabs.show_part(STORY)
    save(window, window, "job", "night", LARGE)
    page_one = PdfDocument(job / "report-owner.pdf")[0]
    page_one.render(scale=1.4).to_pil().save(FOLDER / "report.png")
    shrink(FOLDER / "report.png")


def archive(window: MainWindow, job: Path) -> None:
    """The drives of the job as an archive."""
    page = ArchivePage(window.services, job.parent / "cache", job.parent / "memory")
    page.processes = 1
    window.pages.put("archive", page)
    window.pages.show_page("archive")
    page.open_place(str(job / "recordings"))
    until(lambda: page.listed is not None and not window.services.runner.busy)
    page.sweep()
    until(lambda: not window.services.runner.busy and not page.archive.pending(), 300)  # type: ignore[union-attr]
    page.notice.hide()
    page.body.table.choose(page.body.model.rows[0].recording)
    settle(2.0)
    save(window, window, "archive", "light", LARGE)


def main() -> int:
    """Make them all, or those of the parts named: live, review, compare, at_job, archive."""
    parts = {part.__name__: part for part in (live, review, compare, at_job, archive)}
    wanted = sys.argv[1:] or list(parts)
    FOLDER.mkdir(exist_ok=True)
    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job = make_demo_job(folder / "demo")
        window = new_window(folder)
        for part in wanted:
            parts[part](window, job)
        window.close()
        until(lambda: not window.isVisible())
    return 0


if __name__ == "__main__":
    sys.exit(main())
