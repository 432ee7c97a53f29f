"""Between the job and the Compare page: sides go there, what was said of them comes back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QObject, Signal

from logbench.app.job.opened import OpenJob
from logbench.errors import LogbenchError
from logbench.job.comparisons import (
    Sides,
    keep_comparison,
    missing_sides,
    sides_by_role,
    sides_named,
)


class Comparing(QObject):
    """`opened` gives the job that is open, or None."""

    wanted = Signal(object, object)
    """Paths before and after."""
    failed = Signal(str)

    def __init__(self, opened: Callable[[], OpenJob | None], parent: QObject) -> None:
        super().__init__(parent)
        self._opened = opened

    def send(self) -> None:
        """Put the recordings on the Compare page by their role, also where one side lacks."""
        opened = self._opened()
        if opened is None:
            return
        sides = sides_by_role(opened.job)
        if any(sides):
            self._send(opened, sides)
        else:
            self.failed.emit(missing_sides(sides))

    def send_again(self, row: int) -> None:
        """Put the sides of a comparison that was kept on the Compare page."""
        opened = self._opened()
        if opened is not None:
            entry = opened.job.comparisons[row]
            self._send(opened, (tuple(entry.before), tuple(entry.after)))

    def keep(
        self, before: Sequence[Path], after: Sequence[Path], sentence: str, same_car: bool
    ) -> str:
        """Keep what a comparison said; the job's title, or `` when it is not of this job."""
        opened = self._opened()
        if opened is None:
            return ""
        sides = sides_named(opened.folder, opened.job, before, after)
        if sides is None:
            return ""
        keep_comparison(opened.job, sides, sentence, same_car=same_car)
        opened.touch()
        return opened.job.title or opened.folder.path.name

    def _send(self, opened: OpenJob, sides: Sides) -> None:
        try:
            before, after = ([opened.folder.place(file) for file in side] for side in sides)
        except LogbenchError as error:
            self.failed.emit(str(error))
            return
        self.wanted.emit(before, after)
