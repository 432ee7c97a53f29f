"""What the Job page does with the car: reading, clearing and the leak test."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QWidget

from logbench.app.job.guard_dialog import GuardDialog, clear_dialog, evap_dialog
from logbench.app.job.opened import OpenJob
from logbench.app.services import Services
from logbench.cases.job import ClearCodes, CloseEvap, JobCase, ListControls, ReadCar
from logbench.errors import LinkUnknownError
from logbench.job.model import Role
from logbench.vehicle.records.clearing import ControlTest
from logbench.words import tr

_NO_CONTROLS = tr("This car offers no control to start (service 08): use the maker's procedure.")


class CarActions:
    """One thing at a time, for whichever job."""

    def __init__(self, services: Services, url: Callable[[], str], parent: QWidget) -> None:
        self._services, self._url, self._parent = services, url, parent
        self.ask: Callable[[GuardDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""

    @property
    def busy(self) -> bool:
        """The car is being talked to."""
        cases = [running.case for running in self._services.runner.running]
        return any(isinstance(case, JobCase) and case.uses_car for case in cases)

    def read(self, opened: OpenJob, role: Role) -> None:
        """Read the car into the job."""
        url = self._link(opened)
        if url:
            opened.do(ReadCar(self._services.job_store, opened.folder.path, url, role))

    def clear(self, opened: OpenJob) -> None:
        """Ask, then clear the codes."""
        url = self._link(opened)
        dialog = clear_dialog(self._parent) if url else None
        if dialog is not None and self.ask(dialog):
            store, folder = self._services.job_store, opened.folder.path
            opened.do(ClearCodes(store, folder, url, dialog.consent))

    def leak_test(self, opened: OpenJob) -> None:
        """List the controls, ask, then close the evaporative system."""
        url = self._link(opened)

        def listed(tests: list[ControlTest]) -> None:
            if not any(test.startable for test in tests):
                opened.trouble(_NO_CONTROLS)
                return
            dialog = evap_dialog(tests, self._parent)
            if self.ask(dialog):
                store, folder = self._services.job_store, opened.folder.path
                opened.do(CloseEvap(store, folder, url, dialog.consent))

        if url:
            opened.start(ListControls(url), listed, slot="controls")

    def _link(self, opened: OpenJob) -> str:
        if self.busy:
            return ""
        try:
            url = self._url()
        except LinkUnknownError as error:
            opened.trouble(str(error))
            return ""
        self._services.settings.link_used(url)
        return url
