"""Makes the pictures of the Compare page in docs/screenshots/ from the program itself.

    QT_QPA_PLATFORM=offscreen python docs/compare_screenshots.py

Every picture is made in both themes at 1600x900 and 1100x700, from the two recordings in
`recordings/`: an invented car, an invented fault.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from make_screenshots import new_window, save, until
from PySide6.QtWidgets import QApplication

from logbench.analysis.comparison.overlay import By
from logbench.app.compare.overlay_view import OverlayView
from logbench.app.compare.results import DRIVE, FINDINGS, SIGNALS, WARM_UP
from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording

RECORDINGS = Path(__file__).parents[1] / "recordings"


def other_car(folder: Path) -> Path:
    """The second drive, as if it were of another invented car."""
    drive = open_recording(RECORDINGS / "after.parquet")
    car = Car(label="another car", vin="ZZ9TEST280X000002", displacement_l=1.6, cylinders=4)
    facts = drive.facts.model_copy(update={"vehicle": car, "recording_id": ""})
    return write_recording(folder / "other-car.parquet", drive.traces(), facts)


def compared(window: MainWindow) -> bool:
    """The overlay, which comes last, is drawn."""
    return window.pages.compare.results.overlay.laid is not None


def choose_by(overlay: OverlayView, by: By) -> None:
    """As choosing it in the box would."""
    index = overlay.by_box.findData(by.value)
    overlay.by_box.setCurrentIndex(index)
    overlay.by_box.activated.emit(index)


def pictures(window: MainWindow, folder: Path) -> None:
    """Choosing, asking, and every part of the result."""
    window.pages.show_page("compare")
    page, results = window.pages.compare, window.pages.compare.results
    until(lambda: page.sides.recent.list.topLevelItemCount() > 0)
    save(window, "compare-empty")
    before, after = folder / "before.parquet", folder / "after.parquet"
    page.set_sides([before], [after])
    save(window, "compare-sides")
    page.compare()
    until(lambda: page.compared is not None and compared(window))
    save(window, "compare-findings")
    results.step(1)
    results.step(1)
    save(window, "compare-finding")
    results.show_tab(SIGNALS)
    results.signals.choose("TOTAL_TRIM1")
    save(window, "compare-signal")
    results.grid.setFocus()
    results.grid.choose(max(results.grid.cells, key=lambda c: c.seconds[1] * bool(c.difference)))
    results.overlay.laid = None
    choose_by(results.overlay, By.SPEED_MATCH)
    until(lambda: compared(window))
    save(window, "compare-cell")
    results.show_tab(DRIVE)
    results.step(1)
    results.overlay.laid = None
    choose_by(results.overlay, By.DISTANCE)
    until(lambda: compared(window))
    save(window, "compare-drive")
    results.show_tab(WARM_UP)
    choose_by(results.overlay, By.MARKER)
    until(results.overlay.trouble.isVisible)
    save(window, "compare-warm-up")
    results.show_tab(FINDINGS)
    page.set_sides([before], [other_car(folder)])
    page.compare()
    until(page.question.isVisible)
    save(window, "compare-question")


def main() -> int:
    """Make them all."""
    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for drive in ("before", "after"):
            shutil.copy2(RECORDINGS / f"{drive}.parquet", folder)
        window = new_window(folder)
        pictures(window, folder)
        window.close()
        until(lambda: not window.isVisible())
    return 0


if __name__ == "__main__":
    sys.exit(main())
