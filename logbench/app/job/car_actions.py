"""What the Job page does with the car: reading, clearing and the leak test, off the main thread."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QWidget

from logbench.app.background import Call
from logbench.app.job import working
from logbench.app.job.guard_dialog import GuardDialog, clear_dialog, evap_dialog
from logbench.app.job.opened import OpenJob
from logbench.app.services import Services
from logbench.cases.runner import Running
from logbench.cases.work import Work as Task
from logbench.errors import LinkUnknownError
from logbench.job.folder import JobFolder
from logbench.job.model import Job, Role
from logbench.vehicle.records.clearing import ControlTest
from logbench.vehicle.records.model import CarReading
from logbench.words import tr, tr_n

_NO_CONTROLS = tr("This car offers no control to start (service 08): use the maker's procedure.")


class CarActions(QObject):
    """One thing at a time; what comes of it is put into the job, whatever happens."""

    began = Signal(str, bool)
    """What is being done, and whether it may be cancelled."""
    told = Signal(str)
    ended = Signal()
    done = Signal(str)
    """The sentence of what was done."""
    failed = Signal(str)

    def __init__(self, services: Services, url: Callable[[], str], parent: QWidget) -> None:
        super().__init__(parent)
        self._services, self._url, self._parent = services, url, parent
        self._task: Running | None = None
        self._scratch: Job | None = None
        self._job: OpenJob | None = None
        self.changing = False
        """Something is being changed in the car: it is seen through, not cancelled."""
        self.ask: Callable[[GuardDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""

    @property
    def busy(self) -> bool:
        """The car is being talked to."""
        return self._task is not None

    def read(self, opened: OpenJob, role: Role) -> None:
        """Read the car into the job."""
        url = self._link()
        if url:
            work = partial(working.read, url=url, role=role)
            self._start(opened, tr("Reading the car"), work, self._read, can_cancel=True)

    def clear(self, opened: OpenJob) -> None:
        """Ask, then clear the codes."""
        url = self._link()
        dialog = clear_dialog(self._parent) if url else None
        if dialog is not None and self.ask(dialog):
            self.changing = True
            work = partial(working.clear, url=url, consent=dialog.consent)
            self._start(opened, tr("Clearing the codes"), work, self.done.emit)

    def leak_test(self, opened: OpenJob) -> None:
        """List the controls, ask, then close the evaporative system."""
        url = self._link()
        if url:
            work = partial(working.list_controls, url=url)
            self._start(opened, tr("Asking for controls"), work, partial(self._listed, opened, url))

    def cancel(self) -> None:
        """Stop reading; a change in the car is seen through."""
        if self._task is not None and not self.changing:
            self._task.cancel()
            self._end()

    def settle(self) -> None:
        """When the threads have ended: keep what they had read or done."""
        self._bring()

    # --- inside ---

    def _link(self) -> str:
        if self.busy:
            return ""
        try:
            url = self._url()
        except LinkUnknownError as error:
            self.failed.emit(str(error))
            return ""
        self._services.settings.link_used(url)
        return url

    def _start(
        self,
        opened: OpenJob,
        title: str,
        work: Callable[[JobFolder, Job, Task], Any],
        done: Callable[[Any], None],
        *,
        can_cancel: bool = False,
    ) -> None:
        self._job, self._scratch = opened, Job()
        scratch = self._scratch
        self.began.emit(title, can_cancel)
        run: Call = lambda task: work(opened.folder, scratch, task)  # noqa: E731

        def finished(result: Any) -> None:
            self._end()
            done(result)

        def broke(sentence: str) -> None:
            self._end()
            self.failed.emit(sentence)

        self._task = self._services.jobs.start(
            run, finished, broke, lambda text, _: self.told.emit(text)
        )

    def _end(self) -> None:
        self._task, self.changing = None, False
        self._bring()
        self.ended.emit()

    def _bring(self) -> None:
        scratch, self._scratch = self._scratch, None
        if scratch is not None and self._job is not None and (scratch.readings or scratch.events):
            self._job.bring(scratch)

    def _read(self, reading: CarReading) -> None:
        told = {code.code for code in reading.codes if code.state != "permanent"}
        only = {code.code for code in reading.codes} - told
        text = tr_n(
            "The car was read and kept: {n} code",
            "The car was read and kept: {n} codes",
            len(told),
        )
        text += tr(", {n} only permanent.", n=len(only)) if only else "."
        if reading.problems:
            self.failed.emit(f"{text} {reading.problems[-1]}")
        else:
            self.done.emit(text)

    def _listed(self, opened: OpenJob, url: str, tests: list[ControlTest]) -> None:
        if not any(test.startable for test in tests):
            self.failed.emit(_NO_CONTROLS)
            return
        dialog = evap_dialog(tests, self._parent)
        if self.ask(dialog):
            self.changing = True
            work = partial(working.close_evap, url=url, consent=dialog.consent)
            self._start(opened, tr("Closing the evaporative system"), work, self.done.emit)
