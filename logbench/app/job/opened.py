"""The job that is open: edited through here, saved by itself, never over somebody else's."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from PySide6.QtCore import QObject, QTimer, Signal

from logbench.app.services import Services
from logbench.cases.evidence import verify_job
from logbench.cases.job import settle
from logbench.cases.runner import Done
from logbench.cases.work import Case, Outcome
from logbench.errors import JobError, UsageError
from logbench.job.folder import JobFolder
from logbench.job.model import Job
from logbench.job.seal import Seal
from logbench.job.typed import set_value
from logbench.words import tr

_TICK_MS = 500
_CHANGE = tr("Change of the job")
_ELSEWHERE = tr("The job was changed elsewhere; it is shown as it is on disk now.")


class OpenJob(QObject):
    """One job, held as long as it is shown, and the owner of what is done for it."""

    edited = Signal()
    loaded = Signal(str)
    """Another state, of the disk or of before: everything is to be shown anew; the sentence."""
    removed = Signal(str)
    """From what rows were taken: it can be undone."""
    saved = Signal()
    conflicted = Signal(str)
    started = Signal()
    """Something is done for it."""
    ended = Signal(object)
    """`Outcome` of what was done for it, or of an edit that was not taken."""
    asked = Signal(object, object)
    """Of another car: the `AnotherCarError`, and what takes the answer, True for the same car."""
    _committed = Signal()

    def __init__(self, services: Services, path: Path, parent: QObject | None = None) -> None:
        """Raises JobError."""
        super().__init__(parent)
        self._store = services.job_store
        self.held = self._store.hold(path)
        self.owner = services.runner.owner(self.title)
        self.owner.another_car = lambda case, error: self.asked.emit(
            error, partial(settle, case, error)
        )
        self._problem = ""
        self._committed.connect(self.edited)  # queued: it is emitted on the case's thread
        self.held.committed = self._committed.emit
        self.edited.connect(lambda: setattr(self.owner, "name", self.title))
        self._timer = QTimer(self)
        self._timer.setInterval(_TICK_MS)
        self._timer.timeout.connect(self.tick)
        self._timer.start()

    @property
    def job(self) -> Job:
        """The job as it is being edited."""
        return self.held.job

    @property
    def folder(self) -> JobFolder:
        """Where it is."""
        return self.held.folder

    @property
    def title(self) -> str:
        """What it is called."""
        return self.job.title or self.folder.path.name

    def snapshot(self) -> Job:
        """A copy, for a case that looks at it on another thread."""
        return self.held.job.model_copy(deep=True)

    # --- editing ---

    def set_value(
        self, part: BaseModel, field: str, value: Any, title: str, *, typed: bool = False
    ) -> None:
        """Change a field; one that is not taken stays as it was, and `ended` says why. `title` and
        `typed` as for `HeldJob.edit`."""
        if getattr(part, field) == value:
            return
        try:
            self.edit(lambda _: set_value(part, field, value), title, typed=typed)
        except UsageError as error:
            self.trouble(str(error))

    def edit(
        self, change: Callable[[Job], object], title: str = _CHANGE, *, typed: bool = False
    ) -> None:
        """Change anything else; as `HeldJob.edit`."""
        self.held.edit(change, title, typed=typed)
        self.edited.emit()

    def undo(self, *, redo: bool = False) -> None:
        """Go back by one edit, or forward again."""
        self.loaded.emit(self.held.undo(redo=redo))
        self.edited.emit()

    def place(self, file: str) -> Path | None:
        """Where a file of the job is; None where it leads out of the folder, as `ended` says."""
        try:
            return self.folder.place(file)
        except JobError as error:
            self.trouble(str(error))
            return None

    # --- doing ---

    def start(self, case: Case[Any], done: Done, slot: str) -> None:
        """Run a case whose answer is shown; of a slot only the last one is."""
        self.owner.start(case, done, self.trouble, slot=slot)

    def do(self, deed: Case[Any], done: Done = lambda _: None) -> None:
        """Run a case that changes something; `ended` has its outcome, after `done` its answer."""

        def finished(answer: Any) -> None:
            done(answer)
            self.ended.emit(deed.outcome(answer))

        if not self.owner.closed:
            self.started.emit()
        self.owner.start(deed, finished, self.trouble)

    def verify(self) -> None:
        """Look whether it is what entered its ledger; `ended` says where it is not."""

        def found(seal: Seal) -> None:
            if seal.notable:
                self.trouble(seal.sentence)

        self.start(verify_job(self.folder), found, "seal")

    def trouble(self, sentence: str) -> None:
        """Something went wrong with it."""
        self.ended.emit(Outcome(sentence, well=False))

    # --- the state on disk ---

    def tick(self) -> None:
        """Save when it is time; show what somebody else has changed in the meantime."""
        if self.held.tick():
            self.saved.emit()
        self._show_problem()
        try:
            if self.held.follow():
                self.loaded.emit(_ELSEWHERE)
        except JobError as error:
            self._lose(error)

    def flush(self) -> bool:
        """Save now; False while something is not on disk."""
        if self.held.flush():
            self.saved.emit()
        self._show_problem()
        return not self.held.dirty

    def reload(self) -> None:
        """Take what is on disk; edits that were not saved are gone."""
        try:
            self.held.reload()
        except JobError as error:
            self._lose(error)
        else:
            self._timer.start()
            self.loaded.emit(_ELSEWHERE)

    def close(self) -> None:
        """Save, and let go of it; what changes files or the car goes on."""
        self.flush()
        self._timer.stop()
        self.owner.close()
        self._store.release(self.held)

    def _lose(self, error: JobError) -> None:
        self._timer.stop()
        self.trouble(str(error))

    def _show_problem(self) -> None:
        problem = self.held.problem
        if problem and problem != self._problem:
            if self.held.conflict:
                self.conflicted.emit(problem)
            else:
                self.trouble(problem)
        self._problem = problem
