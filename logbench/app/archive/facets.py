"""Choosing recordings: words, condition, dates, engine, car, signal, finding."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.expression.checked import condition
from logbench.analysis.model import Verdict
from logbench.app.expression_line import ExpressionLine
from logbench.app.parts import chooser, lay, muted, named, offer, styled, text_button
from logbench.app.plain import Label, ListRow
from logbench.app.theme import VERDICT_SYMBOLS, Look
from logbench.archive.facets import Facets
from logbench.archive.find import Filter
from logbench.errors import LogbenchError
from logbench.words import tr, word

_KEY = Qt.ItemDataRole.UserRole


class FacetsPanel(QFrame):
    """Every part that is filled in must fit; `changed` after each edit."""

    changed = Signal()

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self.setObjectName("card")
        self.words = _line(tr("Words"), tr("car, notes, event, job …"))
        example = tr("ECT below 70 after 10 min")
        self.condition = named(ExpressionLine(example, clears=True), tr("Condition"), example)
        self.since = _line(tr("Recorded from"), "2026-03-01")
        self.until = _line(tr("Recorded until"), "2026-12")
        self.cars = named(QListWidget(), tr("Cars"))
        self.signals = named(QListWidget(), tr("Signals that must be recorded"))
        for box in (self.cars, self.signals):
            box.setMinimumHeight(70)
        self.engine = chooser(tr("Kind of engine"), 6)
        self.verdict = chooser(tr("Result of a finding"), 6)
        self.check = chooser(tr("Check of a finding"), 6)
        self.trouble = styled(Label(wordWrap=True), "trouble")
        self.trouble.hide()
        self._lay_out()
        self._connect()

    def _lay_out(self) -> None:
        layout = lay(QVBoxLayout(self), margins=(10, 8, 10, 8), spacing=4)
        parts: tuple[tuple[str, tuple[QWidget, ...], int], ...] = (
            (tr("Words"), (self.words,), 0),
            (tr("Condition"), (self.condition,), 0),
            (tr("From, until"), (self.since, self.until), 0),
            (tr("Engine"), (self.engine,), 0),
            (tr("Finding"), (self.verdict, self.check), 0),
            (tr("Cars"), (self.cars,), 1),
            (tr("Signals"), (self.signals,), 1),
        )
        for title, widgets, stretch in parts:
            lay(layout, muted(title, wrap=False), (lay(QHBoxLayout(), *widgets), stretch))
        lay(layout, self.trouble, text_button(tr("Clear filters  Ctrl+Shift+F"), self.clear))

    def _connect(self) -> None:
        for line in (self.words, self.condition, self.since, self.until):
            line.textChanged.connect(lambda _: self.changed.emit())
        for box in (self.engine, self.verdict, self.check):
            box.activated.connect(lambda _: self.changed.emit())
        for chosen in (self.cars, self.signals):
            chosen.itemChanged.connect(lambda _: self.changed.emit())
            chosen.itemActivated.connect(_toggle)
        self._look.units_changed.connect(lambda _: self.changed.emit())

    def show_facets(self, facets: Facets) -> None:
        """What can be chosen now; what is chosen stays chosen."""
        for box, counts in ((self.cars, facets.cars), (self.signals, facets.signals)):
            _fill(box, counts)
        engines = [(f"{name} ({n:,})", name) for name, n in facets.engines.items()]
        offer(self.engine, [(tr("any engine"), ""), *engines])
        order = (Verdict.ACT, Verdict.WATCH, Verdict.WITHIN, Verdict.NOT_JUDGED)
        verdicts = {verdict.value: VERDICT_SYMBOLS[verdict] for verdict in order}
        shown = [
            (f"{symbol} {word(name)} ({facets.verdicts[name]:,})", name)
            for name, symbol in verdicts.items()
            if name in facets.verdicts
        ]
        offer(self.verdict, [(tr("any result"), ""), *shown])
        checks = [(f"{name} ({n:,})", name) for name, n in facets.checks.items()]
        offer(self.check, [(tr("any check"), ""), *checks])

    def filter(self) -> Filter | None:
        """What is looked for; None, with the reason shown, when it is not understood."""
        finding = [box.currentData() for box in (self.check, self.verdict)]
        try:
            text = self.condition.text().strip()
            wanted = condition(text, self._look.units) if text else None
        except LogbenchError as error:
            self.say(str(error))
            return None
        self.say("")
        return Filter(
            words=self.words.text(),
            since=self.since.text().strip(),
            until=self.until.text().strip(),
            cars=_checked(self.cars),
            engine=self.engine.currentData() or "",
            signals=_checked(self.signals),
            finding=":".join(part for part in finding if part),
            condition=wanted,
        )

    def say(self, sentence: str) -> None:
        """Show why a filter is not understood; empty: it is."""
        self.trouble.setText(sentence)
        self.trouble.setVisible(bool(sentence))

    def clear(self) -> None:
        """Look for everything."""
        self.reset()
        self.changed.emit()

    def reset(self) -> None:
        """The same, and nobody is told."""
        self.blockSignals(True)
        for line in (self.words, self.condition, self.since, self.until):
            line.clear()
        for box in (self.cars, self.signals):
            for row in range(box.count()):
                box.item(row).setCheckState(Qt.CheckState.Unchecked)
        for combo in (self.engine, self.verdict, self.check):
            combo.setCurrentIndex(0)
        self.blockSignals(False)
        self.say("")


def _line(name: str, example: str) -> QLineEdit:
    long = len(example) > 10
    return named(QLineEdit(placeholderText=example, clearButtonEnabled=long), name, example)


def _toggle(item: QListWidgetItem) -> None:
    on = item.checkState() == Qt.CheckState.Checked
    item.setCheckState(Qt.CheckState.Unchecked if on else Qt.CheckState.Checked)


def _checked(box: QListWidget) -> tuple[str, ...]:
    items = [box.item(row) for row in range(box.count())]
    return tuple(i.data(_KEY) for i in items if i.checkState() == Qt.CheckState.Checked)


def _fill(box: QListWidget, counts: dict[str, int]) -> None:
    texts = {name: f"{name}  ({n:,})" for name, n in counts.items()}
    if [box.item(row).text() for row in range(box.count())] == list(texts.values()):
        return
    chosen, current = set(_checked(box)), box.currentItem()
    at = current.data(_KEY) if current is not None else None
    box.blockSignals(True)
    box.clear()
    for name, text in texts.items():
        item = ListRow(text)
        item.setData(_KEY, name)
        item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked if name in chosen else Qt.CheckState.Unchecked)
        box.addItem(item)
        if name == at:
            box.setCurrentItem(item)
    box.blockSignals(False)
