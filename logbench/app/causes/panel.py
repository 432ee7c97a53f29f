"""Causes with their bars, the evidence of the chosen one, the next tests, and what was done."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QTabWidget, QVBoxLayout, QWidget

from logbench.analysis.causes.hand_tests import Done, after_tests
from logbench.analysis.causes.model import Causes, Ranked
from logbench.analysis.causes.sentence import NO_VERDICT, headline, ruled_out
from logbench.analysis.engine import Engine
from logbench.analysis.statement import in_units
from logbench.app.causes.bars import CauseBars, EvidenceList
from logbench.app.causes.exercise import ExerciseBar, truth_html
from logbench.app.causes.next_tests import NextTests
from logbench.app.parts import STRETCH, lay, muted, named, styled, text_button
from logbench.app.plain import Label, Page, TreeRow, plain_tip
from logbench.app.tables import Tree, splitter
from logbench.app.theme import Look
from logbench.cases.causes import Explained
from logbench.cases.exercise import Play, debrief
from logbench.words import shown, tr

_WHOLE = 1.02
_PAIRS = tr("Two may be there at once: their shares are counted with each.")


class CausesPanel(QWidget):
    """`observed`: an `Observation` whose evidence is to be shown, `opened`: one that was clicked;
    `entered`: a `Done` to be kept; `withdrawn`: the place of one that is to be taken back;
    `committed`: keys of the causes that an exercise was committed to."""

    observed = Signal(object)
    opened = Signal(object)
    entered = Signal(object)
    withdrawn = Signal(int)
    committed = Signal(object)

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._recorded: Causes | None = None
        """What the recording alone says."""
        self._shown: Causes | None = None
        self._engine, self._done = Engine(), tuple[Done, ...]()
        self._play: Play | None = None
        self._lets_enter = True
        self.head = styled(Label(wordWrap=True), "lead")
        self.state = muted()
        self.bars, self.evidence = CauseBars(look), EvidenceList(look)
        self.exercise, self.tests = ExerciseBar(), NextTests(look)
        self.truth = named(Page(), tr("What was wrong"))
        self.log = Tree((tr("Outcome"), tr("What it did")), tr("Tests done"), wide=(0, 1))
        self.take_back = text_button(
            tr("Take back"), self._withdraw, tr("Take the chosen outcome back")
        )
        self.tabs = named(QTabWidget(documentMode=True), tr("Evidence and tests"))
        self.tabs.addTab(self.evidence, tr("For and against"))
        self.tabs.addTab(self.tests, tr("Next tests"))
        self._tab_of_done = done = QWidget()
        row = lay(QHBoxLayout(), STRETCH, self.take_back)
        lay(QVBoxLayout(done), (self.log, 1), row, margins=(0, 0, 0, 0))
        self.tabs.addTab(done, tr("Tests done"))
        self.tabs.addTab(self.truth, tr("What was wrong"))
        split = splitter(Qt.Orientation.Vertical, {self.bars: 200, self.tabs: 360})
        parts = self.head, self.state, self.exercise, (split, 1)
        lay(QVBoxLayout(self), *parts, margins=(0, 6, 0, 0))
        self.bars.cause_chosen.connect(self._show_evidence)
        self.evidence.observed.connect(self.observed)
        self.evidence.opened.connect(self.opened)
        self.tests.tried.connect(self._what_if)
        self.tests.decided.connect(self.entered)
        self.tests.refused.connect(self.state.setText)
        self.exercise.advice_changed.connect(self._write)
        self.exercise.committed.connect(self.committed)
        look.units_changed.connect(lambda _: self._write())
        self.show_causes(None, state=tr("Open a recording to have it weighed."))

    def show_causes(
        self,
        causes: Causes | None,
        engine: Engine | None = None,
        done: Sequence[Done] = (),
        state: str = "",
        play: Play | None = None,
    ) -> None:
        """What the recording alone says, of this engine, and the tests that were done since;
        `state` says why there is nothing. `play`: the exercise that it is."""
        told = play is not None and play.committed and not (self._play and self._play.committed)
        self._play = play
        self._recorded, self._engine, self._done = causes, engine or Engine(), tuple(done)
        self._reason = state
        self._write()
        if told:
            self.tabs.setCurrentWidget(self.truth)

    def let_enter(self, allowed: bool) -> None:
        """Whether there is a job that keeps an outcome."""
        self._lets_enter = allowed

    def show_done(self) -> None:
        """Bring the tests that were done to the front."""
        self.tabs.setCurrentWidget(self._tab_of_done)

    def _write(self) -> None:
        causes, play = self._recorded, self._play
        self._shown = after_tests(causes, self._done) if causes is not None else None
        over = play is not None and bool(play.committed)
        self._advises = self.exercise.shows_advice(play)
        self.exercise.show_play(play, causes, self._done)
        self.tests.let_enter(self._lets_enter and not over)
        self.tests.show_tests(self._shown, self._engine, self._done, play, self._advises)
        self.tabs.setTabVisible(0, self._advises)
        self.tabs.setTabVisible(self.tabs.indexOf(self.truth), over)
        if over and play is not None and causes is not None:
            told = debrief(play, Explained(causes, self._engine), self._done)
            self.truth.setHtml(truth_html(told, self._look.units))
        self.bars.setVisible(self._advises)
        self._show_shown(self._shown)
        self._write_log()

    def _show_shown(self, causes: Causes | None, supposed: str = "") -> None:
        units = self._look.units
        said = in_units(headline(causes), units) if causes is not None else ""
        if causes is not None and not self._advises:
            said = tr(
                "What is wrong with this car? Look at its drive and records, test, then commit."
            )
        self.head.setText(f"{supposed}{said}")
        self.head.setVisible(bool(said))
        self.state.setText(_note(causes) if causes is not None else self._reason)
        self.state.setVisible(causes is None or self._play is None)
        self._evidence_of = causes
        self.bars.show_causes(causes)

    def _show_evidence(self, one: Ranked | None) -> None:
        causes = self._evidence_of
        self.evidence.show_evidence(one, causes.unexplained if causes is not None else ())

    def _what_if(self, done: Done | None) -> None:
        if self._shown is None:
            return
        if done is None:
            self._show_shown(self._shown)
        else:
            supposed = tr("What if {outcome}? ", outcome=done.words)
            self._show_shown(after_tests(self._shown, [done]), supposed)

    def _write_log(self) -> None:
        self.log.clear()
        before = self._recorded
        for number, one in enumerate(self._done, 1):
            did = ""
            if before is not None and self._recorded is not None:
                after = after_tests(self._recorded, self._done[:number])
                did, before = ruled_out(before, after, one), after
            did = did if self._advises else ""
            words = in_units(one.words, self._look.units)
            row = TreeRow([words, in_units(did, self._look.units) or self._little()])
            row.setToolTip(0, plain_tip(words))
            row.setToolTip(1, plain_tip(did))
            self.log.addTopLevelItem(row)
        self.take_back.setEnabled(bool(self._done))
        self.take_back.setVisible(self._play is None)

    def _little(self) -> str:
        return tr("changed little") if self._advises else ""

    def _withdraw(self) -> None:
        at = self.log.currentIndex().row()
        self.withdrawn.emit(at if at >= 0 else len(self._done) - 1)


def _note(causes: Causes) -> str:
    """What the numbers are not."""
    together = sum(one.probability for one in causes.ranked) > _WHOLE
    return f"{shown(NO_VERDICT)} {_PAIRS}" if together else shown(NO_VERDICT)
