"""Opening recordings for the Review page, what is done for the one that is shown, and how far that
has come."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QProgressBar

from logbench.app.parts import delayed
from logbench.app.services import Services
from logbench.cases.recording import Judge, Judged
from logbench.cases.review import OpenDemo, Opened, OpenForReview, ReadRest
from logbench.cases.runner import Running
from logbench.cases.work import Case

_AFTER_PAINT_MS = 20
_PATIENCE_MS = 400


class Opening(QObject):
    """A recording that is being opened belongs to the page, and the next one takes its place. What
    is read and judged belongs to the recording that is shown, and goes on until that is another."""

    started = Signal()
    """Another recording is going to be opened."""
    opened = Signal(object)
    """An `Opened`: it is the one that is shown now."""
    all_read = Signal(object)
    """The shown one with all its traces."""
    judged = Signal(object)
    """What the checks say of the shown one."""
    foreign = Signal(object)
    """The path of another program's file."""
    failed = Signal(str)
    unjudged = Signal()
    """The shown one could not be read or judged, or that was cancelled."""
    reported = Signal(str, float)
    busy_changed = Signal(bool)

    def __init__(self, services: Services, parent: QObject) -> None:
        super().__init__(parent)
        self._page = services.runner.owner()
        self.shown = services.runner.owner()
        """Whoever what is done for the shown recording belongs to; closed with it."""
        self._opening: Running | None = None
        self._reading: Running | None = None
        self._first: Opened | None = None
        self._after_paint = delayed(self, _AFTER_PAINT_MS, self._read_rest)

    @property
    def busy(self) -> bool:
        """Something is opened, read or judged, or will be at once."""
        reads = self._reading is not None or self._after_paint.isActive()
        return self._opening is not None or reads

    def start(self, case: OpenForReview | OpenDemo) -> None:
        """Open another recording; until it is there, the shown one is read and judged on."""
        self.started.emit()
        self._opening = self._page.start(
            case,
            self._opened,
            self._failed,
            self.reported.emit,
            ended=self._not_opening,
            slot="open",
        )
        self.busy_changed.emit(True)

    def cancel(self) -> None:
        """Stop opening; where nothing is opened, stop reading and judging what is shown."""
        if self._opening is not None:
            self._opening.cancel()
        elif self.busy:
            self._after_paint.stop()
            if self._reading is not None:
                self._reading.cancel()
            self.unjudged.emit()
        self.busy_changed.emit(self.busy)

    def _not_opening(self) -> None:
        self._opening = None

    def _failed(self, sentence: str) -> None:
        self.busy_changed.emit(self.busy)
        self.failed.emit(sentence)

    def _opened(self, answer: Opened | Path) -> None:
        if isinstance(answer, Path):
            self.busy_changed.emit(self.busy)
            self.foreign.emit(answer)
            return
        self.shown.close()
        path = answer.recording.path
        self.shown = self._page.runner.owner(path.name if path is not None else "")
        self._reading, self._first = None, answer
        self.opened.emit(answer)
        self._after_paint.start()

    def _read_rest(self) -> None:
        """What else the recording holds, once its first strips are seen."""
        assert self._first is not None
        self._read(ReadRest(self._first), self._all_read)

    def _all_read(self, opened: Opened) -> None:
        self.all_read.emit(opened)
        self._read(Judge(opened.recording), self._judged)

    def _judged(self, judged: Judged) -> None:
        self.busy_changed.emit(self.busy)
        self.judged.emit(judged)

    def _read(self, case: Case[Any], done: Callable[[Any], None]) -> None:
        self._reading = self.shown.start(
            case, done, self._not_read, self.reported.emit, ended=self._not_reading
        )

    def _not_reading(self) -> None:
        self._reading = None

    def _not_read(self, sentence: str) -> None:
        self._failed(sentence)
        self.unjudged.emit()


class OpeningProgress(QProgressBar):
    """How far opening has come, shown of what takes its time only. Not there at first: every step
    of the bar is painted at once."""

    shown = Signal(bool)

    def __init__(self) -> None:
        super().__init__()
        self.setMaximum(1000)
        self.setTextVisible(False)
        self.setFixedSize(120, 14)
        self._patience = delayed(self, _PATIENCE_MS, self._show)
        self.hide()

    def set_busy(self, busy: bool) -> None:
        """Something is done, or no longer."""
        if busy and (self._patience.isActive() or not self.isHidden()):
            return
        self._patience.stop()
        self.setValue(0)
        self.hide()
        self.shown.emit(False)
        if busy:
            self._patience.start()

    def report(self, text: str, share: float) -> None:
        """What is being done, and the share done, 0 to 1."""
        if not self.isHidden():
            self.setValue(round(share * 1000))
            self.setAccessibleName(text)
            self.setToolTip(text)

    def _show(self) -> None:
        self.show()
        self.shown.emit(True)
