"""Other programs' files into the archive: look into them, confirm each kind, import."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QWidget

from logbench.app.archive.import_dialog import ImportDialog
from logbench.app.details import ask_same_car
from logbench.app.long_work import LongWork
from logbench.app.theme import Look
from logbench.car.model import Car
from logbench.cases.archive import Account
from logbench.cases.cars import AnswerCars
from logbench.cases.importing import (
    ImportFiles,
    Kind,
    Survey,
    cut_again,
    foresee,
    survey_files,
)
from logbench.cases.runner import Owner, Running
from logbench.errors import LogbenchError
from logbench.importing.model import Mapping, Stated, remember
from logbench.importing.run import Outcome
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.archive import Archive


class Importer(QObject):
    """One import at a time; a dialog for each kind of file."""

    done = Signal(object)
    """An `Account`."""
    failed = Signal(str)

    def __init__(
        self, owner: Owner, work: LongWork, look: Look, memory: Path | None, page: QWidget
    ) -> None:
        super().__init__(page)
        self._owner, self._work, self._look = owner, work, look
        self._memory = memory
        self._page = page
        self.same_car = ask_same_car
        """Asks whether it is; tests put their own answer here."""
        self.dialog: ImportDialog | None = None
        self._into: Archive | Path | None = None
        self._survey = Survey([], [], [])
        self._kinds: list[Kind] = []
        self._mappings: dict[Path, Mapping] = {}
        self._files: list[Path] = []
        self._vehicle: Car | None = None
        self._foreseen: Running | None = None
        """What would come out is being worked out."""
        self._again = False

    def start(self, into: Archive | Path, paths: Sequence[Path]) -> None:
        """Look into the files, then ask; recordings go into an archive or a folder."""
        self._into = into
        self._work.start(survey_files(tuple(paths), self._memory), self._surveyed)

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
        dialog = ImportDialog(kind, self._look.theme, self._page, of=of)
        if self._vehicle is not None:
            dialog.car.setText(self._vehicle.label)
            dialog.liters.setValue(self._vehicle.displacement_l or 0.0)
        dialog.cut_wanted.connect(partial(self._cut, dialog))
        dialog.outcome_wanted.connect(partial(self._foresee, dialog))
        dialog.finished.connect(partial(self._answered, dialog))
        self.dialog = dialog
        dialog.open()

    def _cut(self, dialog: ImportDialog, delimiter: str) -> None:
        case = cut_again(dialog.kind, delimiter)
        self._owner.start(case, dialog.show_kind, dialog.trouble, slot="cut")

    def _foresee(self, dialog: ImportDialog) -> None:
        """One at a time, however large the file: what was changed meanwhile is worked out next."""
        self._again = self._foreseen is not None
        if self._again:
            return
        file, mapping = dialog.kind.files[0], dialog.mapping.model_copy(deep=True)
        case = foresee((file,), {file: mapping}, Stated(dialog.vehicle()), self._memory)

        def found(outcomes: list[Outcome]) -> None:
            if self.dialog is dialog and not self._again:
                dialog.show_outcome(outcomes[0])
            elif self.dialog is dialog:
                self._foresee(dialog)

        def ended() -> None:
            self._foreseen = None

        self._foreseen = self._owner.start(case, found, dialog.trouble, ended=ended)

    def _answered(self, dialog: ImportDialog, accepted: int) -> None:
        self.dialog = None
        if self._foreseen is not None:
            self._foreseen.cancel()
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

    def _imported(self, case: ImportFiles, account: Account) -> None:
        """Files of another car than was stated are asked for once all others are in."""
        refused = [one.another_car for one in account.imported if one.another_car is not None]
        self.done.emit(account)
        if not refused:
            return
        if self.same_car(self._page, "\n".join(map(str, refused))):
            again = case.confirmed(account)
            self._work.start(again, partial(self._imported, again))
        else:
            pairs = tuple(pair for error in refused for pair in error.pairs)
            self._owner.start(AnswerCars(case.cars, pairs))

    def _import(self) -> None:
        assert self._into is not None
        before = self._survey.lines
        if self._files:
            stated = Stated(self._vehicle)
            case = ImportFiles(self._into, self._files, self._mappings, stated, before)
            self._work.start(case, partial(self._imported, case))
        elif before:
            self.done.emit(Account(tr("Nothing was imported."), before))
