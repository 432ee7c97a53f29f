"""Facts of the recording shown, put right after the drive: its car, its start, its soak time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QCheckBox, QDialog, QHBoxLayout, QLineEdit, QVBoxLayout, QWidget

from logbench.app.few_values import FEW, FewValues
from logbench.app.live.car_box import NumberField
from logbench.app.notice import Notice
from logbench.app.parts import Answers, Dialog, Form, lay, muted, named
from logbench.app.plain import Label
from logbench.cases.recording import CorrectFacts
from logbench.cases.runner import Owner
from logbench.errors import UsageError
from logbench.recording.corrections import STARTED, value_of
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.model import Facts
    from logbench.recording.reader import Recording


class CorrectDialog(Dialog):
    """What is known of a recording, to be typed over; its samples stay as they are."""

    def __init__(self, facts: Facts, parent: QWidget) -> None:
        super().__init__(tr("Correct car and date"), parent, 520)
        self._facts = facts
        self.texts = {
            "label": named(QLineEdit(), tr("Name of the car")),
            "vin": named(QLineEdit(), "VIN"),
            "fuel": named(QLineEdit(), tr("Fuel")),
            STARTED: named(QLineEdit(), tr("When it began")),
        }
        liters, hours = tr("Displacement"), tr("Soak time")
        self.numbers = {
            "displacement_l": NumberField(liters, tr("displacement"), (0.1, 20.0), "L"),
            "cylinders": NumberField(tr("Cylinders"), tr("number of cylinders"), (1.0, 16.0), ""),
            "soak_hours": NumberField(hours, tr("soak time"), (0.0, 10_000.0), "h"),
        }
        self.few = {fact: FewValues(name, values) for fact, name, values in FEW}
        self._fill()
        self.back = QCheckBox(tr("Take back earlier corrections"))
        self.back.setEnabled(bool(facts.corrections))
        self.said = muted(self._told())
        answers = Answers(self, tr("Correct"), tr("Cancel"))
        whole = (self._form(), self.back, self.said, answers)
        lay(QVBoxLayout(self), *whole, margins=(24, 20, 24, 20), spacing=12)

    def _form(self) -> Form:
        form = Form()
        form.add(tr("&Name of the car"), self.texts["label"])
        form.add(tr("&VIN"), self.texts["vin"])
        form.add(tr("&Displacement, L"), self.numbers["displacement_l"])
        form.add(tr("C&ylinders"), self.numbers["cylinders"])
        form.add(tr("&Fuel"), self.texts["fuel"])
        for (fact, name, _), (other, title, _) in zip(FEW[::2], FEW[1::2], strict=True):
            one, two = self.few[fact], self.few[other]
            form.add(name, lay(QHBoxLayout(), (one, 1), Label(title), (two, 1), spacing=8), one)
        form.add(tr("&Began"), self.texts[STARTED])
        form.add(tr("&Soak time, h"), self.numbers["soak_hours"])
        return form

    def _fill(self) -> None:
        for fact, line in self.texts.items():
            line.setText(value_of(self._facts, fact) or "")
            line.setPlaceholderText(tr("unknown"))
        for fact, box in self.few.items():
            box.show_value(value_of(self._facts, fact))
        for fact, field in self.numbers.items():
            known = value_of(self._facts, fact)
            field.set_number(float(known) if isinstance(known, int | float) else None)
        began = self.texts[STARTED]
        began.setPlaceholderText(tr("2026-03-01T10:00, or with its zone: 2026-03-01T10:00+01:00"))
        if self._facts.started_utc and not self._facts.is_imported:
            began.setEnabled(False)
            began.setToolTip(tr("When it began was recorded with it: that is not corrected."))

    def _told(self) -> str:
        """That nothing is overwritten, and what was corrected before."""
        said = tr("The recording and its samples stay as they are; corrections are kept beside it.")
        if self._facts.corrected:
            said += " " + tr("Corrected earlier: {facts}.", facts=self._facts.corrected)
        return said

    def changes(self) -> dict[str, object]:
        """What was typed over, by fact; None where nothing is known any more. Raises
        `UsageError`."""
        typed: dict[str, object] = {f: w.text().strip() or None for f, w in self.texts.items()}
        began = typed[STARTED]
        if isinstance(began, str):
            try:
                typed[STARTED] = datetime.fromisoformat(began).isoformat()
            except ValueError:
                said = tr("'{text}' is not a date and time: write 2026-03-01T10:00.", text=began)
                raise UsageError(said) from None
        typed |= {f: None if (v := box.value()) == "" else v for f, box in self.few.items()}
        typed |= {fact: field.number() for fact, field in self.numbers.items()}
        if isinstance(count := typed["cylinders"], float):
            typed["cylinders"] = round(count)
        return {f: value for f, value in typed.items() if value != value_of(self._facts, f)}


class Correcting:
    """Asks, corrects, and has the recording opened anew."""

    def __init__(self, page: QWidget, notice: Notice, again: Callable[[Path], object]) -> None:
        """`again` opens a recording."""
        self._page, self._notice, self._again = page, notice, again
        self._owner: Owner | None = None
        self._recording: Recording | None = None
        self.dialog: CorrectDialog | None = None

    def show(self, owner: Owner, recording: Recording) -> None:
        """Another recording, which owns what is corrected of it."""
        self._owner, self._recording = owner, recording

    def ask(self) -> None:
        """Let the user type over what is known of the recording."""
        if self._recording is None or self._recording.path is None:
            self._notice.trouble(tr("Open a recording first: its car and date are corrected here."))
            return
        self.dialog = CorrectDialog(self._recording.facts, self._page)
        self.dialog.finished.connect(self._answered)
        self.dialog.open()

    def _answered(self, accepted: int) -> None:
        dialog, self.dialog = self.dialog, None
        recording, owner = self._recording, self._owner
        if dialog is None or recording is None or recording.path is None or owner is None:
            return
        dialog.deleteLater()
        if accepted != QDialog.DialogCode.Accepted:
            return
        try:
            changes = dialog.changes()
        except UsageError as error:
            self._notice.trouble(str(error))
            return
        path = recording.path
        if changes or dialog.back.isChecked():
            case = CorrectFacts(path, changes, dialog.back.isChecked())
            owner.start(case, lambda _: self._again(path), self._notice.trouble)
