"""The Job page: a folder is opened or made, and everything about the repair is kept in it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, QUrl, Signal
from PySide6.QtGui import QAction, QDesktopServices, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.job.adding import Adding
from logbench.app.job.car_actions import CarActions
from logbench.app.job.looking_up import LookUp
from logbench.app.job.opened import OpenJob
from logbench.app.job.opening import Opening
from logbench.app.job.records import ROLES
from logbench.app.job.reporting import Reporting
from logbench.app.job.start import StartCard
from logbench.app.job.tabs import TITLES, JobTabs
from logbench.app.job.work_bar import WorkBar
from logbench.app.parts import Elided, Notice, dropped_files, middle, text_button
from logbench.app.services import Services
from logbench.cases.work import Outcome
from logbench.errors import LogbenchError
from logbench.job.folder import JOB_FILE
from logbench.words import inside, tr


class JobPage(QWidget):
    """One repair at a time; what is done for one goes on when another is opened."""

    files_dropped = Signal(object, object)
    """Files (a list of paths), and what takes them once other programs' are recordings."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._runner = services.runner
        self._services = services
        self.opened: OpenJob | None = None
        self.notice = Notice(self)
        self._remedy: Callable[[], object] = lambda: None
        """What the notice's button does."""
        self.notice.pressed.connect(self._press_remedy)
        self.tabs = JobTabs(services)
        self.work_bar = WorkBar(services.runner)
        self.car = CarActions(services, self.tabs.records.link.url, self)
        self.opening = Opening(services.settings, self)
        self.reporting = Reporting(services.settings, self)
        self.lookup = LookUp(services.settings, self)
        recordings = self.tabs.recordings
        role = lambda: ROLES[max(recordings.role.currentIndex(), 0)]  # noqa: E731
        self.adding = Adding(services, role, self.tabs.show_added, self)
        self.setAcceptDrops(True)
        self._lay_out()
        self._connect()
        self._add_commands()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _lay_out(self) -> None:
        self.title = Elided()
        self.title.setObjectName("title")
        self.state = QLabel()
        self.state.setObjectName("muted")
        bar = QHBoxLayout()
        bar.setContentsMargins(20, 6, 20, 0)
        bar.addWidget(self.title, 1)
        bar.addWidget(self.work_bar, 1)
        bar.addWidget(self.state)
        for text, run in (
            (tr("Open …  Ctrl+Shift+O"), self.opening.ask_for_job),
            (tr("New …  Ctrl+N"), self.opening.ask_for_new),
            (tr("Report …  Ctrl+P"), self.ask_for_report),
        ):
            bar.addWidget(text_button(text, run))
        body = QWidget()
        inner = QVBoxLayout(body)
        inner.setContentsMargins(0, 0, 0, 0)
        inner.addLayout(bar)
        inner.addWidget(self.tabs, 1)
        self._pages = QStackedWidget()
        self.empty = StartCard(self.opening.last)
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(body)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._pages, 1)

    def _connect(self) -> None:
        opening, records = self.opening, self.tabs.records
        self.empty.pressed.connect(opening.ask_for_new)
        self.empty.open_wanted.connect(opening.ask_for_job)
        self.empty.last_wanted.connect(opening.open_last)
        opening.chosen.connect(self.open_path)
        for source in (opening, self.lookup):
            source.failed.connect(self.notice.trouble)
        records.read_wanted.connect(lambda role: self._with_job(self.car.read, role))
        records.clear_wanted.connect(lambda: self._with_job(self.car.clear))
        records.evap_wanted.connect(lambda: self._with_job(self.car.leak_test))
        records.lookup_wanted.connect(self.look_up)
        records.search_page_wanted.connect(self.lookup.set_page)
        self._runner.changed.append(lambda: records.busy(self.car.busy))
        self.reporting.written.connect(self._written)
        adding = self.adding
        self.tabs.recordings.add_wanted.connect(lambda: adding.ask_for_recordings(self.opened))
        self.tabs.recordings.newest_wanted.connect(lambda: adding.add_newest(self.opened))
        self.tabs.photos.add_wanted.connect(lambda: adding.ask_for_photos(self.opened))

    def _add_commands(self) -> None:
        tabs, opening, adding = self.tabs, self.opening, self.adding
        for title, keys, run in (
            (tr("Open a job"), "Ctrl+Shift+O", opening.ask_for_job),
            (tr("Make a new job"), "Ctrl+N", opening.ask_for_new),
            (tr("Read the car"), "Ctrl+Shift+R", tabs.records.read_button.click),
            (tr("Clear the codes"), "Ctrl+Shift+Del", tabs.records.clear_button.click),
            (
                tr("Add the newest drive to the job"),
                "Ctrl+D",
                lambda: adding.add_newest(self.opened),
            ),
            (
                tr("Add recordings to the job"),
                "Ctrl+B",
                lambda: adding.ask_for_recordings(self.opened),
            ),
            (
                tr("Add photos and files to the job"),
                "Ctrl+Shift+B",
                lambda: adding.ask_for_photos(self.opened),
            ),
            (tr("Compare before with after"), "Ctrl+Return", tabs.recordings.compare),
            (tr("Set the search page for codes"), "Ctrl+Shift+L", self.lookup.set_page),
            (tr("Write the report"), "Ctrl+P", self.ask_for_report),
            (tr("Save the job now"), "Ctrl+S", lambda: self._with_job(OpenJob.flush)),
            (tr("Cancel what the job is doing"), "Ctrl+.", self.work_bar.cancel),
        ):
            add_command(self, title, keys, run)
        for number, title in enumerate(TITLES):
            show = partial(tabs.show_part, number)
            add_command(self, tr("Show {part}", part=inside(title)), f"Alt+{number + 1}", show)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return self.actions()

    # --- the job that is open ---

    def open_path(self, path: Path) -> bool:
        """Open the job of a folder, or of its job file; False with the reason in the notice."""
        try:
            opened = OpenJob(self._services, path, self)
        except LogbenchError as error:
            self.notice.trouble(str(error))
            return False
        self.leave()
        self.opened = opened
        opened.edited.connect(self._show_head)
        opened.edited.connect(self.tabs.refresh)
        opened.saved.connect(self._show_head)
        opened.loaded.connect(self._reloaded)
        opened.conflicted.connect(self._conflicted)
        opened.started.connect(self.notice.hide)
        opened.ended.connect(self.say)
        self._services.settings.last_job = opened.folder.path.resolve()
        self._show_job(opened)
        self._pages.setCurrentIndex(1)
        return True

    def leave(self) -> None:
        """Save the job and let go of it."""
        if self.opened is not None:
            self.opened.close()
            self.opened.deleteLater()
            self.opened = None

    def ask_for_report(self) -> None:
        """Options, sentences, then the report."""
        if self.opened is not None and self.opened.flush():
            self.reporting.ask(self.opened)

    def choose_for_compare(self) -> None:
        """Put the recordings of the open job on the Compare page; ask for a job where none is."""
        if self.opened is None:
            self.opening.ask_for_job()
        self.tabs.recordings.compare()

    def look_up(self, code: str) -> None:
        """Open the user's own browser on a code: code, year and make only."""
        if self.opened is not None:
            self.lookup.look_up(code, self.opened.job.vehicle)

    def say(
        self, outcome: Outcome, button: str = "", remedy: Callable[[], object] = lambda: None
    ) -> None:
        """Show how something went, here or, where this page is not shown, where the user is."""
        if self.isVisible() or self.opened is None:
            self._remedy = remedy
            show = self.notice.success if outcome.well else self.notice.trouble
            show(outcome.sentence, button)
        else:
            self._runner.unowned(self.opened.owner.named(outcome))

    # --- inside ---

    def _with_job(self, run: Callable[..., object], *rest: object) -> None:
        if self.opened is not None:
            run(self.opened, *rest)

    def _press_remedy(self) -> None:
        self._remedy()

    def _show_job(self, opened: OpenJob) -> None:
        self.tabs.show_job(opened)
        self._show_head()

    def _show_head(self) -> None:
        if self.opened is not None:
            self.title.tell(self.opened.title)
            self.state.setText(tr("saving …") if self.opened.held.dirty else tr("saved"))

    def _written(self, path: Path, outcome: Outcome) -> None:
        url = QUrl.fromLocalFile(str(path))
        self.say(outcome, tr("Open the report"), lambda: QDesktopServices.openUrl(url))

    def _conflicted(self, text: str) -> None:
        def load() -> None:
            self._with_job(OpenJob.reload)

        self.say(Outcome(text, well=False), tr("Load what is on disk"), load)

    def _reloaded(self) -> None:
        if self.opened is not None:
            self._show_job(self.opened)
            self.notice.success(
                tr("The job was changed elsewhere; it is shown as it is on disk now.")
            )

    # --- Qt's side ---

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Recordings, photos and papers, or a job, may be dropped anywhere on the page."""
        if dropped_files(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Take files in; a job's folder or file is opened."""
        event.acceptProposedAction()
        paths, opened = dropped_files(event), self.opened
        jobs = [p for p in paths if p.name == JOB_FILE or (p / JOB_FILE).is_file()]
        if jobs:
            self.open_path(jobs[0])
        elif opened is None:
            self.notice.trouble(tr("Open or make a job first, then drop its files here."))
        else:
            papers = [p for p in paths if p.suffix.lower() == ".txt"]  # may be a log, is a text
            rest = [p for p in paths if p not in papers]
            self.files_dropped.emit(rest, lambda own: self.adding.add(opened, [*papers, *own]))
