"""The Compare page: two sides are chosen, held against each other, and shown."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QDragEnterEvent, QDropEvent, QShowEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.background import Call
from logbench.app.commands import add_command
from logbench.app.compare.results import DRIVE, FINDINGS, SIGNALS, WARM_UP, ResultsPanel
from logbench.app.compare.sides import SidesPanel, dropped_files
from logbench.app.parts import Elided, Notice, middle
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.compare import (
    AFTER,
    BEFORE,
    Compared,
    CompareFiles,
    Wish,
    find_in_archive,
    find_recordings,
    lay,
)
from logbench.cases.job import KeepComparison
from logbench.cases.runner import Running
from logbench.cases.work import Outcome
from logbench.words import tr, word

_CHOOSING, _ASKING, _SHOWING = range(3)


class SameCar(QFrame):
    """Asks whether two sides that look like different cars are one."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("card")
        self.setMaximumWidth(680)
        title = QLabel(tr("Are these recordings of the same car?"))
        title.setObjectName("title")
        self.text = QLabel()
        self.text.setWordWrap(True)
        self.yes = QPushButton(tr("It is the same car: show the comparison"))
        self.no = QPushButton(tr("Choose other recordings"))
        buttons = QHBoxLayout()
        buttons.addWidget(self.no)
        buttons.addWidget(self.yes)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(28, 24, 28, 24)
        layout.setSpacing(14)
        layout.addWidget(title)
        layout.addWidget(self.text)
        layout.addLayout(buttons)

    def ask(self, concerns: Sequence[str]) -> None:
        """Show what speaks against it; the answer that shows nothing is the one at hand."""
        lines = "\n".join(f"■  {text}" for text in concerns)
        rule = tr(
            "A comparison of two cars says nothing about a repair, so nothing is shown unless you "
            "say that it is one car, for example with an exchanged control unit."
        )
        self.text.setText(f"{lines}\n\n{rule}")
        self.no.setFocus()


class ComparePage(QWidget):
    """Before and after a repair."""

    job_wanted = Signal()
    """Both sides shall be those of a job."""
    files_dropped = Signal(object, object)
    """Files (a list of paths), and what takes those that are recordings, or have become such."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        self._owner = services.runner.owner()
        theme = services.look.theme
        self.sides = SidesPanel(services.settings)
        self.question = SameCar()
        self.results = ResultsPanel(theme)
        self.compared: Compared | None = None
        """What is shown; None until a comparison is (or its question is answered)."""
        self._waiting: Compared | None = None
        self._task: Running | None = None
        self._laying: Running | None = None
        self._looking: Running | None = None
        self.setAcceptDrops(True)
        self._make_parts()
        self._lay_out()
        self._add_commands()
        self.sides.compare_wanted.connect(self.compare)
        self.sides.add_wanted.connect(self.ask_for_files)
        self.sides.job_wanted.connect(self.job_wanted)
        self.sides.dropped.connect(self._take)
        self.sides.at_hand.place_changed.connect(self.list_recordings)
        self.sides.at_hand.folder_wanted.connect(self.ask_for_archive)
        self.question.yes.clicked.connect(self.confirm_same_car)
        self.question.no.clicked.connect(self.choose_sides)
        self.results.overlay.wished.connect(self._lay)
        services.look.changed.connect(self.set_theme)
        services.look.units_changed.connect(self.results.set_units)
        self.results.set_units(services.look.units)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _make_parts(self) -> None:
        self.notice = Notice(self)
        self.title = Elided()
        self.choose_button = QPushButton(tr("Choose sides  F2"))
        self.choose_button.setAccessibleName(tr("Choose the recordings of both sides"))
        self.choose_button.clicked.connect(self.choose_sides)
        self.swap_button = QPushButton(tr("Swap sides  Ctrl+Shift+S"))
        self.swap_button.setAccessibleName(tr("Swap the two sides and compare again"))
        self.swap_button.clicked.connect(self.swap)
        self.progress = QProgressBar()
        self.progress.setMaximum(1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedSize(160, 14)
        self.doing = QLabel()
        self.doing.setObjectName("muted")
        self.cancel_button = QPushButton(tr("Cancel  Ctrl+."))
        self.cancel_button.setAccessibleName(tr("Cancel the comparison"))
        self.cancel_button.clicked.connect(self.cancel)
        self._work = QWidget()
        row = QHBoxLayout(self._work)
        row.setContentsMargins(12, 4, 12, 4)
        row.addStretch(1)
        for widget in (self.doing, self.progress, self.cancel_button):
            row.addWidget(widget)
        self._work.hide()

    def _lay_out(self) -> None:
        tools = QHBoxLayout()
        tools.setContentsMargins(12, 6, 12, 2)
        tools.addWidget(self.choose_button)
        tools.addWidget(self.swap_button)
        tools.addSpacing(8)
        tools.addWidget(self.title, 1)
        shown = QWidget()
        shown_layout = QVBoxLayout(shown)
        shown_layout.setContentsMargins(0, 0, 0, 0)
        shown_layout.setSpacing(2)
        shown_layout.addLayout(tools)
        shown_layout.addWidget(self.results, 1)
        self._pages = QStackedWidget()
        self._pages.addWidget(self.sides)
        self._pages.addWidget(middle(self.question))
        self._pages.addWidget(shown)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._work)
        layout.addWidget(self._pages, 1)

    def _add_commands(self) -> None:
        results, overlay = self.results, self.results.overlay
        for title, keys, run in (
            (tr("Compare the two sides"), ["Ctrl+Return", "F5"], self.compare),
            (tr("Add recordings made before"), "Ctrl+B", lambda: self.ask_for_files(BEFORE)),
            (tr("Add recordings made after"), "Ctrl+Shift+B", lambda: self.ask_for_files(AFTER)),
            (tr("Take both sides from a job"), "Ctrl+J", self.job_wanted.emit),
            (tr("Look in an archive folder"), "Ctrl+Shift+A", self.ask_for_archive),
            (tr("Find a recording at hand"), "Ctrl+F", self.sides.at_hand.finder.setFocus),
            (tr("Swap the sides"), "Ctrl+Shift+S", self.swap),
            (tr("Choose the sides"), "F2", self.choose_sides),
            (
                tr("Show what has become of the findings"),
                "Alt+1",
                lambda: results.show_tab(FINDINGS),
            ),
            (tr("Show the signals"), "Alt+2", lambda: results.show_tab(SIGNALS)),
            (tr("Show what to drive"), "Alt+3", lambda: results.show_tab(DRIVE)),
            (tr("Show the warm-up"), "Alt+4", lambda: results.show_tab(WARM_UP)),
            (tr("Go to the grid"), "Alt+5", results.grid.setFocus),
            (tr("Go to the overlay"), "Alt+6", overlay.stack.setFocus),
            (tr("Choose the signal of the overlay"), "Alt+7", overlay.signal_box.setFocus),
            (tr("Choose what the overlay is placed by"), "Alt+8", overlay.by_box.setFocus),
            (tr("Next row"), "F8", lambda: results.step(1)),
            (tr("Row before"), "Shift+F8", lambda: results.step(-1)),
            (tr("Show the next stretch it came from"), "F3", lambda: overlay.step_span(1)),
            (tr("Show the stretch before"), "Shift+F3", lambda: overlay.step_span(-1)),
            (tr("Cancel the comparison"), "Ctrl+.", self.cancel),
        ):
            add_command(self, title, keys, run)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return [*self.actions(), *self.results.overlay.stack.actions()]

    # --- doing ---

    def ask_for_files(self, side: str) -> None:
        """Let the user pick recordings of a side."""
        recent = self._services.settings.recent
        folder = recent[0].parent if recent else self._services.settings.folder
        names, _ = QFileDialog.getOpenFileNames(
            self,
            tr("Recordings {side} the repair", side=word(side)),
            str(folder),
            tr("Recordings (*.parquet);;All files (*)"),
        )
        if names:
            self._pages.setCurrentIndex(_CHOOSING)
            self.sides.put(side, [Path(name) for name in names])

    def set_sides(self, before: Sequence[Path], after: Sequence[Path]) -> None:
        """Put recordings on the sides, of a job for example, without comparing yet."""
        self.choose_sides()
        self.sides.set_sides(before, after)

    def choose_sides(self) -> None:
        """Back to the choice of the recordings; the comparison made stays until the next."""
        self.cancel()
        self._pages.setCurrentIndex(_CHOOSING)
        self.list_recordings()
        self.sides.at_hand.list.setFocus()

    def swap(self) -> None:
        """Swap the sides; what is shown is compared again."""
        self.sides.swap()
        if self._pages.currentIndex() == _SHOWING:
            self.compare()

    def compare(self) -> None:
        """Compare what is chosen, off the main thread."""
        if not self.sides.ready:
            self.notice.trouble(
                tr("Choose at least one recording before and one after the repair first.")
            )
            return
        self.cancel()
        self.notice.hide()
        self._busy(True)
        before, after = (box.paths for box in self.sides.boxes.values())
        self._task = self._services.jobs.start(
            CompareFiles(before, after).run,
            self._compared,
            self._failed,
            self._progressed,
        )

    def cancel(self) -> None:
        """Stop comparing."""
        if self._task is not None:
            self._task.cancel()
            self._task = None
        self._busy(False)

    def confirm_same_car(self) -> None:
        """The user says that it is one car."""
        if self._waiting is not None:
            self._show(self._waiting, confirmed=True)

    def ask_for_archive(self) -> None:
        """Let the user pick a folder whose recordings, with all folders below, are listed."""
        start = self.sides.at_hand.place or self._services.settings.folder
        name = QFileDialog.getExistingDirectory(self, tr("Folder of an archive"), str(start))
        if name:
            self._pages.setCurrentIndex(_CHOOSING)
            self.sides.at_hand.choose_place(Path(name))

    def list_recordings(self) -> None:
        """Look for recordings at the place that is chosen; an older look is dropped."""
        settings, at_hand = self._services.settings, self.sides.at_hand
        place, folder = at_hand.place, settings.folder
        if self._looking is not None:
            self._looking.cancel()
        if place is None:
            work: Call = partial(find_recordings, folder, settings.recent)
            empty = tr(
                "There are no recordings in {folder} yet: record on the Live page, or add "
                "files above.",
                folder=folder,
            )
        else:
            at_hand.show_looking(tr("Looking through {place} …", place=place))
            work = partial(find_in_archive, place)
            empty = tr("There are no recordings in {place} or below it.", place=place)
        self._looking = self._services.jobs.start(
            work,
            lambda found: at_hand.show_found(found, empty),
            self.notice.trouble,
            lambda text, _: at_hand.show_looking(text) if place is not None else None,
        )

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.results.set_theme(theme)

    # --- what the tasks tell ---

    def _compared(self, compared: Compared) -> None:
        self._task = None
        self._busy(False)
        if compared.result.needs_confirmation:
            self._waiting, self.compared = compared, None
            self._pages.setCurrentIndex(_ASKING)
            self.question.ask([c.text for c in compared.result.concerns if c.confirm])
        else:
            self._show(compared)

    def _show(self, compared: Compared, confirmed: bool = False) -> None:
        self._waiting, self.compared = None, compared
        names = [", ".join(path.name for path in side) for side in compared.files]
        self.title.tell(f"{names[0]}  →  {names[1]}")
        self._pages.setCurrentIndex(_SHOWING)
        self.results.show_comparison(compared)
        self.results.show_tab(FINDINGS if compared.result.findings else SIGNALS)
        store, sentence = self._services.job_store, compared.result.summary
        keep = KeepComparison(store, *compared.files, sentence, same_car=confirmed)
        self._owner.start(
            keep,
            lambda title: self._say(keep.outcome(title)),
            lambda sentence: self._say(Outcome(sentence, well=False)),
        )

    def _say(self, outcome: Outcome) -> None:
        """Show how something went, here or where the user is."""
        if outcome.sentence and self.isVisible():
            (self.notice.success if outcome.well else self.notice.trouble)(outcome.sentence)
        elif outcome.sentence:
            self._services.runner.unowned(outcome)

    def _failed(self, sentence: str) -> None:
        self._task = None
        self._busy(False)
        self.notice.trouble(sentence)

    def _progressed(self, text: str, share: float) -> None:
        self.progress.setValue(round(share * 1000))
        self.progress.setAccessibleName(text)
        self.doing.setText(text)

    def _lay(self, wish: Wish) -> None:
        """Lay a signal over, off the main thread; an older wish is dropped."""
        compared = self.results.compared
        if compared is None:
            return
        if self._laying is not None:
            self._laying.cancel()
        self._laying = self._services.jobs.start(
            lambda task: lay(compared, wish, task),
            self.results.overlay.show_laid,
            self.results.overlay.show_trouble,
        )

    def _busy(self, busy: bool) -> None:
        self.progress.setValue(0)
        self.doing.setText(tr("Opening") if busy else "")
        self._work.setVisible(busy)

    # --- Qt's side ---

    def showEvent(self, event: QShowEvent) -> None:
        """The recordings at hand may be others by now."""
        super().showEvent(event)
        if self._pages.currentIndex() == _CHOOSING:
            self.list_recordings()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Files may be dropped anywhere on the page."""
        if dropped_files(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Beside the boxes: where there is none yet, the older file before the newer one."""
        event.acceptProposedAction()
        paths = [p for p in dropped_files(event) if p.is_file()]
        self._pages.setCurrentIndex(_CHOOSING)
        self._take("", sorted(paths, key=lambda p: (p.stat().st_mtime, p.name)))

    def _take(self, side: str, paths: list[Path]) -> None:
        self.files_dropped.emit(paths, partial(self.sides.put, side))
