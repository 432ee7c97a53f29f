"""The main window: pages, theme, commands."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QByteArray, Qt, QTimer
from PySide6.QtGui import QAction, QCloseEvent, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMessageBox,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.background import Jobs
from logbench.app.commands import CommandList, CommandsFirst, add_command
from logbench.app.live.page import LivePage
from logbench.app.services import Services
from logbench.app.theme import SIZES, Look
from logbench.cases.settings import Settings
from logbench.cases.work import Outcome
from logbench.cases.work import Work as Task
from logbench.signals.units import Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.archive.page import ArchivePage
    from logbench.app.compare.page import ComparePage
    from logbench.app.importing import Importing
    from logbench.app.job.page import JobPage
    from logbench.app.live.session import CaptureFactory
    from logbench.app.look_dialog import LookDialog
    from logbench.app.review.page import ReviewPage

_log = logging.getLogger(__name__)
_TITLES = {
    "live": tr("Live"),
    "review": tr("Review"),
    "compare": tr("Compare"),
    "job": tr("Job"),
    "archive": tr("Archive"),
}


class MainWindow(QMainWindow):
    """Live, Review, Compare, Job and Archive in one window; all but the first made when needed."""

    def __init__(self, settings: Settings, capture: CaptureFactory | None = None) -> None:
        super().__init__()
        self.setWindowTitle("logbench")
        self.services = Services(settings, Look(settings.theme, settings.size_percent), Jobs())
        self._look_dialog: LookDialog | None = None
        self.ask_to_finish: Callable[[], bool] = self._ask_to_finish
        """Whether a running recording may be finished now; tests put their own answer here."""
        self._closing = False
        self._review: ReviewPage | None = None
        self._compare: ComparePage | None = None
        self._job: JobPage | None = None
        self._archive: ArchivePage | None = None
        self._importing: Importing | None = None
        self.live = LivePage(self.services, capture)
        self.live.review_wanted.connect(lambda path: self.open_recordings([path]))
        self.live.ended.connect(self._recording_ended)
        self._pages = QStackedWidget()
        self._pages.addWidget(self.live)
        body = QWidget()
        self._body = layout = QVBoxLayout(body)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._header())
        layout.addWidget(self._pages, 1)
        self.setCentralWidget(body)
        self.setAcceptDrops(True)
        self.setMinimumSize(900, 600)
        self._add_commands()
        self._commands_first = CommandsFirst(self)
        kept = QByteArray.fromBase64(settings.geometry.encode())
        if kept.isEmpty() or not self.restoreGeometry(kept):
            self.resize(1280, 800)
        self.services.look.changed.connect(self._look_changed)
        self.services.look.units_changed.connect(self._keep_units)
        self.services.look.set_units(settings.units)
        self.services.runner.unowned = self._show_outcome
        self.show_page("live")

    # --- parts ---

    def _header(self) -> QFrame:
        bar = QFrame()
        bar.setObjectName("bar")
        layout = QHBoxLayout(bar)
        layout.setContentsMargins(12, 4, 12, 4)
        name = QLabel("logbench")
        name.setObjectName("title")
        layout.addWidget(name)
        layout.addSpacing(16)
        self._page_buttons = QButtonGroup(self)
        for key, title in _TITLES.items():
            button = QPushButton(title)
            button.setObjectName("page")
            button.setCheckable(True)
            button.setAccessibleName(tr("Page {title}", title=title))
            button.setProperty("page", key)
            button.clicked.connect(lambda _=False, k=key: self.show_page(k))
            self._page_buttons.addButton(button)
            layout.addWidget(button)
        layout.addStretch(1)
        commands = QPushButton(tr("Commands  Ctrl+K"))
        commands.setAccessibleName(tr("Open the list of commands"))
        commands.clicked.connect(self.show_commands)
        layout.addWidget(commands)
        look = QPushButton(tr("Look …  Ctrl+,"))
        look.setAccessibleName(tr("Look and units: theme, size of texts, units"))
        look.clicked.connect(self.show_look)
        layout.addWidget(look)
        return bar

    def _add_commands(self) -> None:
        add_command(self, tr("Search commands"), ["Ctrl+K", "Ctrl+Shift+P"], self.show_commands)
        add_command(self, tr("Go to the Live page"), "Ctrl+1", lambda: self.show_page("live"))
        add_command(self, tr("Go to the Review page"), "Ctrl+2", lambda: self.show_page("review"))
        add_command(self, tr("Go to the Compare page"), "Ctrl+3", lambda: self.show_page("compare"))
        add_command(self, tr("Go to the Job page"), "Ctrl+4", lambda: self.show_page("job"))
        add_command(self, tr("Go to the Archive page"), "Ctrl+5", lambda: self.show_page("archive"))
        add_command(self, tr("Open a recording"), "Ctrl+O", self.ask_for_recording)
        add_command(self, tr("Switch between light and night"), "Ctrl+T", self._switch_theme)
        add_command(self, tr("Metric or US units"), "Ctrl+U", self._switch_units)
        add_command(self, tr("Look and units"), "Ctrl+,", self.show_look)
        add_command(self, tr("Larger texts"), ["Ctrl++", "Ctrl+="], lambda: self._step_size(1))
        add_command(self, tr("Smaller texts"), "Ctrl+-", lambda: self._step_size(-1))
        add_command(self, tr("Full screen"), "F11", self._switch_full_screen)
        add_command(self, tr("Close logbench"), "Ctrl+Q", self.close)

    @property
    def importing(self) -> Importing:
        """What imports other programs' files, made when first asked for."""
        if self._importing is None:
            from logbench.app.importing import Importing

            self._importing = Importing(self.services, self)
            self._body.insertWidget(1, self._importing)
        return self._importing

    @property
    def review(self) -> ReviewPage:
        """The Review page, made when first asked for."""
        if self._review is None:
            from logbench.app.review.page import ReviewPage

            self._review = ReviewPage(self.services)
            self._review.import_wanted.connect(
                lambda path: self.take_files([path], self.open_recordings)
            )
            self._pages.addWidget(self._review)
        return self._review

    @property
    def compare(self) -> ComparePage:
        """The Compare page, made when first asked for."""
        if self._compare is None:
            from logbench.app.compare.page import ComparePage

            self._compare = ComparePage(self.services)
            self._compare.job_wanted.connect(self._sides_of_job)
            self._compare.files_dropped.connect(self.take_files)
            self._pages.addWidget(self._compare)
        return self._compare

    @property
    def job(self) -> JobPage:
        """The Job page, made when first asked for."""
        if self._job is None:
            from logbench.app.job.page import JobPage

            self._job = JobPage(self.services)
            recordings = self._job.tabs.recordings
            recordings.review_wanted.connect(lambda path: self.open_recordings([path]))
            recordings.compare_wanted.connect(self._compare_sides)
            self._job.files_dropped.connect(self.take_files)
            self._pages.addWidget(self._job)
        return self._job

    @property
    def archive(self) -> ArchivePage:
        """The Archive page, made when first asked for."""
        if self._archive is None:
            from logbench.app.archive.page import ArchivePage

            self._archive = ArchivePage(self.services)
            self._archive.review_wanted.connect(lambda path: self.open_recordings([path]))
            self._archive.compare_wanted.connect(self._compare_sides)
            self._pages.addWidget(self._archive)
        return self._archive

    # --- doing ---

    def show_page(self, key: str) -> None:
        """Bring a page to the front: `live`, `review`, `compare`, `job` or `archive`."""
        page: QWidget = self.live if key == "live" else getattr(self, key)
        self._pages.setCurrentWidget(page)
        page.setAccessibleName(tr("{title} page", title=_TITLES[key]))
        for button in self._page_buttons.buttons():
            button.setChecked(button.property("page") == key)
        page.setFocus()

    def warm_up(self) -> None:
        """Load what opening a recording needs while nobody waits for it."""

        def work(_: Task) -> None:
            import logbench.analysis.run
            import logbench.app.review.page
            import logbench.recording.notes
            import logbench.recording.reader  # noqa: F401

        self.services.jobs.start(work, lambda _: self._make_review_early(), _log.debug)

    def _make_review_early(self) -> None:
        """Its controls take a tenth of a second, which an opening need not wait for."""
        if not self.live.busy:
            _ = self.review

    def recover(self) -> None:
        """Turn what an earlier crash left in the recordings' folder into recordings."""
        self.live.endings.recover()

    def open_recordings(self, paths: Sequence[Path]) -> None:
        """Open the last of these recordings on the Review page."""
        self.show_page("review")
        for path in paths[-1:]:
            self.review.open_path(Path(path))

    def ask_for_recording(self) -> None:
        """Let the user pick a file."""
        self.show_page("review")
        self.review.ask_for_file()

    def commands(self) -> list[QAction]:
        """All actions that make sense now: the window's and the shown page's."""
        return [*self._shown_page.commands(), *self.actions()]

    @property
    def _shown_page(self) -> LivePage | ReviewPage | ComparePage | JobPage | ArchivePage:
        made = (self.live, self._review, self._compare, self._job, self._archive)
        return next(p for p in made if p is not None and p is self._pages.currentWidget())

    def show_commands(self) -> None:
        """Open the searchable list, and run what is chosen."""
        dialog = CommandList(self.commands(), self)
        if dialog.exec() and dialog.chosen is not None:
            chosen = dialog.chosen
            QTimer.singleShot(0, chosen.trigger)

    def _compare_sides(self, before: list[Path], after: list[Path]) -> None:
        """Compare them at once; where a side lacks, it is to be chosen."""
        self.show_page("compare")
        self.compare.set_sides(before, after)
        if before and after:
            self.compare.compare()

    def _sides_of_job(self) -> None:
        self.job.choose_for_compare()

    def _show_outcome(self, outcome: Outcome) -> None:
        """Of work whose job, recording or page is not shown any more."""
        notice = self._shown_page.notice
        (notice.success if outcome.well else notice.trouble)(outcome.sentence)

    def show_look(self) -> None:
        """Open the choice of theme, size of texts and units."""
        if self._look_dialog is None:
            from logbench.app.look_dialog import LookDialog

            self._look_dialog = LookDialog(self.services.look, self)
        self._look_dialog.show()
        self._look_dialog.activateWindow()

    def _look_changed(self) -> None:
        look, settings = self.services.look, self.services.settings
        settings.theme, settings.size_percent = look.choice, look.size_percent

    def _keep_units(self, units: Units) -> None:
        self.services.settings.units = units

    def _switch_theme(self) -> None:
        self.services.look.choose("light" if self.services.look.theme.name == "night" else "night")

    def _step_size(self, by: int) -> None:
        sizes = list(SIZES)
        at = sizes.index(self.services.look.size_percent) + by
        self.services.look.choose_size(sizes[min(max(at, 0), len(sizes) - 1)])

    def _switch_units(self) -> None:
        self.services.look.choose_units(not self.services.look.units.us)

    def _switch_full_screen(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    # --- files dropped on it ---

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Files may be dropped anywhere."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Open what was dropped."""
        paths = [Path(u.toLocalFile()) for u in event.mimeData().urls() if u.isLocalFile()]
        if paths:
            event.acceptProposedAction()
            self.take_files(paths, self.open_recordings)

    def take_files(self, paths: Sequence[Path], then: Callable[[list[Path]], object]) -> None:
        """Give `then` these files; another program's are imported first, and confirmed."""
        self.importing.take(paths, then)

    # --- closing ---

    def closeEvent(self, event: QCloseEvent) -> None:
        """A running recording is finished first, after asking."""
        if self.live.busy:
            event.ignore()
            if not self._closing and (not self.live.recording or self.ask_to_finish()):
                self._closing = True
                self.live.stop()
            return
        self.services.settings.geometry = bytes(self.saveGeometry().toBase64().data()).decode()
        self.live.session.close()
        self.services.jobs.close()
        if self._job is not None:
            self._job.leave()
        event.accept()

    def _ask_to_finish(self) -> bool:
        box = QMessageBox(self)
        box.setWindowTitle(tr("A recording is running"))
        box.setText(tr("A recording is running. Finish and save it, then close?"))
        finish = box.addButton(tr("Finish and close"), QMessageBox.ButtonRole.AcceptRole)
        box.addButton(tr("Keep recording"), QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(finish)
        box.exec()
        return box.clickedButton() is finish

    def _recording_ended(self) -> None:
        if self._closing:
            self._closing = False
            self.close()
