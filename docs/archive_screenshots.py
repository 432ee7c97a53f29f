"""Makes the pictures of the Archive page in docs/screenshots/ from the program itself.

    QT_QPA_PLATFORM=offscreen python docs/archive_screenshots.py

Every picture is made in both themes at 1600x900 and 1100x700. The archive is made of simulated
drives of invented cars, some of them with an invented fault that comes.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from make_screenshots import new_window, save, settle, shrink, until
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from logbench.app.archive.page import ArchivePage
from logbench.app.window import MainWindow
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, LinkFacts, Trace, signal_facts
from tests.benchmarks.make_archive import base_drives

NAMES = ("estate", "hatch", "van", "coupe", "pickup", "wagon", "saloon", "minibus")
NOTES = (
    "",
    "stalls when warm",
    "",
    "hesitates on the hill",
    "",
    "after the intake hose was renewed",
)
DRIVES_A_CAR = 9
LOG = "Time [s];Engine speed (1/min);Coolant temp [°F];MAF g/s;Speed mph;STFT B1;Box temp\n"


def make_archive(folder: Path) -> Path:
    """Some drives of each of a few cars, weeks apart; one car's trims leap."""
    for number, (vehicle, traces) in enumerate(base_drives(len(NAMES), 420.0)):
        name = NAMES[number]
        for k in range(DRIVES_A_CAR):
            climb = 0.78125 * ((k + number) % 3) + (10.9375 if number == 0 and k >= 5 else 0.0)
            own = [
                Trace(t.signal, t.ecu, t.unit, t.t_ns, t.value + climb)
                if t.signal == "LONGFT1"
                else t
                for t in traces
            ]
            started = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(days=23 * k + number, hours=k)
            facts = Facts(
                started_utc=started.isoformat(),
                software="archive_screenshots",
                vehicle=vehicle.model_copy(update={"label": f"invented {name}", "vin": "",
                                                   "displacement_l": 1.8 + 0.2 * (number // 6)}),
                link=LinkFacts(url="sim:", simulated=True, protocol="none"),
                signals=signal_facts(trace.signal for trace in own),
                note=NOTES[(k + number) % len(NOTES)],
                events=[Event(t_ns=10**10, kind="marker", text="rattle")] if k == 2 else [],
            )  # fmt: skip
            write_recording(_made(folder / name) / f"{started:%Y-%m-%d}.parquet", own, facts)
    (folder / "spoilt.parquet").write_bytes(b"PAR1 cut short PAR1")
    return folder


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def make_log(path: Path) -> Path:
    """Another program's CSV: semicolons, decimal commas, US units, a cell that is no number."""
    rows = [
        f"{k};{800 + k % 90};{'spoilt' if k == 7 else 150 + k // 20};{2 + k / 300:.2f};"
        f"{k % 40};{k % 7 - 3},5;{31 + k % 3}"
        for k in range(300)
    ]
    path.write_text(LOG + "\n".join(row.replace(".", ",") for row in rows), "utf-8")
    return path


def idle(page: ArchivePage) -> bool:
    """Nothing is being done or read."""
    return not page._services.runner.busy


def pictures(window: MainWindow, page: ArchivePage, folder: Path) -> None:
    """Every part of the page."""
    window.pages.show_page("archive")
    save(window, "archive-empty")
    page.open_place(str(folder / "archive"))
    until(lambda: page.listed is not None and idle(page))
    page.sweep()
    until(lambda: idle(page) and not page.archive.pending(), 300)  # type: ignore[union-attr]
    page.notice.hide()
    newest = next(r for r in page.body.model.rows if r.car == "invented estate")
    page.body.table.choose(newest.recording)
    settle(1.0)
    until(lambda: idle(page) and page.body.details._shown is not None)
    save(window, "archive-list")
    page.choice.put("after")
    page.choice.follow()
    until(lambda: page.body.trend.plot._shown is not None)
    box = page.body.trend.box
    box.setCurrentIndex(box.findText("fuel trim: bank 1", Qt.MatchFlag.MatchStartsWith))
    box.activated.emit(box.currentIndex())
    settle(1.0)
    save(window, "archive-trend")
    page.choice.find_similar()
    until(lambda: idle(page) and page.body.similar.tree.topLevelItemCount() > 0)
    save(window, "archive-like")
    page.body.facets.words.setText("stalls")
    settle(0.6)
    until(lambda: idle(page))
    page.body.tabs.setCurrentIndex(4)
    save(window, "archive-filtered")
    page.body.facets.clear()
    import_pictures(window, page, make_log(folder / "someone's log.csv"))


def import_pictures(window: MainWindow, page: ArchivePage, log: Path) -> None:
    """The mapping of another program's file, and what became of it."""
    page.import_paths([log])
    until(lambda: page.importer.dialog is not None)
    dialog = page.importer.dialog
    assert dialog is not None
    for theme in ("light", "night"):
        window.services.look.choose(theme)  # type: ignore[arg-type]
        settle()
        path = Path(__file__).parent / "screenshots" / f"archive-import-{theme}.png"
        dialog.grab().save(str(path))
        shrink(path)
        print(path)
    dialog.car.setText("invented roadster")
    dialog.accept()
    until(lambda: idle(page) and bool(page.notice.text))
    page.body.tabs.setCurrentIndex(3)
    settle(0.5)
    save(window, "archive-imported")


def main() -> int:
    """Make them all."""
    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_archive(folder / "archive")
        window = new_window(folder)
        page = ArchivePage(window.services, folder / "cache", folder / "memory")
        page.processes = 1
        window.pages.put("archive", page)
        pictures(window, page, folder)
        window.close()
        until(lambda: not window.isVisible())
    return 0


if __name__ == "__main__":
    sys.exit(main())
