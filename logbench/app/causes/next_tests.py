"""The next tests with their cost and gain, what each outcome would leave, and what was done."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QLocale, Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QVBoxLayout, QWidget

from logbench.analysis.causes.hand_tests import Done, HandTest, entered
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.next_tests import Doubt, NextTest, next_tests, settled
from logbench.analysis.causes.sentence import headline, no_test, share_text
from logbench.analysis.engine import Engine
from logbench.analysis.statement import in_units
from logbench.app.parts import chooser, lay, muted, named, offer, text_button
from logbench.app.plain import Page, TreeRow, button_text, plain_tip
from logbench.app.tables import Tree, splitter
from logbench.app.theme import Look
from logbench.cases.causes import Explained
from logbench.cases.exercise import Play, offered
from logbench.errors import UsageError
from logbench.foreign import in_html
from logbench.words import shown, tr

WIDE_PX = 640
"""From so much on things stand beside each other."""
_DANGERS = ("", "", tr("can injure"), tr("trained staff only"))
_SKILLS = {
    "owner": tr("anybody"),
    "technician": tr("a technician"),
    "specialist": tr("a specialist with the maker's equipment"),
}


class NextTests(QWidget):
    """What to test next. An outcome is tried (`tried`, a `Done` or None) or entered (`decided`). In
    an exercise (`play`) a test is done instead, and every test of the catalog can be; without
    `advice` nothing says which is worth it."""

    tried = Signal(object)
    decided = Signal(object)
    refused = Signal(str)
    """A number that is none, or that only the maker's limits judge."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._causes: Causes | None = None
        self._proposed: tuple[NextTest, ...] = ()
        self._play: Play | None = None
        self._advice = True
        titles = tr("Tells"), tr("min"), tr("Test")
        self.list = Tree(titles, tr("Next tests, the best first"))
        self.list.currentItemChanged.connect(lambda *_: self._write())
        self.detail = named(Page(), tr("The test in full"))
        self.outcome = chooser(tr("Outcome of the test"), 12)
        self.number = named(QLineEdit(), tr("Number that was measured"))
        self.number.setMaximumWidth(110)
        self.what_if = text_button(tr("What if"), self._try, checkable=True)
        self.enter = text_button(tr("Enter"), self._enter, tr("Enter the outcome of the test"))
        self.outcome.currentIndexChanged.connect(lambda _: self._tried_again())
        self.number.returnPressed.connect(self._enter)
        row = lay(QHBoxLayout(), (self.outcome, 1), self.number, self.what_if, self.enter)
        lower = QWidget()
        lay(QVBoxLayout(lower), (self.detail, 1), row, margins=(0, 4, 0, 0))
        self.split = splitter(Qt.Orientation.Vertical, {self.list: 150, lower: 250})
        self.none = muted()
        lay(QVBoxLayout(self), self.none, (self.split, 1), margins=(0, 4, 0, 0))

    def show_tests(
        self,
        causes: Causes | None,
        engine: Engine,
        done: Sequence[Done],
        play: Play | None = None,
        advice: bool = True,
    ) -> None:
        """What is worth doing for these causes, as they are after what was `done`."""
        self._causes, self._play, self._advice = causes, play, advice
        chosen = self.chosen
        if causes is None:
            self._proposed = ()
        elif advice:
            self._proposed = next_tests(causes, engine, done)
        else:
            tests = offered(Explained(causes, engine), done)
            self._proposed = tuple(map(Doubt(causes.hypotheses).weigh, tests))
        self._list(Doubt(causes.hypotheses).bits if causes is not None else 0.0)
        self.none.setVisible(causes is not None and not self._proposed)
        self.split.setVisible(self.none.isHidden())
        if causes is not None:
            none = tr("No test of the list tells more.")
            self.none.setText(no_test(causes) if settled(causes) else none)
        keys = [one.test.key for one in self._proposed]
        kept = not advice and chosen is not None and chosen.test.key in keys
        if keys:
            at = keys.index(chosen.test.key) if kept and chosen is not None else 0
            self.list.setCurrentIndex(self.list.model().index(at, 0))
        self._write()

    def _list(self, whole: float) -> None:
        """The rows; `whole`: bits of the doubt."""
        self.list.clear()
        for one in self._proposed:
            mark = "▲ " if one.test.danger >= 2 else ""
            tells = share_text(one.bits / whole) if self._advice else ""
            row = TreeRow([tells, f"{one.test.minutes:g}", mark + shown(one.test.title)])
            row.setToolTip(2, plain_tip(f"{shown(one.test.title)}\n{_cautions(one.test)}".strip()))
            self.list.addTopLevelItem(row)
        self.list.setColumnHidden(0, not self._advice)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The test in full beside the list where there is room."""
        super().resizeEvent(event)
        wide = self.width() >= WIDE_PX
        self.split.setOrientation(Qt.Orientation.Horizontal if wide else Qt.Orientation.Vertical)

    def let_enter(self, allowed: bool) -> None:
        """Whether there is a job that keeps an outcome."""
        self.enter.setVisible(allowed)

    @property
    def chosen(self) -> NextTest | None:
        """The test that is chosen."""
        at = self.list.currentIndex().row()
        return self._proposed[at] if 0 <= at < len(self._proposed) else None

    def _write(self) -> None:
        """The chosen test in full, and its outcomes to choose among."""
        one, causes = self.chosen, self._causes
        for widget in (self.outcome, self.number, self.what_if, self.enter):
            widget.setEnabled(one is not None)
        self.what_if.setChecked(False)
        self.tried.emit(None)
        self.outcome.blockSignals(True)
        offer(self.outcome, [(w, k) for k, w in one.test.words.items()] if one else [])
        self.outcome.blockSignals(False)
        self.number.clear()
        self.number.setVisible(one is not None and bool(one.test.unit) and self._play is None)
        for widget in (self.outcome, self.what_if):
            widget.setVisible(self._advice)
        does = self._play is not None and one is not None
        text = tr("Do it: {n:g} min", n=one.test.minutes) if does and one else tr("Enter")
        self.enter.setText(button_text(text))
        if one is None or causes is None:
            self.detail.setHtml("")
            return
        self.number.setPlaceholderText(one.test.unit)
        self.detail.setHtml(as_html(one, causes, self._look, self._advice))

    def _decided(self) -> Done | None:
        """The outcome that is chosen, or that the number shows."""
        if self.chosen is None:
            return None
        test, typed = self.chosen.test, self.number.text().strip()
        outcome = Done(test.key, self.outcome.currentData())
        if not typed or not test.unit:
            return outcome
        number, good = QLocale.c().toDouble(typed.replace(",", "."))
        if not good:
            self.refused.emit(tr("'{text}' is not a number in {unit}.", text=typed, unit=test.unit))
            return None
        try:
            return entered(test.key, str(number))
        except UsageError:  # only the maker's limits judge it: what was chosen counts
            return Done(test.key, outcome.outcome, number)

    def _try(self) -> None:
        self.tried.emit(self._decided() if self.what_if.isChecked() else None)

    def _tried_again(self) -> None:
        if self.what_if.isChecked():
            self._try()

    def _enter(self) -> None:
        if self._play is not None and self.chosen is not None:
            done: Done | None = self._play.perform(self.chosen.test.key)
        else:
            done = self._decided()
        if done is not None and not self.enter.isHidden():
            self.decided.emit(done)


def _cautions(test: HandTest) -> str:
    return "\n".join(shown(caution.text) for caution in test.cautions)


def as_html(one: NextTest, causes: Causes, look: Look, leaves: bool = True) -> str:
    """The whole test: what it is and takes, its dangers, what each outcome would leave."""
    test = one.test
    danger = _DANGERS[test.danger]
    takes = tr(
        "{minutes:g} min, {skill}. Needed: {tools}.",
        minutes=test.minutes,
        skill=_SKILLS[test.skill],
        tools=", ".join(map(shown, test.tools)),
    )
    name, what = in_html(shown(test.title)), in_html(shown(test.what))
    parts = [f"<p><b>{name}</b></p><p>{what}</p>"]
    parts.append(f"<p>{in_html(takes)}</p>")
    if test.cautions:
        head = tr("Take care") + (f" ({danger})" if danger else "")
        rows = "".join(f"<li>{in_html(shown(c.text))}</li>" for c in test.cautions)
        parts.append(f"<p><b>{in_html(head)}</b></p><ul>{rows}</ul>")
    if not leaves:
        return "".join(parts)
    rows = "".join(
        f"<li>{in_html(shown(test.words[left.outcome]))} "
        f"({in_html(share_text(left.probability))}): "
        f"{in_html(in_units(headline(left.causes), look.units))}</li>"
        for left in one.leaves(causes)
    )
    title = tr("What each outcome would leave, and how likely it is")
    parts.append(f"<p><b>{in_html(title)}</b></p><ul>{rows}</ul>")
    return "".join(parts)
