"""Other programs' files into the archive: look into them, confirm each kind, import."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QWidget

from logbench.app.archive.import_dialog import ImportDialog
from logbench.app.archive.long_work import LongWork
from logbench.app.archive.working import Account, Kind, Stop, Survey, bring_in, cut_again, survey
from logbench.app.services import Services
from logbench.cases.work import Work as Task
from logbench.errors import LogbenchError
from logbench.importing.memory import remember
from logbench.importing.model import Mapping
from logbench.recording.model import Vehicle
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.archive import Archive


class Bringing(QObject):
    """One import at a time; a dialog for each kind of file."""

    done = Signal(object)
    """An `Account`."""
    failed = Signal(str)

    def __init__(
        self, services: Services, work: LongWork, memory: Path | None, parent: QWidget
    ) -> None:
        super().__init__(parent)
        self._services = services
        self._work = work
        self._memory = memory
        self._page = parent
        self.dialog: ImportDialog | None = None
        self._into: Archive | Path | None = None
        self._survey = Survey([], [], [])
        self._kinds: list[Kind] = []
        self._mappings: dict[Path, Mapping] = {}
        self._files: list[Path] = []
        self._vehicle: Vehicle | None = None

    def begin(self, into: Archive | Path, paths: Sequence[Path]) -> None:
        """Look into the files, then ask; recordings go into an archive or a folder."""
        self._into = into

        def work(_: Stop, task: Task) -> Survey:
            return survey(paths, self._memory, task)

        self._work.start(work, self._surveyed, gentle=False)

    def _surveyed(self, found: Survey) -> None:
        self._survey, self._kinds = found, list(found.kinds)
        self._mappings, self._files, self._vehicle = {}, list(found.plain), None
        self._ask_next()

    def _ask_next(self) -> None:
        if not self._kinds:
            self._import()
            return
        kind = self._kinds.pop(0)
        n = len(self._survey.kinds)
        of = tr("(kind {kind} of {n})", kind=n - len(self._kinds), n=n) if n > 1 else ""
        dialog = ImportDialog(kind, self._services.look.theme, self._page, of=of)
        if self._vehicle is not None:
            dialog.car.setText(self._vehicle.label)
            dialog.litres.setValue(self._vehicle.displacement_l or 0.0)
        dialog.cut_wanted.connect(partial(self._cut, dialog))
        dialog.finished.connect(partial(self._answered, dialog))
        self.dialog = dialog
        dialog.open()

    def _cut(self, dialog: ImportDialog, delimiter: str) -> None:
        kind = dialog.kind
        show: Callable[[Kind], None] = dialog.show_kind
        self._services.jobs.start(
            lambda task: cut_again(kind, delimiter, task), show, dialog.trouble
        )

    def _answered(self, dialog: ImportDialog, accepted: int) -> None:
        self.dialog = None
        if accepted:
            self._vehicle = dialog.vehicle()
            for file in dialog.kind.files:
                self._mappings[file] = dialog.mapping
            self._files += dialog.kind.files
            if dialog.keep.isChecked():
                try:
                    remember(dialog.mapping, self._memory)
                except LogbenchError as error:
                    self.failed.emit(str(error))
        dialog.deleteLater()
        self._ask_next()

    def _import(self) -> None:
        into, files, mappings, vehicle = self._into, self._files, self._mappings, self._vehicle
        assert into is not None
        before = self._survey.lines
        if not files:
            if before:
                self.done.emit(Account(tr("Nothing was imported."), before))
            return

        def work(stop: Stop, task: Task) -> Account:
            return bring_in(into, files, mappings, vehicle, before, stop, task)

        self._work.start(work, self.done.emit, gentle=True)
