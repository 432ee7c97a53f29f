"""The user's own signals: written, tried on the drive that is open, saved by name."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from PySide6.QtCore import Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLineEdit,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.expression.checked import number
from logbench.analysis.expression.evaluate import wrong_signals
from logbench.analysis.expression.grammar import VALUE_EXAMPLE
from logbench.app.commands import add_command
from logbench.app.details import show_expressions
from logbench.app.expression_line import ExpressionLine
from logbench.app.parts import (
    STRETCH,
    Dialog,
    Form,
    delayed,
    lay,
    muted,
    named,
    pad,
    styled,
    text_button,
)
from logbench.app.plain import Choice, Label
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.services import Services
from logbench.cases.signals import Tried, formula, remove_own, save_own, try_signal
from logbench.errors import LogbenchError, UsageError
from logbench.recording.reader import Recording
from logbench.signals.catalog import Formula, catalog, own_signals_path
from logbench.signals.numbers import count_text
from logbench.words import tr

_WAIT_MS = 300
_PREVIEW_PX = 170


class OwnSignals(Dialog):
    """Stays open beside the window. `drive` gives the drive that is open, or None."""

    changed = Signal()
    """A signal was saved or removed."""

    def __init__(
        self, services: Services, drive: Callable[[], Recording | None], parent: QWidget
    ) -> None:
        super().__init__(tr("Own signals"), parent)
        self._owner, self._look, self._drive = services.runner.owner(), services.look, drive
        self.chosen = named(Choice(), tr("Own signal to edit"))
        self.name = named(QLineEdit(placeholderText="MY_SIGNAL"), tr("Name of the signal"))
        self.title = named(QLineEdit(), tr("Title of the signal"))
        self.unit = named(QLineEdit(), tr("Unit of the signal"))
        self.decimals = named(QSpinBox(maximum=6, value=1), tr("Decimals of the signal"))
        pad(self.decimals)
        self.expression = named(ExpressionLine(VALUE_EXAMPLE), tr("Expression of the signal"))
        self.description = named(QLineEdit(), tr("Description of the signal"))
        self.said = Label(wordWrap=True)
        self.view = TimeView(self)
        self.stack = StripStack(self.view, services.look)
        self.stack.setMinimumHeight(_PREVIEW_PX)
        self.save_button = styled(text_button(tr("Save"), self.save), "primary")
        self.remove_button = text_button(tr("Remove"), self.remove, tr("Remove the signal"))
        self._soon = delayed(self, _WAIT_MS, self.try_now)
        self._lay_out()
        self._connect()
        self.resize(760, 620)

    def _lay_out(self) -> None:
        form = Form()
        form.add(tr("Edit"), self.chosen)
        form.add(tr("Name"), self.name)
        form.add(tr("Title"), self.title)
        form.add(tr("Expression"), self.expression)
        form.add(tr("Unit"), self.unit)
        form.add(tr("Decimals"), self.decimals)
        form.add(tr("Description"), self.description)
        hint = muted(tr("Numbers without a unit are in recorded units: °C, kPa, km/h, g/s."))
        helping = text_button(
            tr("Expressions …  F1"), partial(show_expressions, self), tr("What may be written")
        )
        close = text_button(tr("Close"), self.reject, tr("Close the own signals"))
        row = lay(QHBoxLayout(), helping, STRETCH, self.remove_button, self.save_button, close)
        lay(QVBoxLayout(self), form, hint, self.said, (self.stack, 1), row, spacing=8)

    def _connect(self) -> None:
        add_command(self, tr("What may be written"), "F1", partial(show_expressions, self))
        self.chosen.activated.connect(self._show_chosen)
        lines = (self.name, self.title, self.unit, self.expression, self.description)
        for line in lines:
            line.textEdited.connect(lambda _: self._soon.start())
        self.decimals.valueChanged.connect(lambda _: self._soon.start())

    def showEvent(self, event: QShowEvent) -> None:
        """What is kept may have been edited elsewhere, and another drive be open."""
        super().showEvent(event)
        self.renew()

    def renew(self, shown: str = "") -> None:
        """List the signals of the file, and show one of them, or an empty form."""
        own = [entry for entry in catalog() if entry.origin == "own"]
        self.chosen.clear()
        self.chosen.addItem(tr("New signal"), "")
        for entry in own:
            self.chosen.addItem(f"{entry.acronym}   {entry.title}", entry.acronym)
        self.chosen.setCurrentIndex(max(0, self.chosen.findData(shown)))
        self._show_chosen()

    def _show_chosen(self) -> None:
        acronym = self.chosen.currentData()
        entry = catalog().by_acronym(acronym) if acronym else None
        self.name.setText(acronym)
        for line, text in (
            (self.title, entry.title if entry else ""),
            (self.unit, entry.unit if entry else ""),
            (self.expression, entry.formula if entry else ""),
            (self.description, entry.description if entry else ""),
        ):
            line.setText(text)
            line.setCursorPosition(0)
        self.decimals.setValue(entry.decimals if entry else 1)
        self.remove_button.setEnabled(entry is not None)
        self.try_now()

    # --- trying ---

    def _typed(self) -> Formula:
        expression, unit = self.expression.text().strip(), self.unit.text().strip()
        natural = number(expression).tree.unit or "" if expression else ""
        self.unit.setPlaceholderText("" if natural.startswith("(") else natural)
        title = self.title.text().strip() or self.name.text().strip()
        unit = unit or self.unit.placeholderText()
        return formula(title, expression, unit, self.decimals.value(), self.description.text())

    def try_now(self) -> None:
        """Check what is typed, and draw it."""
        self._soon.stop()
        self._owner.cancel("try")  # of what was typed before
        self.save_button.setEnabled(False)
        acronym = self.name.text().strip().upper() or "MY_SIGNAL"
        if not self.expression.text().strip():
            problem = catalog().problem or "; ".join(wrong_signals().values())
            path = own_signals_path()
            self._say(problem or tr("Signals are kept in {path}.", path=path), bool(problem))
            self.stack.clear()
            return
        try:
            case = try_signal(acronym, self._typed(), self._drive())
        except UsageError as error:
            self._refused(str(error))
            return
        self._owner.start(case, self._tried, self._refused, slot="try")

    def _tried(self, found: Tried) -> None:
        self.save_button.setEnabled(True)
        if found.trace is None:
            self.stack.clear()
            lacks = ", ".join(found.lacks)
            text = tr("The open drive does not hold {names}.", names=lacks) if lacks else tr(
                "No drive is open on this page: open one to see the signal."
            )  # fmt: skip
            self._say(text)
            return
        trace = found.trace
        value = trace.pyramid.from_sample(0)[1]
        low, high = (trace.text(f(value), self._look.units) for f in (np.nanmin, np.nanmax))
        n = count_text(int(np.isfinite(value).sum()))
        self._say(tr("{n} samples, {low} to {high}", n=n, low=low, high=high))
        self.view.set_limits(0, trace.pyramid.end_ns)
        self.stack.show_traces([trace])
        self.view.show_all()

    def _refused(self, sentence: str) -> None:
        self.stack.clear()
        self._say(sentence, trouble=True)

    def _say(self, sentence: str, trouble: bool = False) -> None:
        styled(self.said, "trouble" if trouble else "").style().polish(self.said)
        self.said.setText(sentence)

    # --- keeping ---

    def save(self) -> None:
        """Keep the signal under its name."""
        acronym = self.name.text().strip().upper()
        try:
            save_own(acronym, self._typed())
        except LogbenchError as error:
            self._say(str(error), trouble=True)
            return
        self.changed.emit()
        self.renew(acronym)

    def remove(self) -> None:
        """Forget the chosen signal."""
        try:
            remove_own(self.chosen.currentData())
        except LogbenchError as error:
            self._say(str(error), trouble=True)
            return
        self.changed.emit()
        self.renew()
