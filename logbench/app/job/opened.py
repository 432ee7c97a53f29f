"""The job that is open: edited through here, saved by itself, never over somebody else's."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import BaseModel, ValidationError
from PySide6.QtCore import QObject, QTimer, Signal

from logbench.errors import JobError
from logbench.job.car import bring_over
from logbench.job.folder import JobFolder
from logbench.job.model import Job
from logbench.job.store import HeldJob
from logbench.words import tr

_TICK_MS = 500
MOST_ENTRIES = 500
"""Of one list, as `job.model` has it."""


class OpenJob(QObject):
    """One job and its folder. `saved` gives the sentence about the state on disk."""

    edited = Signal()
    loaded = Signal()
    """Another state was read from disk: everything is to be shown anew."""
    saved = Signal()
    troubled = Signal(str)
    conflicted = Signal(str)

    def __init__(self, folder: JobFolder, job: Job, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.folder = folder
        self.autosave = HeldJob(folder, job)
        self._told = ""
        self._timer = QTimer(self)
        self._timer.setInterval(_TICK_MS)
        self._timer.timeout.connect(self.tick)
        self._timer.start()

    @property
    def job(self) -> Job:
        """The job as it is being edited."""
        return self.autosave.job

    def set_value(self, part: BaseModel, field: str, value: Any) -> bool:
        """Change a field; one that is not taken stays as it was, and `troubled` says why."""
        if getattr(part, field) == value:
            return True
        try:
            setattr(part, field, value)
        except ValidationError as error:
            reason = error.errors()[0]["msg"]
            self.troubled.emit(
                tr(
                    "The {field} was not changed: {reason}.",
                    field=field.replace("_", " "),
                    reason=reason,
                )
            )
            return False
        self.touch()
        return True

    def edit(self, change: Callable[[Job], None]) -> None:
        """Change anything else."""
        change(self.job)
        self.touch()

    def touch(self) -> None:
        """It was edited."""
        self.autosave.changed()
        self.edited.emit()

    def bring(self, scratch: Job) -> None:
        """Put in what a task has read or done."""
        bring_over(self.job, scratch)
        self.touch()

    def tick(self) -> None:
        """Save when it is time; show what somebody else has changed in the meantime."""
        if self.autosave.tick():
            self.saved.emit()
        self._tell()
        if not self.autosave.dirty and self.folder.changed_elsewhere():
            self.reload()

    def flush(self) -> bool:
        """Save now; False while something is not on disk."""
        if self.autosave.flush():
            self.saved.emit()
        self._tell()
        return not self.autosave.dirty

    def reload(self) -> None:
        """Take what is on disk; what was not saved is gone."""
        try:
            job = self.folder.load()
        except JobError as error:
            self._timer.stop()
            self.troubled.emit(str(error))
            return
        self.autosave.resume(job)
        self._timer.start()
        self.loaded.emit()

    def close(self) -> None:
        """Save, and watch no longer."""
        self.flush()
        self._timer.stop()

    def _tell(self) -> None:
        problem = self.autosave.problem
        if problem and problem != self._told:
            (self.conflicted if self.autosave.conflict else self.troubled).emit(problem)
        self._told = problem
