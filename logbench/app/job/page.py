"""The Job page: a folder is opened or made, and everything about the repair is kept in it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, QUrl, Signal
from PySide6.QtGui import QAction, QDesktopServices, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.compare.sides import dropped_files
from logbench.app.job import working
from logbench.app.job.car_actions import CarActions
from logbench.app.job.comparing import Comparing
from logbench.app.job.files import PhotosPanel, RecordingsPanel, TimelineView
from logbench.app.job.looking_up import LookUp
from logbench.app.job.new_job import NewJobDialog
from logbench.app.job.opened import OpenJob
from logbench.app.job.records import ROLES, OtherCodes, RecordsPanel
from logbench.app.job.reporting import Reporting
from logbench.app.job.start import StartCard
from logbench.app.job.story import StoryPanel, WorkPanel
from logbench.app.parts import Elided, Notice, middle, text_button
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.job import Records
from logbench.errors import LogbenchError
from logbench.job.folder import JOB_FILE, create_job, open_job
from logbench.words import inside, tr, tr_n

STORY, RECORDS, OTHERS, RECORDINGS, WORK, PHOTOS, TIMELINE = range(7)
_TITLES = (
    tr("Story"), tr("Car's records"), tr("Other modules"), tr("Recordings"), tr("Work"),
    tr("Photos"), tr("Timeline"),
)  # fmt: skip
_OPEN_REPORT = tr("Open the report")


class JobPage(QWidget):
    """One repair at a time."""

    review_wanted = Signal(object)
    """Path of a recording."""
    files_dropped = Signal(object, object)
    """Files (a list of paths), and what takes them once other programs' are recordings."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        self.opened: OpenJob | None = None
        self.notice = Notice(self)
        self.notice.pressed.connect(self._notice_pressed)
        self.story, self.work, self.others = StoryPanel(), WorkPanel(), OtherCodes()
        self.records = RecordsPanel(services.settings, services.look.theme)
        self.recordings, self.photos, self.timeline = (
            RecordingsPanel(),
            PhotosPanel(),
            TimelineView(),
        )
        self.car = CarActions(services, self.records.link.url, self)
        self.reporting = Reporting(services, self)
        self.lookup = LookUp(services.settings, self)
        self.comparing = Comparing(lambda: self.opened, self)
        self.ask: Callable[[NewJobDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""
        self._report: Path | None = None
        self._seen_readings: tuple[str, ...] = ()
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
        bar.addWidget(self.state)
        for text, run in (
            (tr("Open …  Ctrl+Shift+O"), self.ask_for_job),
            (tr("New …  Ctrl+N"), self.ask_for_new),
            (tr("Report …  Ctrl+P"), self.ask_for_report),
        ):
            bar.addWidget(text_button(text, run))
        self.tabs = QTabWidget()
        self.tabs.setAccessibleName(tr("Parts of the job"))
        panels = (self.story, self.records, self.others, self.recordings, self.work, self.photos)
        for title, panel in zip(_TITLES, (*panels, self.timeline), strict=True):
            area = QScrollArea()
            area.setWidgetResizable(True)
            area.setFrameShape(QScrollArea.Shape.NoFrame)
            area.setWidget(panel)
            self.tabs.addTab(area, title)
        body = QWidget()
        inner = QVBoxLayout(body)
        inner.setContentsMargins(0, 0, 0, 0)
        inner.addLayout(bar)
        inner.addWidget(self.tabs, 1)
        self._pages = QStackedWidget()
        self.empty = StartCard(self._last())
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(body)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._working())
        layout.addWidget(self._pages, 1)

    def _working(self) -> QWidget:
        self.doing = QLabel()
        self.cancel_button = text_button(tr("Cancel  Ctrl+."), self.cancel)
        self._work_bar = QWidget()
        row = QHBoxLayout(self._work_bar)
        row.setContentsMargins(20, 4, 20, 4)
        row.addWidget(self.doing, 1)
        row.addWidget(self.cancel_button)
        self._work_bar.hide()
        return self._work_bar

    def _connect(self) -> None:
        self._services.look.changed.connect(self._set_theme)
        for part in (self.records, self.story):
            part.set_units(self._services.look.units)
            self._services.look.units_changed.connect(part.set_units)
        self.empty.pressed.connect(self.ask_for_new)
        self.empty.open_wanted.connect(self.ask_for_job)
        self.empty.last_wanted.connect(self.open_last)
        records, car, report = self.records, self.car, self.reporting
        records.read_wanted.connect(self._read)
        records.clear_wanted.connect(lambda: self._with_job(car.clear))
        records.evap_wanted.connect(lambda: self._with_job(car.leak_test))
        records.lookup_wanted.connect(self.look_up)
        car.began.connect(self._began)
        car.told.connect(self.doing.setText)
        car.ended.connect(self._ended)
        report.began.connect(lambda: self._began(tr("Writing the report")))
        report.ended.connect(self._ended)
        report.written.connect(self._written)
        records.search_page_wanted.connect(self.lookup.set_page)
        for source in (car, report, self.lookup, self.comparing):
            source.failed.connect(self.notice.trouble)
        car.done.connect(self.notice.success)
        self.recordings.add_wanted.connect(self.ask_for_recordings)
        self.recordings.newest_wanted.connect(self.add_newest)
        self.recordings.review_wanted.connect(self._review)
        self.recordings.compare_wanted.connect(self.comparing.send)
        self.recordings.compare_again_wanted.connect(self.comparing.send_again)
        self.photos.add_wanted.connect(self.ask_for_photos)
        self.photos.open_wanted.connect(self._open_file)
        self.tabs.currentChanged.connect(lambda _: self._refresh_timeline())

    def _add_commands(self) -> None:
        for title, keys, run in (
            (tr("Open a job"), "Ctrl+Shift+O", self.ask_for_job),
            (tr("Make a new job"), "Ctrl+N", self.ask_for_new),
            (tr("Read the car"), "Ctrl+Shift+R", self.records.read_button.click),
            (tr("Clear the codes"), "Ctrl+Shift+Del", self.records.clear_button.click),
            (tr("Add the newest drive to the job"), "Ctrl+D", self.add_newest),
            (tr("Add recordings to the job"), "Ctrl+B", self.ask_for_recordings),
            (tr("Add photos and files to the job"), "Ctrl+Shift+B", self.ask_for_photos),
            (tr("Compare before with after"), "Ctrl+Return", self.comparing.send),
            (tr("Set the search page for codes"), "Ctrl+Shift+L", self.lookup.set_page),
            (tr("Write the report"), "Ctrl+P", self.ask_for_report),
            (tr("Save the job now"), "Ctrl+S", self._save_now),
            (tr("Cancel what the job is doing"), "Ctrl+.", self.cancel),
        ):
            add_command(self, title, keys, run)
        for number, title in enumerate(_TITLES):
            show = partial(self.show_part, number)
            add_command(self, tr("Show {part}", part=inside(title)), f"Alt+{number + 1}", show)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return self.actions()

    # --- opening ---

    def open_path(self, path: Path) -> bool:
        """Open the job of a folder, or of its job file; False with the reason in the notice."""
        try:
            folder, job = open_job(path)
        except LogbenchError as error:
            self.notice.trouble(str(error))
            return False
        self.leave()
        self.opened = OpenJob(folder, job, self)
        self.opened.edited.connect(self._edited)
        self.opened.saved.connect(lambda: self.state.setText(tr("saved")))
        self.opened.loaded.connect(self._reloaded)
        self.opened.troubled.connect(self.notice.trouble)
        self.opened.conflicted.connect(self._conflicted)
        self._services.settings.last_job = folder.path.resolve()
        self._show_job()
        self._pages.setCurrentIndex(1)
        self.state.setText(tr("saved"))
        return True

    def new_job(self, parent: Path, title: str) -> bool:
        """Make a job's folder in `parent` and open it."""
        try:
            parent.mkdir(parents=True, exist_ok=True)
            folder, _ = create_job(parent, title)
        except OSError as error:
            self.notice.trouble(
                tr(
                    "No folder can be made in {parent}: {reason}.",
                    parent=parent,
                    reason=error.strerror,
                )
            )
            return False
        except LogbenchError as error:
            self.notice.trouble(str(error))
            return False
        return self.open_path(folder.path)

    def leave(self) -> None:
        """Save the job and let go of it."""
        if self.opened is not None:
            self.opened.close()
            self.opened.deleteLater()
            self.opened = None

    def finish(self) -> None:
        """The window closes, its threads have ended: nothing that was read or done is lost."""
        if self.opened is not None:
            self.opened.blockSignals(True)  # nothing is shown any more, and no thread is left
        self.car.settle()
        self.leave()

    def ask_for_job(self) -> None:
        """Let the user pick a job file."""
        name, _ = QFileDialog.getOpenFileName(
            self, tr("Open a job"), str(self._jobs_folder()), tr("Jobs ({file})", file=JOB_FILE)
        )
        if name:
            self.open_path(Path(name))

    def ask_for_new(self) -> None:
        """Ask for a title and a place."""
        dialog = NewJobDialog(self._jobs_folder(), self)
        if self.ask(dialog):
            self.new_job(*dialog.chosen)

    def open_last(self) -> None:
        """Open the job that was open last."""
        last = self._last()
        if last is not None:
            self.open_path(last)

    # --- doing ---

    def show_part(self, number: int) -> None:
        """Bring a part to the front, its first field ready."""
        self.tabs.setCurrentIndex(number)
        self.tabs.currentWidget().setFocus()
        self.tabs.currentWidget().focusNextChild()

    def add_files(self, paths: Sequence[Path]) -> None:
        """Copy files into the job, off the main thread."""
        opened = self.opened
        if opened is None or not paths:
            return
        role = ROLES[max(self.recordings.role.currentIndex(), 0)]
        self._began(tr("Taking files in"))
        self._services.jobs.start(
            lambda task: working.add_files(opened.folder, paths, role, task),
            partial(self._added, opened),
            self._failed,
            lambda text, _: self.doing.setText(text),
        )

    def ask_for_recordings(self) -> None:
        """Let the user pick recordings."""
        self._ask_for_files(tr("Recordings of this job"), tr("Recordings (*.parquet)"))

    def add_newest(self) -> None:
        """Take in the drive that was recorded last."""
        folder = self._services.settings.folder
        newest = working.newest_recording(folder)
        if newest is None:
            self.notice.trouble(
                tr("There is no recording in {folder} yet: record on the Live page.", folder=folder)
            )
        else:
            self.add_files([newest])

    def ask_for_photos(self) -> None:
        """Let the user pick photos and papers."""
        self._ask_for_files(tr("Photos and files of this job"), tr("All files (*)"))

    def ask_for_report(self) -> None:
        """Options, sentences, then the report."""
        if self.opened is not None and self.opened.flush():
            self.reporting.ask(self.opened)

    def choose_for_compare(self) -> None:
        """Put the sides of the open job on the Compare page; ask for a job where none is open."""
        if self.opened is None:
            self.ask_for_job()
        self.comparing.send()

    def look_up(self, code: str) -> None:
        """Open the user's own browser on a code: code, year and make only."""
        if self.opened is not None:
            self.lookup.look_up(code, self.opened.job.vehicle)

    def cancel(self) -> None:
        """Stop reading the car."""
        self.car.cancel()

    # --- inside ---

    def _show_job(self) -> None:
        assert self.opened is not None
        for panel in (self.story, self.work, self.others, self.recordings, self.photos):
            panel.show_job(self.opened)
        self.records.show_job(self.opened)
        self._seen_readings = ()
        self._edited()

    def _edited(self) -> None:
        if self.opened is None:
            return
        job = self.opened.job
        self.title.tell(job.title or self.opened.folder.path.name)
        self.state.setText(tr("saving …"))
        self.recordings.refresh(self.opened)
        self.photos.refresh()
        self.story.refresh()
        self.others.refresh(self.opened)
        readings = tuple(f"{entry.file} {entry.role}" for entry in job.readings)
        if readings != self._seen_readings or not readings:
            self._seen_readings = readings
            self._load_records(self.opened)
        self._refresh_timeline()

    def _load_records(self, opened: OpenJob) -> None:
        job = opened.job.model_copy(deep=True)
        self.records.show_job(opened)

        def show(records: Records) -> None:
            if opened is self.opened:
                self.records.show_records(records)

        self._services.jobs.start(
            lambda task: working.load_records(opened.folder, job, task), show, self.notice.trouble
        )

    def _refresh_timeline(self) -> None:
        if self.opened is None or self.tabs.currentIndex() != TIMELINE:
            return
        folder, job = self.opened.folder, self.opened.job.model_copy(deep=True)
        self._services.jobs.start(
            lambda task: working.load_timeline(folder, job, task),
            self.timeline.show_moments,
            self.notice.trouble,
        )

    def _read(self, text: str) -> None:
        role = next(role for role in ROLES if role == text)
        self._with_job(lambda opened: self.car.read(opened, role))

    def _with_job(self, run: Callable[[OpenJob], None]) -> None:
        if self.opened is not None:
            run(self.opened)

    def _added(self, opened: OpenJob, added: working.Added) -> None:
        self._ended()
        opened.bring(added.scratch)
        new = added.scratch
        count = len(new.recordings) + len(new.photos) + len(new.files)
        text = tr_n("{n} file taken into the job.", "{n} files taken into the job.", count)
        if added.problems:
            self.notice.trouble(" ".join((text, *added.problems)))
        else:
            self.notice.success(text)
            self.tabs.setCurrentIndex(RECORDINGS if new.recordings else PHOTOS)

    def _began(self, text: str, can_cancel: bool = False) -> None:
        self.notice.hide()
        self.doing.setText(text)
        self.records.busy(True)
        self.cancel_button.setEnabled(self.car.busy or can_cancel)
        self.cancel_button.setVisible(not self.car.changing)
        self._work_bar.show()

    def _ended(self) -> None:
        self._work_bar.hide()
        self.records.busy(False)

    def _failed(self, sentence: str) -> None:
        self._ended()
        self.notice.trouble(sentence)

    def _written(self, path: Path, problems: tuple[str, ...]) -> None:
        self._report = path
        text = tr("Report written: {path}.", path=path)
        if problems:
            self.notice.trouble(" ".join((text, *problems)), _OPEN_REPORT)
        else:
            self.notice.success(text, _OPEN_REPORT)

    def _conflicted(self, text: str) -> None:
        self._report = None
        self.notice.trouble(text, tr("Load what is on disk"))

    def _notice_pressed(self) -> None:
        if self._report is None and self.opened is not None:
            self.opened.reload()
            self.notice.hide()
        elif self._report is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(self._report)))

    def _reloaded(self) -> None:
        self._show_job()
        self.state.setText(tr("saved"))
        self.notice.success(tr("The job was changed elsewhere; it is shown as it is on disk now."))

    def _save_now(self) -> None:
        if self.opened is not None:
            self.opened.flush()

    def _review(self, file: str) -> None:
        self._place(file, self.review_wanted.emit)

    def _open_file(self, file: str) -> None:
        self._place(file, lambda p: QDesktopServices.openUrl(QUrl.fromLocalFile(str(p))))

    def _place(self, file: str, run: Callable[[Path], object]) -> None:
        if self.opened is None:
            return
        try:
            path = self.opened.folder.place(file)
        except LogbenchError as error:
            self.notice.trouble(str(error))
            return
        run(path)

    def _ask_for_files(self, title: str, kinds: str) -> None:
        if self.opened is not None:
            start = str(self._services.settings.folder)
            names, _ = QFileDialog.getOpenFileNames(self, title, start, kinds)
            self.add_files([Path(name) for name in names])

    def _jobs_folder(self) -> Path:
        last = self._last()
        return last.parent if last is not None else self._services.settings.folder / "jobs"

    def _last(self) -> Path | None:
        path = self._services.settings.last_job
        return path if path is not None and (path / JOB_FILE).is_file() else None

    def _set_theme(self, theme: Theme) -> None:
        self.records.tree.set_theme(theme)

    # --- Qt's side ---

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Recordings, photos and papers, or a job, may be dropped anywhere on the page."""
        if dropped_files(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Take files in; a job's folder or file is opened."""
        event.acceptProposedAction()
        paths = dropped_files(event)
        jobs = [p for p in paths if p.name == JOB_FILE or (p / JOB_FILE).is_file()]
        if jobs:
            self.open_path(jobs[0])
        elif self.opened is None:
            self.notice.trouble(tr("Open or make a job first, then drop its files here."))
        else:
            papers = [p for p in paths if p.suffix.lower() == ".txt"]  # may be a log, is a text
            rest = [p for p in paths if p not in papers]
            self.files_dropped.emit(rest, lambda own: self.add_files([*papers, *own]))
