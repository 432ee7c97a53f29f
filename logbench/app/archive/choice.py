"""What can be done with the chosen recordings: open, compare, find others like them, follow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

from logbench.app.archive.body import ALIKE, TREND, ArchiveBody
from logbench.app.archive.long_work import LongWork
from logbench.app.archive.recordings import AFTER, BEFORE
from logbench.app.archive.working import alike_to, local_files, numbers_for, trend_of
from logbench.app.background import Jobs
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Number


class Choice(QObject):
    """Acts on what is selected in the list."""

    review_wanted = Signal(object)
    """Path of a recording."""
    compare_wanted = Signal(object, object)
    """Paths before and after."""
    failed = Signal(str)

    def __init__(self, jobs: Jobs, body: ArchiveBody, work: LongWork, parent: QObject) -> None:
        super().__init__(parent)
        self._jobs = jobs
        self._body = body
        self._work = work
        self.archive: Archive | None = None
        self._like = ""
        self._connect()

    def _connect(self) -> None:
        body, table = self._body, self._body.table
        table.opened.connect(self.review)
        table.put.connect(self.put)
        table.like_wanted.connect(self.find_alike)
        table.trend_wanted.connect(self.follow)
        for name, run in (
            ("review", self.review), ("before", self.put_before), ("after", self.put_after),
            ("compare", self.compare), ("like", self.find_alike), ("trend", self.follow),
        ):  # fmt: skip
            body.buttons[name].clicked.connect(lambda _=False, run=run: run())
        body.alike.wanted.connect(self.find_alike)
        body.alike.chosen.connect(body.go_to)
        body.trend.wanted.connect(self._ask_trend)
        body.trend.chosen.connect(body.go_to)

    def review(self) -> None:
        """Open the chosen recording on the Review page."""
        self._with_files(self._chosen()[:1], lambda paths: self.review_wanted.emit(paths[0]))

    def put(self, side: str) -> None:
        """Put the chosen recordings on a side of the comparison; again: take them away."""
        self._body.put(self._chosen(), side)

    def put_before(self) -> None:
        """On the side before."""
        self.put(BEFORE)

    def put_after(self) -> None:
        """On the side after."""
        self.put(AFTER)

    def compare(self) -> None:
        """Hand both sides to the Compare page."""
        before, after = (self._body.model.on_side(side) for side in (BEFORE, AFTER))
        if not before or not after:
            missing = BEFORE if not before else AFTER
            self.failed.emit(
                tr(
                    "No recording is on the side {missing}: choose one and press {key}.",
                    missing=word(missing),
                    key="B" if missing == BEFORE else "A",
                )
            )
            return
        n = len(before)
        self._with_files(
            [*before, *after], lambda paths: self.compare_wanted.emit(paths[:n], paths[n:])
        )

    def find_alike(self) -> None:
        """Find the drives that are most like the chosen one."""
        archive, names = self.archive, self._chosen()[:1]
        if archive is None or not names:
            return
        row = self._body.table.chosen()[0]
        self._like = ", ".join((row.car or tr("unnamed car"), row.started_utc[:10]))
        self._body.tabs.setCurrentIndex(ALIKE)
        self._work.start(
            lambda _, task: alike_to(archive, names[0], task), self._show_alike, gentle=False
        )

    def follow(self) -> None:
        """Follow a number over the life of the chosen car."""
        archive, names = self.archive, self._chosen()[:1]
        if archive is None or not names:
            return
        body, car = self._body, self._body.table.chosen()[0].car
        if not car:
            self.failed.emit(tr("This recording names no car, so there is no life to follow."))
            return
        body.car = car
        body.tabs.setCurrentIndex(TREND)
        self._jobs.start(
            lambda task: numbers_for(archive, car, task),
            lambda numbers: body.trend.show_numbers(car, numbers),
            self.failed.emit,
        )

    def _chosen(self) -> list[str]:
        names = [row.recording for row in self._body.table.chosen()]
        if not names:
            self.failed.emit(tr("No recording is chosen: choose one in the list."))
        return names

    def _with_files(self, names: Sequence[str], then: Callable[[list[Path]], None]) -> None:
        archive = self.archive
        if archive is not None and names:
            self._work.start(lambda _, task: local_files(archive, names, task), then, gentle=False)

    def _show_alike(self, found: Any) -> None:
        self._body.show_alike(self._like, found)

    def _ask_trend(self, number: Number) -> None:
        archive, car = self.archive, self._body.car
        if archive is not None:
            self._jobs.start(
                lambda task: trend_of(archive, number, car, task),
                self._body.trend.show_trend,
                self.failed.emit,
            )
