"""Makes the pictures in docs/screenshots/ from the program itself.

    QT_QPA_PLATFORM=offscreen python docs/make_screenshots.py [NAME...]

Every picture is made in both themes at 1600x900 and 1100x700. The drives come from the simulated
car: an invented car, an invented fault.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PIL import Image
from PySide6.QtWidgets import QApplication

from logbench.app.commands import CommandList
from logbench.app.theme import Choice
from logbench.app.window import MainWindow
from logbench.capture.demo_drives import DEMO_SIGNALS, FAULT, record_simulated
from logbench.cases.settings import Settings
from logbench.cli.demo import demo_link_url
from logbench.recording.model import Event, iso_utc
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce

FOLDER = Path(__file__).parent / "screenshots"
SIZES = ((1600, 900), (1100, 700))
THEMES: tuple[Choice, ...] = ("light", "night")


def until(true: Callable[[], bool], limit_s: float = 60.0) -> None:
    """Let Qt work until something is true."""
    deadline = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > deadline:
            raise TimeoutError(true)
        QApplication.processEvents()
        time.sleep(0.005)


def settle(seconds: float = 0.3) -> None:
    """Let what was asked for be painted."""
    end = time.monotonic() + seconds
    until(lambda: time.monotonic() > end)


def shrink(path: Path) -> None:
    """A third of the size: 256 colours chosen from the picture itself."""
    with Image.open(path) as picture:
        small = picture.convert("RGB").quantize(256, dither=Image.Dither.NONE)
    small.save(path, optimize=True)


def save(window: MainWindow, name: str) -> None:
    """The window as it is, in both themes and sizes."""
    FOLDER.mkdir(exist_ok=True)
    for theme in THEMES:
        window.services.look.choose(theme)
        for width, height in SIZES:
            window.resize(width, height)
            settle()
            path = FOLDER / f"{name}-{theme}-{width}.png"
            window.grab().save(str(path))
            shrink(path)
            print(path)


def new_window(folder: Path) -> MainWindow:
    """A window with settings of its own."""
    settings = Settings.load(folder / "settings.json")
    settings.folder = folder
    window = MainWindow(settings)
    window.ask_to_finish = lambda: True
    window.show()
    return window


def drive_file(folder: Path) -> Path:
    """The invented car with its fault on the scripted drive."""
    drive = Drive(named_car("demo"), {FAULT: 1.0}, schedule("test-drive"), seed=7)
    return record_simulated(
        folder / "demo-before.parquet",
        drive,
        produce(drive, DEMO_SIGNALS, seed=7),
        iso_utc(datetime.now(UTC)),
        events=[Event(t_ns=140_000_000_000, kind="marker", text="rattle on the left")],
    )


def live_pictures(window: MainWindow) -> None:
    """Before, during and after a recording of the simulated car."""
    save(window, "live-start")
    live = window.live
    live.choose_link("192.168.0.10:35000")
    live.start()
    save(window, "live-cautions")
    live.cautions.refused.emit()
    live.choose_link(demo_link_url(speed=6))
    live.start()
    until(lambda: live.session.now_ns > 75e9)
    live.mark()
    until(lambda: live.session.now_ns > 95e9)
    save(window, "live-recording")
    driver_picture(window)
    plan_and_wiggle_pictures(window)
    live.stop()
    until(lambda: not live.busy)
    save(window, "live-saved")


def plan_and_wiggle_pictures(window: MainWindow) -> None:
    """The drive plan half done, and the wiggle test at the next standstill."""
    live = window.live
    live.shapes.tones.on = False
    live.show_shape("plan")
    live.cautions.accepted.emit()
    until(lambda: live.session.now_ns > 420e9, limit_s=120)
    save(window, "live-plan")
    live.show_shape("wiggle")
    live.shapes.wiggle.toggle()
    until(lambda: "Watching" in live.shapes.wiggle.says.text(), limit_s=120)
    save(window, "live-wiggle")
    live.show_shape("strips")


def driver_picture(window: MainWindow) -> None:
    """The driver's view in both themes."""
    view = window.live.shapes.driver_view()
    view.show()
    for theme in THEMES:
        window.services.look.choose(theme)
        for width, height in SIZES:
            view.resize(width, height)
            settle()
            path = FOLDER / f"live-driver-{theme}-{width}.png"
            view.grab().save(str(path))
            shrink(path)
    view.close()


def review_pictures(window: MainWindow, drive: Path) -> None:
    """The recording as a whole, a finding, the values at the cursor, the commands."""
    window.pages.show_page("review")
    save(window, "review-empty")
    window.pages.open_recordings([drive])
    review = window.pages.review
    until(lambda: review.judged is not None)
    save(window, "review-drive")
    shown = review.findings.list
    shown.setCurrentItem(shown.topLevelItem(0))
    save(window, "review-finding")
    review.find_bar.open()
    review.find_bar.line.setText("RPM > 4000 and LOAD_PCT > 80")
    review.find_bar.step(1)
    save(window, "review-find")
    review.find_bar.leave()
    review.plots.shade(())
    review.view.show_all()
    review.view.set_mark("A", 628_000_000_000)
    review.view.set_mark("B", 690_000_000_000)
    save(window, "review-span")
    review.notes.add(628_000_000_000, 690_000_000_000, "hiss from the left at idle")
    until(lambda: bool(review.notes.notes))
    review.tabs.setCurrentWidget(review.notes)
    save(window, "review-notes")
    review.tabs.setCurrentWidget(review.findings)
    review.span_panel.clear()
    review.plots.show_cross(True)
    save(window, "review-scatter")
    review.cross.shape_box.setCurrentText("Median")
    review.cross.z_box.setCurrentText("LONGFT1")
    review.cross.draw()
    save(window, "review-grid")
    review.plots.show_cross(False)
    review.tabs.setCurrentIndex(1)
    review.view.set_cursor(review.view.high_ns * 2 // 5)
    save(window, "review-cursor")


def command_picture(window: MainWindow) -> None:
    """The list of commands with something typed."""
    dialog = CommandList(window.commands(), window)
    dialog.show()
    for theme in THEMES:
        window.services.look.choose(theme)
        settle()
        path = FOLDER / f"commands-{theme}.png"
        dialog.grab().save(str(path))
        shrink(path)
    dialog.close()


def main() -> int:
    """Make them all, or those whose part is named: live, review, commands."""
    wanted = set(sys.argv[1:]) or {"live", "review", "commands"}
    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        window = new_window(folder)
        if "live" in wanted:
            live_pictures(window)
        if "review" in wanted:
            review_pictures(window, drive_file(folder))
        if "commands" in wanted:
            command_picture(window)
        window.close()
        until(lambda: not window.isVisible())
    return 0


if __name__ == "__main__":
    sys.exit(main())
