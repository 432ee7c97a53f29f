"""The Job page: a folder is opened or made, and everything about the repair is kept in it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import QMargins, Qt, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QHBoxLayout,
    QScrollArea,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.details import ask_same_car
from logbench.app.flow import Flow
from logbench.app.job.causes import CausesTab
from logbench.app.job.exercise import Exercises
from logbench.app.job.files import Adding, PhotosPanel, RecordingsPanel, TimelineView
from logbench.app.job.forgetting import Forgetting
from logbench.app.job.opened import OpenJob
from logbench.app.job.opening import Opening, StartCard
from logbench.app.job.records import OtherCodes, RecordsPanel
from logbench.app.job.reporting import ExportDialog, ReportDialog, Reporting
from logbench.app.job.story import StoryPanel, WorkPanel
from logbench.app.long_work import WorkRow
from logbench.app.notice import Notice, Remedy
from logbench.app.parts import Drops, Elided, lay, middle, muted, styled, text_button
from logbench.app.services import Services
from logbench.cases.cars import RememberCar
from logbench.cases.job import Added, JobCase
from logbench.cases.runner import Runner, Running
from logbench.cases.work import Outcome
from logbench.errors import AnotherCarError, LogbenchError
from logbench.foreign import in_label
from logbench.job.folder import JOB_FILE
from logbench.words import inside, tr

STORY, RECORDS, OTHERS, RECORDINGS, WORK, PHOTOS, TIMELINE, CAUSES = range(8)
TITLES = (
    tr("Story"), tr("Car's records"), tr("Other modules"), tr("Recordings"), tr("Work"),
    tr("Photos"), tr("Timeline"), tr("Causes"),
)  # fmt: skip


_BAR_PX = 100
"""It stands beside the title."""
_TITLE_PX = 240
"""The buttons take a second row before less of the title is seen."""


class JobTabs(QTabWidget):
    """The parts of a job, a tab each: each shows the job that is open, and is refreshed when it was
    changed."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self.setAccessibleName(tr("Parts of the job"))
        look = services.look
        self.story, self.work, self.others = StoryPanel(look), WorkPanel(look), OtherCodes()
        self.records = RecordsPanel(services)
        self.adding = Adding(services, self.show_added, self)
        self.recordings, self.photos = RecordingsPanel(self.adding), PhotosPanel(self.adding)
        self.timeline = TimelineView()
        self.causes = CausesTab(services)
        self.causes.records_wanted.connect(lambda: self.show_part(RECORDS))
        self._parts = (
            self.story, self.records, self.others, self.recordings, self.work, self.photos,
            self.timeline, self.causes,
        )  # fmt: skip
        for title, part in zip(TITLES, self._parts, strict=True):
            area = QScrollArea()
            area.setWidgetResizable(True)
            area.setFrameShape(QScrollArea.Shape.NoFrame)
            area.setWidget(part)
            self.addTab(area, title)

    def show_job(self, opened: OpenJob) -> None:
        """Show another job, or another state of it."""
        for part in self._parts:
            part.show_job(opened)

    def refresh(self) -> None:
        """The job was changed, here or by what was done for it."""
        for part in self._parts:
            part.refresh()

    def show_added(self, added: Added) -> None:
        """Bring the part to the front that has the new files; where some failed, all stays."""
        if not added.problems:
            self.setCurrentIndex(RECORDINGS if added.recordings else PHOTOS)

    def show_part(self, number: int) -> None:
        """Bring a part to the front, its first field ready."""
        self.setCurrentIndex(number)
        self.currentWidget().setFocus()
        self.currentWidget().focusNextChild()


class WorkBar(WorkRow):
    """What is being done for jobs, whichever is open."""

    def __init__(self, runner: Runner) -> None:
        super().__init__()
        self._runner = runner
        self.bar.setFixedWidth(_BAR_PX)
        self.refresh()
        runner.changed.append(self.refresh)

    @property
    def shown(self) -> Running | None:
        """The case that is shown: one that can be canceled before others."""
        cases = [r for r in self._runner.running if isinstance(r.case, JobCase) and r.case.title]
        return max(cases, key=lambda r: r.case.canceling == "drop", default=None)

    def refresh(self) -> None:
        """Show what is done now; of another job than the one that is open with its title."""
        running = self.shown
        self.setVisible(running is not None)
        if running is not None:
            name = f"{in_label(running.owner.name)}: " if running.owner.closed else ""
            self.report(f"{name}{running.said}", running.share)
            self.bar.setVisible(running.share > 0.0)
            self.cancel_button.setVisible(running.case.canceling == "drop")


class JobPage(QWidget):
    """One repair at a time; what is done for one goes on when another is opened."""

    files_dropped = Signal(object, object)
    """Files (a list of paths), and what takes them once other programs' are recordings."""

    job_shown = Signal(object)
    """Another job is open, or it was edited: its `HeldJob`; None where none is."""

    link_wanted = Signal(str)
    """The way to a car that is to be recorded."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        self.opened: OpenJob | None = None
        self.notice = Notice(services.messages)
        self.same_car = ask_same_car
        """Asks whether it is; tests put their own answer here."""
        self.tabs = JobTabs(services)
        self.work_bar = WorkBar(services.runner)
        self.work_bar.stopped.connect(self.notice.passing)
        settings = services.settings
        self.opening = Opening(settings, self.open_path, self.notice.trouble, self)
        self.reporting = Reporting(settings, self.say, self)
        owner = services.runner.owner()
        folder = partial(getattr, self.opening, "folder")
        self.exercises = Exercises(owner, self.notice, folder, self._begun, self)
        self.forgetting = Forgetting(settings, owner, self.notice, self._close_job, self)
        Drops(self, self._dropped)
        self._lay_out()
        self._add_commands()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _lay_out(self) -> None:
        self.title = styled(Elided(), "title")
        self.title.setMinimumWidth(_TITLE_PX)
        self.state = muted(wrap=False)
        buttons = [
            text_button(text, run)
            for text, run in (
                (tr("Open …  Ctrl+Shift+O"), self.opening.ask_for_job),
                (tr("New …  Ctrl+N"), self.opening.ask_for_new),
                (tr("Exercise …  F6"), self.exercises.ask_for_one),
                (tr("Report …  Ctrl+P"), self.ask_for_report),
                (tr("Export …  Ctrl+E"), self.ask_for_export),
                (tr("Delete …  Ctrl+Shift+K"), self._ask_to_forget),
            )
        ]
        heads = (self.title, 1), (self.work_bar, 1), self.state
        row = Flow(QMargins())
        row.add(*buttons)
        bar = lay(QHBoxLayout(), *heads, row, margins=(20, 6, 20, 0))
        body = QWidget()
        lay(QVBoxLayout(body), bar, (self.tabs, 1), margins=(0, 0, 0, 0))
        self._pages = QStackedWidget()
        self.empty = StartCard(self.opening, self.exercises.ask_for_one)
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(body)
        lay(QVBoxLayout(self), (self._pages, 1), margins=(0, 0, 0, 0), spacing=0)

    def _add_commands(self) -> None:
        tabs, opening, with_job = self.tabs, self.opening, self._with_job
        records, adding = tabs.records, tabs.adding
        newest = partial(with_job, adding.add_newest)
        recordings = partial(with_job, adding.ask_for_recordings)
        photos = partial(with_job, adding.ask_for_photos)
        undo = partial(with_job, OpenJob.undo)
        redo = partial(with_job, partial(OpenJob.undo, redo=True))
        for title, keys, run in (
            (tr("Open a job"), "Ctrl+Shift+O", opening.ask_for_job),
            (tr("Make a new job"), "Ctrl+N", opening.ask_for_new),
            (tr("Begin an exercise"), "F6", self.exercises.ask_for_one),
            (tr("Read the car"), "Ctrl+Shift+R", records.read_button.click),
            (tr("Clear the codes"), "Ctrl+Shift+Del", records.clear_button.click),
            (tr("Add the newest drive to the job"), "Ctrl+D", newest),
            (tr("Add recordings to the job"), "Ctrl+B", recordings),
            (tr("Add photos and files to the job"), "Ctrl+Shift+B", photos),
            (tr("Compare before with after"), "Ctrl+Return", tabs.recordings.compare),
            (tr("Set the search page for codes"), "Ctrl+Shift+L", records.lookup.set_page),
            (tr("Write the report"), "Ctrl+P", self.ask_for_report),
            (tr("Export the job for third parties"), "Ctrl+E", self.ask_for_export),
            (tr("Delete the customer's data"), "Ctrl+Shift+K", self._ask_to_forget),
            (tr("Save the job now"), "Ctrl+S", partial(with_job, OpenJob.flush)),
            (tr("Undo the change of the job"), "Ctrl+Z", undo),
            (tr("Redo the change of the job"), ["Ctrl+Shift+Z", "Ctrl+Y"], redo),
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
        opened.removed.connect(self._offer_undo)
        opened.conflicted.connect(self._conflicted)
        opened.started.connect(self.notice.hide)
        opened.asked.connect(self._ask_same_car)
        opened.ended.connect(self.say)
        self._services.settings.last_job = opened.folder.path.resolve()
        self._show_job(opened)
        self._pages.setCurrentIndex(1)
        car, folder = opened.snapshot().vehicle, str(opened.folder.path.resolve())
        if not opened.job.exercise:  # its car is none that comes again
            opened.owner.start(RememberCar(car=car, job=folder))
        opened.verify()
        opened.edited.connect(lambda: self.job_shown.emit(opened.held))
        self.job_shown.emit(opened.held)
        return True

    def leave(self) -> None:
        """Save the job and let go of it."""
        if self.opened is not None:
            self.opened.close()
            self.opened.deleteLater()
            self.opened = None
            self.job_shown.emit(None)

    def _begun(self, folder: Path, link: str) -> None:
        """An exercise is ready; with a link it is driven by the person."""
        if self.open_path(folder):
            self.tabs.show_part(CAUSES)
            if link:
                self.link_wanted.emit(link)

    def _close_job(self) -> None:
        self.leave()
        self._pages.setCurrentIndex(0)

    def ask_for_report(self) -> None:
        """Options, sentences, then the report."""
        self._ask_for(ReportDialog)

    def ask_for_export(self) -> None:
        """The same for the file that third parties get."""
        self._ask_for(ExportDialog)

    def _ask_for(self, kind: type[ReportDialog]) -> None:
        if self.opened is not None and self.opened.flush():
            self.reporting.ask(self.opened, kind)

    def _ask_to_forget(self) -> None:
        self._with_job(self.forgetting.ask)

    def choose_for_compare(self) -> None:
        """Put the recordings of the open job on the Compare page; ask for a job where none is."""
        if self.opened is None:
            self.opening.ask_for_job()
        self.tabs.recordings.compare()

    def say(self, outcome: Outcome, button: str = "", run: Remedy = None) -> None:
        """Show how something went; where this page is not shown, with the job's name."""
        if self.opened is not None and not self.isVisible():
            outcome = self.opened.owner.named(outcome)
        self.notice.say(outcome, button, run)

    # --- inside ---

    def _ask_same_car(self, error: AnotherCarError, answer: Callable[[bool], object]) -> None:
        answer(self.same_car(self, str(error)))

    def _with_job(self, run: Callable[[OpenJob], object]) -> None:
        if self.opened is not None:
            run(self.opened)

    def _show_job(self, opened: OpenJob) -> None:
        self.tabs.show_job(opened)
        self._show_head()

    def _show_head(self) -> None:
        if self.opened is not None:
            self.title.tell(self.opened.title)
            self.state.setText(tr("saving …") if self.opened.held.dirty else tr("saved"))

    def _conflicted(self, text: str) -> None:
        load = partial(self._with_job, OpenJob.reload)
        self.say(Outcome(text, well=False), tr("Load what is on disk"), load)

    def _reloaded(self, sentence: str) -> None:
        if self.opened is not None:
            self._show_job(self.opened)
            self.notice.success(sentence)

    def _offer_undo(self, title: str) -> None:
        undo = partial(self._with_job, OpenJob.undo)
        said = tr("Removed from {list}.", list=inside(title))
        self.say(Outcome(said), tr("Undo  Ctrl+Z"), undo)

    # --- Qt's side ---

    def _dropped(self, paths: list[Path]) -> None:
        """Take files in; a job's folder or file is opened."""
        opened = self.opened
        jobs = [p for p in paths if p.name == JOB_FILE or (p / JOB_FILE).is_file()]
        if jobs:
            self.open_path(jobs[0])
        elif opened is None:
            self.notice.trouble(tr("Open or make a job first, then drop its files here."))
        else:
            papers = [p for p in paths if p.suffix.lower() == ".txt"]  # may be a log, is a text
            rest = [p for p in paths if p not in papers]
            self.files_dropped.emit(rest, lambda own: self.tabs.adding.add(opened, [*papers, *own]))
