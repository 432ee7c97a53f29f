"""What can be done with the chosen recordings: open, compare, find similar, follow a number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtWidgets import QPushButton, QWidget

from logbench.app.archive.body import SIMILAR, TREND, ArchiveBody
from logbench.app.commands import add_command
from logbench.app.long_work import LongWork
from logbench.app.parts import text_button
from logbench.cases.archive import fetch_files, find_similar, follow_number, list_numbers
from logbench.cases.compare import AFTER, BEFORE
from logbench.cases.runner import Owner
from logbench.signals.numbers import started_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Number, Row

_FOR_ONE = ("review", "similar", "trend")


class Choice(QObject):
    """Acts on what is selected in the list: by buttons, keys of the list and commands."""

    review_wanted = Signal(object)
    """Path of a recording."""
    compare_wanted = Signal(object, object)
    """Paths before and after."""
    failed = Signal(str)

    def __init__(self, body: ArchiveBody, work: LongWork, page: QWidget) -> None:
        super().__init__(page)
        self._body = body
        self._work = work
        self._owner: Owner | None = None
        self._archive: Archive | None = None
        self._car = ""
        """The car whose numbers are followed."""
        self.buttons: dict[str, QPushButton] = {}
        before, after = partial(self.put, BEFORE), partial(self.put, AFTER)
        for name, text, title, keys, run in (
            ("review", tr("Review  Enter"), tr("Review the chosen recording"), "Ctrl+Return",
             self.review),
            ("before", tr("Before  B"), tr("Add the chosen as before"), "Alt+B", before),
            ("after", tr("After  A"), tr("Add the chosen as after"), "Alt+A", after),
            ("compare", tr("Compare"), tr("Compare before with after"), "Ctrl+Shift+Return",
             self.compare),
            ("similar", tr("Similar drives  L"), tr("Find similar drives"), "Alt+L",
             self.find_similar),
            ("trend", tr("Trend  T"), tr("Show the trend of the car"), "Alt+T", self.follow),
        ):  # fmt: skip
            self.buttons[name] = text_button(text, run, title, title)
            add_command(page, title, keys, run)
        body.action_row.add(*self.buttons.values())
        body.table.doubleClicked.connect(self.review)
        body.table.letters = {
            Qt.Key.Key_Return: self.review,
            Qt.Key.Key_Enter: self.review,
            Qt.Key.Key_B: before,
            Qt.Key.Key_A: after,
            Qt.Key.Key_L: self.find_similar,
            Qt.Key.Key_T: self.follow,
        }
        body.similar.wanted.connect(self.find_similar)
        body.trend.wanted.connect(self._ask_trend)
        self.allow(0)

    def open(self, owner: Owner, archive: Archive) -> None:
        """Another archive, which owns what is looked up in it."""
        self._owner, self._archive = owner, archive
        self._tell_sides()

    def allow(self, chosen: int) -> None:
        """Which actions make sense for so many recordings."""
        for name, button in self.buttons.items():
            button.setEnabled(chosen == 1 if name in _FOR_ONE else chosen > 0)
        self.buttons["compare"].setEnabled(bool(self._body.model.sides))

    def review(self, _: object = None) -> None:
        """Open the chosen recording on the Review page."""
        names = [row.recording for row in self._chosen()[:1]]
        self._with_files(names, lambda paths: self.review_wanted.emit(paths[0]))

    def put(self, side: str) -> None:
        """Put the chosen recordings on a side of the comparison; again: take them away."""
        model = self._body.model
        model.put([row.recording for row in self._chosen()], side)
        self._tell_sides()

    def _tell_sides(self) -> None:
        model, button = self._body.model, self.buttons["compare"]
        before, after = (len(model.on_side(of)) for of in (BEFORE, AFTER))
        counts = tr("Compare  {before} : {after}", before=before, after=after)
        button.setText(counts if model.sides else tr("Compare"))
        button.setEnabled(bool(model.sides))

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

    def find_similar(self) -> None:
        """Find the drives that are most like the chosen one."""
        archive, rows = self._archive, self._chosen()
        if archive is None or not rows:
            return
        of = ", ".join((rows[0].car or tr("unnamed car"), started_text(rows[0].started, 10)))
        self._body.tabs.setCurrentIndex(SIMILAR)
        show = partial(self._body.show_similar, of)
        self._work.start(find_similar(archive, rows[0].recording), show)

    def follow(self) -> None:
        """Follow a number over the life of the chosen car."""
        body, archive, owner, rows = self._body, self._archive, self._owner, self._chosen()
        if archive is None or owner is None or not rows:
            return
        car = rows[0].car
        if not car:
            self.failed.emit(tr("This recording names no car, so there is no life to follow."))
            return
        self._car = car
        body.tabs.setCurrentIndex(TREND)
        show = partial(body.trend.show_numbers, car)
        owner.start(list_numbers(archive, car), show, self.failed.emit, slot="trend")

    def _chosen(self) -> list[Row]:
        rows = self._body.table.chosen()
        if not rows:
            self.failed.emit(tr("No recording is chosen: choose one in the list."))
        return rows

    def _with_files(self, names: Sequence[str], then: Callable[[list[Path]], None]) -> None:
        if self._archive is not None and names:
            self._work.start(fetch_files(self._archive, tuple(names)), then)

    def _ask_trend(self, number: Number) -> None:
        archive, owner = self._archive, self._owner
        if archive is not None and owner is not None:
            case = follow_number(archive, number.name, self._car)
            owner.start(case, self._body.trend.show_trend, self.failed.emit, slot="trend")
