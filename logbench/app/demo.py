"""The demo in the window: from the faulty drive to the comparison with the repaired car."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from logbench.app.notice import Notice, Remedy
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.window import MainWindow
    from logbench.capture.messages import Finished
    from logbench.car.model import Car

SHOWS_MIN = 12
"""Minutes of the drive until its idle, hot, can be judged, and one cause stands out."""


@dataclass(frozen=True, slots=True)
class Demo:
    """What is driven: the links to the faulty and to the repaired car, the car and its signals."""

    faulty: str
    repaired: str
    vehicle: Car
    signals: tuple[str, ...]


class DemoLead(QObject):
    """One step after the other, each a sentence and what comes next; the user may leave the way at
    any time, and close the notice."""

    def __init__(self, window: MainWindow, demo: Demo) -> None:
        super().__init__(window)
        self._window, self._demo = window, demo
        self._driven: list[Path] = []
        self.notice = Notice(window.services.messages)
        window.live.session.finished.connect(self._finished)

    def start(self) -> None:
        """The faulty car is driven and recorded."""
        self._drive(self._demo.faulty)
        self.notice.success(
            tr(
                "Step 1 of 4: this simulated car idles roughly, and its test drive is being "
                "recorded, faster than real. Press M to mark a moment, and Stop when the drive's "
                "clock has passed {minutes} minutes: its findings need as many.",
                minutes=SHOWS_MIN,
            )
        )

    def _drive(self, url: str) -> None:
        live = self._window.live
        if live.busy:
            return
        self._window.pages.show_page("live")
        live.choose_link(url)
        live.set_up.car.set_vehicle(self._demo.vehicle)
        live.set_up.picker.choose(self._demo.signals)
        live.start()

    def _finished(self, finished: Finished) -> None:
        if finished.path is None:
            return
        self._driven.append(finished.path)
        if len(self._driven) == 1:
            self._say(
                tr(
                    "Step 2 of 4: review the drive, its findings and what explains them. Then the "
                    "intake hose is renewed (invented): drive the same car again."
                ),
                tr("Review it"),
                self._review,
                (tr("Drive the repaired car"), self._repaired),
            )
        else:
            self._say(
                tr("Step 3 of 4: compare both drives, at equal operating points."),
                tr("Compare before and after"),
                self._compare,
            )

    def _review(self) -> None:
        self._window.pages.open_recordings(self._driven[:1])

    def _repaired(self) -> None:
        self.notice.hide()
        self._drive(self._demo.repaired)

    def _compare(self) -> None:
        before, after = self._driven[0], self._driven[-1]
        self._window.pages.compare_recordings([before], [after])
        self._say(
            tr(
                "Step 4 of 4: a job keeps concern, codes, drives, findings and repair together, "
                "and writes the report. Start one, and add both drives to it."
            ),
            tr("Go to the jobs"),
            self._jobs,
        )

    def _jobs(self) -> None:
        self.notice.hide()
        self._window.pages.show_page("job")

    def _say(self, text: str, button: str, run: Remedy, *others: tuple[str, Remedy]) -> None:
        self.notice.success(text, button, run, *others)
        self.notice.page = ""  # it leads over all pages
