"""The Compare page: recordings before and after are chosen, compared, and shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.compare.results import DRIVE, FINDINGS, NOTES, SIGNALS, WARM_UP, ResultsPanel
from logbench.app.compare.sides import SidesPanel
from logbench.app.long_work import LongWork
from logbench.app.notice import Notice
from logbench.app.parts import STRETCH, Card, Drops, Elided, lay, middle, text_button
from logbench.app.plain import Label
from logbench.app.services import Services
from logbench.cases.cars import AnswerCars
from logbench.cases.compare import AFTER, BEFORE, Compared, compare_files
from logbench.cases.job import KeepComparison
from logbench.words import tr

_CHOOSING, _ASKING, _SHOWING = range(3)


class SameCar(Card):
    """Asks whether two sides that look like different cars are one."""

    def __init__(self, yes: Callable[[], None], no: Callable[[], None]) -> None:
        title = tr("Are these recordings of the same car?")
        super().__init__(title, 680, (28, 24, 28, 24), 14)
        self.text = Label(wordWrap=True)
        self.yes = text_button(tr("It is the same car: show the comparison"), yes)
        self.no = text_button(tr("Choose other recordings"), no)
        lay(self.column, self.text, lay(QHBoxLayout(), self.no, self.yes, STRETCH))

    def ask(self, concerns: Sequence[str]) -> None:
        """Show what speaks against it; the answer that shows nothing is the one at hand."""
        lines = "\n".join(f"■  {text}" for text in concerns)
        rule = tr(
            "A comparison of two cars says nothing about a repair, so nothing is shown unless you "
            "say that it is one car, for example with an exchanged ECU."
        )
        self.text.setText(f"{lines}\n\n{rule}")
        self.no.setFocus()


class ComparePage(QWidget):
    """Before and after a repair."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        self._owner = services.runner.owner()
        self.notice = Notice(services.messages)
        self.sides = SidesPanel(services.settings, self._owner)
        self.question = SameCar(self.confirm_same_car, self.choose_sides)
        self.results = ResultsPanel(self._owner, services.look)
        self.work = LongWork(self._owner)
        self.compared: Compared | None = None
        """What is shown; None until a comparison is (or its question is answered)."""
        self._waiting: Compared | None = None
        Drops(self, self._dropped)
        self._lay_out()
        self._add_commands()
        self.sides.compare_wanted.connect(self.compare)
        self.sides.recent.picked.connect(lambda: self._turn_to(_CHOOSING))
        for part in (self.work, self.sides.recent):
            part.failed.connect(self.notice.trouble)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _lay_out(self) -> None:
        self.title = Elided()
        choose = text_button(tr("Choose recordings  F2"), self.choose_sides)
        swap = text_button(tr("Swap before and after  Ctrl+Shift+S"), self.swap)
        tools = lay(QHBoxLayout(), choose, swap, margins=(12, 6, 12, 2), spacing=6)
        tools.addSpacing(8)
        self.work.setContentsMargins(0, -2, 0, -2)  # the row is as high without it
        lay(tools, (self.title, 1), (self.work, 3))
        self._pages = QStackedWidget()
        for page in (self.sides, middle(self.question), self.results):
            self._pages.addWidget(page)
        lay(QVBoxLayout(self), tools, (self._pages, 1), margins=(0, 0, 0, 0), spacing=2)
        self._turn_to(_CHOOSING)

    def _turn_to(self, page: int) -> None:
        self._pages.setCurrentIndex(page)
        title = tr("Compare a drive before a repair with one after it")
        if page == _SHOWING and self.compared is not None:
            names = [", ".join(path.name for path in side) for side in self.compared.files]
            title = "  →  ".join(names)
        self.title.tell(title)

    def _add_commands(self) -> None:
        sides, results, overlay = self.sides, self.results, self.results.overlay
        for title, keys, run in (
            (tr("Compare before with after"), ["Ctrl+Return", "F5"], self.compare),
            (tr("Add recordings made before"), "Ctrl+B", lambda: sides.ask_for_files(BEFORE)),
            (tr("Add recordings made after"), "Ctrl+Shift+B", lambda: sides.ask_for_files(AFTER)),
            (tr("Take the recordings of the job"), "Ctrl+J", sides.job_wanted.emit),
            (tr("Search an archive folder"), "Ctrl+Shift+A", sides.recent.ask_for_folder),
            (tr("Find a recent recording"), "Ctrl+F", sides.recent.finder.setFocus),
            (tr("Swap before and after"), "Ctrl+Shift+S", self.swap),
            (tr("Choose recordings"), "F2", self.choose_sides),
            (tr("Show the findings"), "Alt+1", lambda: results.show_tab(FINDINGS)),
            (tr("Show the signals"), "Alt+2", lambda: results.show_tab(SIGNALS)),
            (tr("Show what to drive"), "Alt+3", lambda: results.show_tab(DRIVE)),
            (tr("Show the warm-up"), "Alt+4", lambda: results.show_tab(WARM_UP)),
            (tr("Show the notes"), "Alt+9", lambda: results.show_tab(NOTES)),
            (tr("Go to the grid"), "Alt+5", results.grid.setFocus),
            (tr("Go to the overlay"), "Alt+6", overlay.stack.setFocus),
            (tr("Choose the signal of the overlay"), "Alt+7", overlay.signal_box.setFocus),
            (tr("Choose what the overlay is aligned by"), "Alt+8", overlay.by_box.setFocus),
            (tr("Next row"), "F8", lambda: results.step(1)),
            (tr("Previous row"), "Shift+F8", lambda: results.step(-1)),
            (tr("Next span it came from"), "F3", lambda: overlay.step_span(1)),
            (tr("Previous span it came from"), "Shift+F3", lambda: overlay.step_span(-1)),
            (tr("Cancel the comparison"), "Ctrl+.", self.work.cancel),
        ):
            add_command(self, title, keys, run)
        results.said.add_commands(self)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return [*self.actions(), *self.results.overlay.stack.actions()]

    # --- doing ---

    def set_sides(self, before: Sequence[Path], after: Sequence[Path]) -> None:
        """Choose recordings, of a job for example, without comparing yet."""
        self.choose_sides()
        self.sides.set_sides(before, after)

    def choose_sides(self) -> None:
        """Back to the choice of the recordings; the comparison made stays until the next."""
        self.work.cancel()
        self._turn_to(_CHOOSING)
        self.sides.recent.refresh()
        self.sides.recent.list.setFocus()

    def swap(self) -> None:
        """Swap the sides; what is shown is compared again."""
        self.sides.swap()
        if self._pages.currentIndex() == _SHOWING:
            self.compare()

    def compare(self) -> None:
        """Compare what is chosen."""
        if not self.sides.ready:
            self.notice.trouble(
                tr("Choose at least one recording before and one after the repair first.")
            )
            return
        self.work.cancel()
        self.notice.hide()
        before, after = (box.paths for box in self.sides.boxes.values())
        archive = self._services.settings.archive_at_hand
        self.work.start(compare_files(before, after, archive), self._ask)

    def confirm_same_car(self) -> None:
        """The user says that it is one car."""
        if self._waiting is not None:
            self._owner.start(AnswerCars(pairs=self._waiting.pairs, same=True))
            self._show(self._waiting, confirmed=True)

    # --- inside ---

    def _ask(self, compared: Compared) -> None:
        if compared.result.needs_confirmation:
            self._waiting, self.compared = compared, None
            self._turn_to(_ASKING)
            self.question.ask([c.text for c in compared.result.concerns if c.confirm])
        else:
            self._show(compared)

    def _show(self, compared: Compared, confirmed: bool = False) -> None:
        self._waiting, self.compared = None, compared
        self._turn_to(_SHOWING)
        self.results.show_comparison(compared)
        self.results.show_tab(FINDINGS if compared.result.findings else SIGNALS)
        if compared.changed or compared.problem:
            self.notice.trouble(" ".join(filter(None, (*compared.changed, compared.problem))))
        store, sentence = self._services.job_store, compared.result.summary
        keep = KeepComparison(store, *compared.files, sentence, same_car=confirmed)
        self._owner.do(keep, self.notice.say)

    # --- Qt's side ---

    def showEvent(self, event: QShowEvent) -> None:
        """There may be other recordings by now."""
        super().showEvent(event)
        if self._pages.currentIndex() == _CHOOSING:
            self.sides.recent.refresh()

    def _dropped(self, paths: list[Path]) -> None:
        """Beside the boxes: where there is none yet, the older file before the newer one."""
        self._turn_to(_CHOOSING)
        files = [p for p in paths if p.is_file()]
        self.sides.take("", sorted(files, key=lambda p: (p.stat().st_mtime, p.name)))
