"""An exercise on the panel of causes: minutes spent, advice, the commitment, the truth."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QBoxLayout, QHBoxLayout, QVBoxLayout, QWidget

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.sentence import cause_words
from logbench.analysis.statement import in_units
from logbench.app.causes.next_tests import WIDE_PX
from logbench.app.parts import chooser, lay, muted, offer, text_button
from logbench.cases.exercise import Debrief, Play, choices
from logbench.foreign import in_html
from logbench.signals.units import Units
from logbench.words import shown, tr


class ExerciseBar(QWidget):
    """What is done in an exercise beside tests. `committed`: a tuple of keys of causes."""

    advice_changed = Signal()
    committed = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self.said = muted()
        self.advice = text_button(
            tr("Advice"),
            self.advice_changed.emit,
            tr("Show what the program makes of it"),
            checkable=True,
        )
        self.first = chooser(tr("Cause to commit to"), 10)
        self.second = chooser(tr("A second cause, where there are two"), 10)
        self.go = text_button(tr("Commit"), self._commit, tr("Commit to this"))
        self.first.currentIndexChanged.connect(lambda _: self._judge())
        self._choose = QWidget()
        row = lay(QHBoxLayout(), (self.second, 1), self.go, spacing=6)
        down = QBoxLayout(QBoxLayout.Direction.TopToBottom, self._choose)
        self._row = lay(down, (self.first, 1), (row, 1), margins=(0, 0, 0, 0), spacing=6)
        head = lay(QHBoxLayout(), (self.said, 1), self.advice, spacing=6)
        lay(QVBoxLayout(self), head, self._choose, margins=(0, 0, 0, 4), spacing=6)

    def show_play(self, play: Play | None, causes: Causes | None, done: Sequence[Done]) -> None:
        """This exercise, as far as it has come; nothing where there is none."""
        self.setVisible(play is not None and causes is not None)
        if play is None or causes is None:
            return
        minutes = sum(HAND_TESTS[one.test].minutes for one in done if one.test in HAND_TESTS)
        self.said.setText(
            tr("Exercise {text}: {n:g} min of tests.", text=play.exercise.text, n=minutes)
        )
        for widget in (self._choose, self.advice):
            widget.setVisible(not play.committed)
        rows = [(shown(cause_words(key)), key) for key in choices(causes)]
        offer(self.first, [(tr("What is wrong: choose …"), ""), *rows])
        offer(self.second, [(tr("and nothing else"), ""), *rows])
        self._judge()

    def shows_advice(self, play: Play | None) -> bool:
        """Whether the program's own weighing is to be seen."""
        return play is None or bool(play.committed) or self.advice.isChecked()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Beside each other where there is room."""
        super().resizeEvent(event)
        ways = QBoxLayout.Direction
        self._row.setDirection(ways.LeftToRight if self.width() >= WIDE_PX else ways.TopToBottom)

    def _judge(self) -> None:
        self.go.setEnabled(bool(self.first.currentData()))
        self.second.setEnabled(self.go.isEnabled())

    def _commit(self) -> None:
        chosen = self.first.currentData(), self.second.currentData()
        self.committed.emit(tuple(dict.fromkeys(key for key in chosen if key)))


def truth_html(told: Debrief, units: Units) -> str:
    """The truth, and each test beside what would have been better."""
    own = tr(
        "You committed to: {causes}.",
        causes="; ".join(shown(cause_words(key)) for key in told.committed),
    )
    parts = [f"<p>{in_html(own)} <b>{in_html(told.verdict)}</b></p>"]
    parts += [f"<p>{in_html(sentence)}</p>" for sentence in told.sentences]
    if told.steps:
        rows = "".join(
            f"<li><b>{in_html(in_units(step.done.words, units))}</b><br>"
            f"{in_html(step.sentence)}</li>"
            for step in told.steps
        )
        title = tr("Your tests")
        parts.append(f"<p><b>{in_html(title)}</b></p><ol>{rows}</ol>")
    else:
        none = tr("You did no test.")
        parts.append(f"<p>{in_html(none)}</p>")
    return "".join(parts)
