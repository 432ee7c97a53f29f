"""The story: concern, customer, car, notes; and the work: options, what was done, parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from PySide6.QtCore import QEvent, QObject, QSize, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QDoubleSpinBox,
    QHBoxLayout,
    QLineEdit,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.engine import percent
from logbench.app.few_values import FEW, FewValues
from logbench.app.job.entries import AGREED, TIME, Column, EntryTable, Tab
from logbench.app.job.opened import OpenJob
from logbench.app.parts import STRETCH, Form, lay, muted, named, pad
from logbench.app.plain import Label
from logbench.app.theme import Look
from logbench.car.identity import check_vin
from logbench.car.model import Car
from logbench.foreign import MOST_LINE, in_label, joined
from logbench.job.model import Note, Option, Part
from logbench.system.refusal import ends_of
from logbench.words import tr

_TEXT_PX = 84
_CARS: tuple[tuple[str, str], ...] = (
    ("label", tr("Name of the car")),
    ("registration", tr("Plate")),
    ("vin", "VIN"),
    ("make", tr("Make")),
    ("model", tr("Model")),
)
_ENGINE: tuple[tuple[str, str], ...] = (("fuel", tr("Fuel")), ("gearbox", tr("Transmission")))
_NUMBERS: tuple[tuple[str, str, str, int], ...] = (
    ("year", tr("Year"), "", 0),
    ("displacement_l", tr("Displacement"), " L", 2),
    ("cylinders", tr("Cylinders"), "", 0),
    ("odometer_km", tr("Odometer"), " km", 0),
)


class _Text(QPlainTextEdit):
    """A few lines of text; Tab leaves it."""

    edited = Signal(str)

    def __init__(self) -> None:
        super().__init__(tabChangesFocus=True)
        self.setFixedHeight(_TEXT_PX)
        self.textChanged.connect(lambda: self.edited.emit(self.toPlainText()))


def _named_facts() -> dict[str, str]:
    numbers = {field: name for field, name, *_ in _NUMBERS}
    return {
        **dict(_CARS),
        **dict(_ENGINE),
        **numbers,
        **{field: name for field, name, _ in FEW},
    }


class Fields(Tab):
    """Form fields bound to parts of the job by their path, `customer.name`."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._filling = False
        self.widgets: dict[str, QLineEdit | QDoubleSpinBox | FewValues | _Text] = {}
        look.units_changed.connect(self._show_units)

    def add_line(self, path: str, name: str) -> QLineEdit:
        """One line of text."""
        edit = named(QLineEdit(maxLength=MOST_LINE), name)
        edit.textEdited.connect(lambda text: self._set(path, text))
        self._add(path, edit)
        return edit

    def add_text(self, path: str, name: str, hint: str) -> _Text:
        """A few lines."""
        edit = named(_Text(), name)
        edit.setPlaceholderText(hint)
        edit.edited.connect(lambda text: self._set(path, text))
        self._add(path, edit)
        return edit

    def add_number(self, path: str, name: str, suffix: str, decimals: int) -> QDoubleSpinBox:
        """A number of the car; at its lowest it is unknown."""
        box = named(QDoubleSpinBox(decimals=decimals, suffix=suffix), name)
        pad(box)
        box.setGroupSeparatorShown(True)
        least, most = ends_of(Car, path.removeprefix("vehicle."))
        box.setRange(max(least - 1.0, 0.0), most)
        box.setSpecialValueText(tr("unknown"))
        box.setKeyboardTracking(False)
        box.valueChanged.connect(lambda value: self._set_number(path, value))
        self._add(path, box)
        return box

    def add_choice(self, path: str, box: FewValues) -> FewValues:
        """A fact of a few values."""
        box.activated.connect(lambda _: self._set(path, box.value()))
        self._add(path, box)
        return box

    def _add(self, path: str, widget: QLineEdit | QDoubleSpinBox | FewValues | _Text) -> None:
        self.widgets[path] = widget
        inner = widget.lineEdit() if isinstance(widget, QDoubleSpinBox) else widget
        inner.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """To undo and to redo is the job's, not each field's."""
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.ShortcutOverride:
            keys = QKeySequence.StandardKey
            if event.matches(keys.Undo) or event.matches(keys.Redo):
                event.ignore()
                return True
        return super().eventFilter(watched, event)

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        super().show_job(opened)
        self._fill(self.widgets)

    def refresh(self) -> None:
        """Show what the car has reported; a field that is being typed into is left alone. Longer
        texts come from nobody else while the job is open."""
        super().refresh()
        fields = {p: w for p, w in self.widgets.items() if not isinstance(w, _Text)}
        if self._open is not None:
            self._fill([path for path, field in fields.items() if not field.hasFocus()])

    def _show_units(self) -> None:
        for path, box in self.widgets.items():
            if path.endswith("_km") and isinstance(box, QDoubleSpinBox):
                box.setSuffix(f" {self._look.units.unit('km')}")
        if self._open is not None:
            self._fill(self.widgets)

    def _fill(self, paths: Iterable[str]) -> None:
        self._filling = True
        for path in paths:
            widget = self.widgets[path]
            part, field = self._part(path)
            value = getattr(part, field)
            if isinstance(widget, QDoubleSpinBox):
                factor = self._factor(path)
                widget.setValue(widget.minimum() if value is None else float(value) * factor)
            elif isinstance(widget, FewValues):
                widget.show_value(value)
            elif isinstance(widget, QLineEdit):
                widget.setText(value)
                widget.setCursorPosition(0)
            elif widget.toPlainText() != value:
                widget.setPlainText(value)
        self._filling = False

    def _part(self, path: str) -> tuple[Any, str]:
        assert self._open is not None
        *parts, field = path.split(".")
        part: Any = self._open.job
        for name in parts:
            part = getattr(part, name)
        return part, field

    def _set(self, path: str, value: Any) -> None:
        if not self._filling and self._open is not None:
            title = self.widgets[path].accessibleName()
            self._open.set_value(*self._part(path), value, title, typed=True)

    def _factor(self, path: str) -> float:
        """Shown per kept: distances only."""
        return self._look.units.line("km")[0] if path.endswith("_km") else 1.0

    def _set_number(self, path: str, value: float) -> None:
        box = self.widgets[path]
        assert isinstance(box, QDoubleSpinBox)
        known = value > box.minimum()
        whole = not box.decimals() and not path.endswith("_km")
        number = int(value) if whole else value / self._factor(path)
        self._set(path, number if known else None)


class StoryPanel(Fields):
    """Concern, customer, car, notes."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        self.notes = EntryTable(
            tr("Notes"),
            "notes",
            (TIME, Column("text", tr("What was seen, said or tried"))),
            lambda: Note(text=""),
        )
        left, right = Form(), Form()
        left.add(tr("Title"), self.add_line("title", tr("Title of the job")))
        hint = tr("In the customer's words: what, when, since when")
        left.add(tr("Concern"), self.add_text("concern", tr("Customer's concern"), hint))
        left.add(tr("Customer"), self.add_line("customer.name", tr("Customer's name")))
        left.add(tr("Contact"), self.add_line("customer.contact", tr("Customer's contact")))
        left.add(tr("Technician"), self.add_line("technician", tr("Technician")))
        for fields, form in ((_ENGINE, left), (_CARS, right)):
            for field, name in fields:
                form.add(name, self.add_line(f"vehicle.{field}", name))
        facts = [
            (name, self.add_choice(f"vehicle.{field}", FewValues(name, values)))
            for field, name, values in FEW
        ]
        boxes = [
            (name, self.add_number(f"vehicle.{field}", name, suffix, decimals))
            for field, name, suffix, decimals in _NUMBERS
        ]
        _add_pairs(left, facts)
        _add_pairs(right, boxes)
        self.worked_out, self.read_instead, self.vin_remark = muted(), muted(), muted()
        left.addRow(self.worked_out)
        right.addRow(self.vin_remark)
        right.addRow(self.read_instead)
        # a form alone would spread its rows
        columns = [(lay(QVBoxLayout(), form, STRETCH), 1) for form in (left, right)]
        row = lay(QHBoxLayout(), *columns, spacing=24)
        lay(QVBoxLayout(self), row, (self.notes, 1), margins=(20, 12, 20, 12))
        self.tables = (self.notes,)
        self._show_units()

    def refresh(self) -> None:
        """Show what the car gives beside what was typed, where they differ, what a VIN lacks, and
        how sure what was worked out is."""
        super().refresh()
        self._show_worked_out()
        vin = "" if self._open is None else self._open.job.vehicle.vin
        checked = check_vin(vin)
        self.vin_remark.setText(in_label(checked.problem or checked.notice))
        self.vin_remark.setVisible(bool(vin) and bool(self.vin_remark.text()))
        read = {} if self._open is None else self._open.job.vehicle.read_instead
        names = _named_facts()
        shown = [
            in_label(joined(" ", names.get(fact, fact), self._shown(fact, value)))
            for fact, value in read.items()
        ]
        text = tr("The car itself gives: {facts}", facts=", ".join(shown))
        self.read_instead.setText(text if shown else "")
        self.read_instead.setVisible(bool(shown))

    def _show_worked_out(self) -> None:
        """Of each fact that was worked out: how probable it is, and of what."""
        car = Car() if self._open is None else self._open.job.vehicle
        lines = [
            tr(
                "{fact}: {percent}, worked out of: {why}",
                fact=name,
                percent=percent(ground.probability),
                why=ground.why,
            )
            for fact, name in _named_facts().items()
            if (ground := car.ground(fact)) is not None
        ]
        self.worked_out.setText("\n".join(in_label(line) for line in lines))
        self.worked_out.setVisible(bool(lines))

    def _shown(self, fact: str, value: str | float) -> str:
        if isinstance(value, str):
            return value
        box = self.widgets[f"vehicle.{fact}"]
        assert isinstance(box, QDoubleSpinBox)
        return f"{value * self._factor(f'vehicle.{fact}'):,.{box.decimals()}f}{box.suffix()}"


def _add_pairs(form: Form, fields: Sequence[tuple[str, QWidget]]) -> None:
    """Two fields a row, each with its name; fields of all rows stand below each other."""
    others = [name for name, _ in fields[1::2]]
    for (name, one), (other, two) in zip(fields[::2], fields[1::2], strict=True):
        label = _LevelLabel(other, others)
        form.add(name, lay(QHBoxLayout(), (one, 1), label, (two, 1), spacing=8))


class _LevelLabel(Label):
    """As wide as the widest of the texts below each other, at any size of texts."""

    def __init__(self, text: str, texts: Sequence[str]) -> None:
        super().__init__(text)
        self._texts = texts

    def sizeHint(self) -> QSize:
        """As wide as the widest."""
        hint = super().sizeHint()
        wide = max(map(self.fontMetrics().horizontalAdvance, self._texts)) + 2
        return QSize(max(wide, hint.width()), hint.height())

    def minimumSizeHint(self) -> QSize:
        """As it is."""
        return self.sizeHint()


class WorkPanel(Fields):
    """Options put to the owner and what was agreed; work done and parts; conclusion."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        options = EntryTable(
            tr("Options put to the owner"),
            "options",
            (Column("what", tr("What")), Column("cost", tr("Cost"), False),
             Column("consequence", tr("What follows")), Column("safety", tr("Safety remark")),
             Column("agreed", tr("Decision"), False, AGREED)),
            lambda: Option(what=""),
        )  # fmt: skip
        work = EntryTable(
            tr("Work done"),
            "work",
            (TIME, Column("text", tr("What was done"))),
            lambda: Note(text=""),
        )
        parts = EntryTable(
            tr("Parts fitted"),
            "parts",
            (Column("name", tr("Part")), Column("number", tr("Number")),
             Column("quantity", tr("Quantity"), False, number=True),
             Column("remark", tr("Remark"))),
            lambda: Part(name=""),
        )  # fmt: skip
        agreed = self.add_text(
            "agreement", tr("What was agreed"), tr("What was agreed with the owner")
        )
        told = self.add_text(
            "conclusion", tr("Conclusion"), tr("What it was, and how that is known")
        )
        below = Form()
        below.add(tr("Agreed"), agreed)
        below.add(tr("Conclusion"), told)
        self.tables = options, work, parts
        lay(QVBoxLayout(self), *self.tables, below, margins=(20, 12, 20, 12))
