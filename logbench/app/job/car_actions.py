"""What the Job page does with the car: reading, clearing and the leak test, each change after the
question what it costs and an explicit consent."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QCheckBox, QLineEdit, QVBoxLayout, QWidget

from logbench.app.job.opened import OpenJob
from logbench.app.parts import Answers, Dialog, lay, named, styled
from logbench.app.plain import Label
from logbench.app.services import Services
from logbench.cases.job import ClearCodes, CloseEvap, JobCase, ListControls, ReadCar
from logbench.errors import LinkUnknownError
from logbench.job.model import Role
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import EVAP_CAUTIONS, LOSSES, STAYS, ControlTest
from logbench.words import tr

GUARD = tr(
    "The car must stand still, its engine off or idling: the car itself is asked. Everything is "
    "read and saved first; if that fails, nothing is changed."
)
_NO_CONTROLS = tr("This car offers no control to start (service 08): use the maker's procedure.")


class GuardDialog(Dialog):
    """The button that goes on works only with the tick set and the words typed."""

    def __init__(
        self, title: str, intro: str, points: Sequence[str], go: str, parent: QWidget
    ) -> None:
        super().__init__(title, parent, 620)
        head = styled(Label(title), "title")
        text = "\n".join((intro, *(f"■  {point}" for point in points)))
        listed, guard = named(Label(text, wordWrap=True), text), Label(GUARD, wordWrap=True)
        self.tick = QCheckBox(tr("I have read this, and the car stands still"))
        ask = Label(tr("Consent: type the words  {consent}", consent=CONSENT))
        ask.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
        words = QLineEdit(placeholderText=CONSENT)
        self.words = named(words, tr("Type: {consent}", consent=CONSENT))
        buttons = Answers(self, go, tr("Cancel"), careful=True)
        self.go, self.leave = buttons.go, buttons.leave
        self.tick.toggled.connect(self._judge)
        self.words.textChanged.connect(self._judge)
        parts = head, listed, guard, self.tick, ask, self.words, buttons
        lay(QVBoxLayout(self), *parts, margins=(24, 20, 24, 20), spacing=12)
        self.tick.setFocus()
        self._judge()

    @property
    def consent(self) -> str:
        """What was typed."""
        return self.words.text().strip()

    def _judge(self) -> None:
        self.go.setEnabled(self.tick.isChecked() and self.consent == CONSENT)


def clear_dialog(parent: QWidget) -> GuardDialog:
    """Before clearing."""
    return GuardDialog(
        tr("Clear the codes"),
        tr("Clearing loses, in every ECU that answers:"),
        (*LOSSES, STAYS),
        tr("Read, save, then clear"),
        parent,
    )


def evap_dialog(tests: Sequence[ControlTest], parent: QWidget) -> GuardDialog:
    """Before the evaporative system is closed; `tests`: all the car offers."""
    offered = "; ".join(
        tr("{ecu} test {number:02X}, {name}", ecu=test.ecu, number=test.test_id, name=test.name)
        + ("" if test.startable else tr(" (shown only, never run)"))
        for test in tests
    )
    return GuardDialog(
        tr("Close the evaporative system for a leak test"),
        tr(
            "The car offers: {offered}.\nThe one the standard defines can be started:",
            offered=offered,
        ),
        EVAP_CAUTIONS,
        tr("Read, save, then close it"),
        parent,
    )


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
