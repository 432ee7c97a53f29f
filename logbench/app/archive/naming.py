"""Drives named and dated in place: the question, and the way back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QCheckBox, QDialog, QLineEdit, QVBoxLayout, QWidget

from logbench.app.archive.body import ArchiveBody
from logbench.app.commands import add_command
from logbench.app.long_work import LongWork
from logbench.app.parts import Answers, Dialog, Form, lay, muted, named, text_button
from logbench.cases.archive import Account
from logbench.cases.naming import Named, NameDrives, UndoNaming
from logbench.errors import UsageError
from logbench.recording.corrections import STARTED
from logbench.words import tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Row
    from logbench.recording.model import Correction

_COLUMNS = {"label": "car", "vin": "vin", STARTED: "started"}
"""Fact to column of the view `recordings`."""


class NamingDialog(Dialog):
    """What the chosen drives are to be called; a line that is left as it is changes nothing."""

    def __init__(self, rows: Sequence[Row], parent: QWidget) -> None:
        super().__init__(tr("Name and date drives"), parent, 480)
        titles = tr("Name of the car"), "VIN", tr("When it began")
        self.lines = {
            fact: named(QLineEdit(), title) for fact, title in zip(_COLUMNS, titles, strict=True)
        }
        self._known = {fact: _common(rows, column) for fact, column in _COLUMNS.items()}
        for fact, line in self.lines.items():
            line.setText(self._known[fact])
            line.setPlaceholderText(tr("as it is") if len(rows) > 1 else tr("unknown"))
        self.own_dates = QCheckBox(tr("Date those without a date by when their files were written"))
        self.own_dates.setEnabled(not all(row.started for row in rows))
        form = Form()
        for title, line in zip((tr("&Name of the car"), tr("&VIN"), tr("&Began")),
                               self.lines.values(), strict=True):  # fmt: skip
            form.add(title, line)
        count = tr_n("{n} drive.", "{n} drives.", len(rows))
        said = tr("The files and their samples stay as they are: this is kept beside them.")
        answers = Answers(self, tr("Name"), tr("Cancel"))
        parts = (form, self.own_dates, muted(f"{count} {said}"), answers)
        lay(QVBoxLayout(self), *parts, margins=(24, 20, 24, 20), spacing=12)

    def changes(self) -> dict[str, object]:
        """What was typed over, by fact; None where nothing is known any more. Raises
        `UsageError`."""
        typed: dict[str, object] = {
            fact: line.text().strip() or None
            for fact, line in self.lines.items()
            if line.text().strip() != self._known[fact]
        }
        began = typed.get(STARTED)
        if isinstance(began, str):
            try:
                typed[STARTED] = datetime.fromisoformat(began).isoformat()
            except ValueError:
                said = tr("'{text}' is not a date and time: write 2026-03-01T10:00.", text=began)
                raise UsageError(said) from None
        return typed


def _common(rows: Sequence[Row], column: str) -> str:
    """What all of them have; empty where they differ."""
    values = {_name_of(row) if column == "car" else str(row.facts[column]) for row in rows}
    return values.pop() if len(values) == 1 else ""


def _name_of(row: Row) -> str:
    """The name alone, without a VIN that tells cars of one name apart, or stands in its place."""
    vin = str(row.facts["vin"])
    name = row.car.removesuffix(f" · {vin}") if vin else row.car
    return "" if name == vin else name


class Naming(QObject):
    """Asks about what is chosen in the list, names it, and takes the last naming back."""

    done = Signal(object)
    """An `Account`."""
    failed = Signal(str)

    def __init__(self, body: ArchiveBody, work: LongWork, page: QWidget) -> None:
        super().__init__(page)
        self._body, self._work, self._page = body, work, page
        self._archive: Archive | None = None
        self._undo: list[dict[Path, tuple[Correction, ...]]] = []
        self.dialog: NamingDialog | None = None
        title = tr("Name and date the chosen drives")
        self.button = text_button(tr("Name …  F2"), self.ask, title, title)
        body.action_row.add(self.button)
        add_command(page, title, "F2", self.ask)
        add_command(page, tr("Undo the last naming"), "Ctrl+Z", self.undo)

    def open(self, archive: Archive) -> None:
        """Another archive, or other files in it."""
        self._archive = archive

    def forget(self) -> None:
        """What was named in the last archive is not undone from here any more."""
        self._undo = []

    def ask(self) -> None:
        """How the chosen drives are to be called."""
        rows = self._body.table.chosen()
        if self._archive is None or not rows:
            self.failed.emit(tr("No recording is chosen: choose one in the list."))
            return
        self.dialog = dialog = NamingDialog(rows, self._page)
        names = tuple(row.recording for row in rows)
        dialog.finished.connect(lambda answer: self._answered(answer, names))
        dialog.open()

    def _answered(self, answer: int, names: tuple[str, ...]) -> None:
        dialog, self.dialog = self.dialog, None
        if dialog is None or self._archive is None:
            return
        dialog.deleteLater()
        if answer != QDialog.DialogCode.Accepted:
            return
        try:
            changes = dialog.changes()
        except UsageError as error:
            self.failed.emit(str(error))
            return
        by_files = dialog.own_dates.isChecked()
        if changes or by_files:
            self._work.start(NameDrives(self._archive, names, changes, by_files), self._named)

    def _named(self, account: Account) -> None:
        if isinstance(account, Named) and account.undo:
            self._undo.append(account.undo)
        self.done.emit(account)

    def undo(self) -> None:
        """Take the last naming back."""
        if not self._undo:
            self.failed.emit(tr("Nothing was named here that could be undone."))
        elif not self._work.busy:
            self._work.start(UndoNaming(self._undo.pop()), self.done.emit)
