"""What explains the job: its drives before the repair, what the car had stored, what the customer
complains of, and the hand tests."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from logbench.analysis.causes.catalog import SYMPTOMS
from logbench.analysis.causes.hand_tests import Done
from logbench.analysis.causes.model import Observation
from logbench.app.causes.panel import CausesPanel
from logbench.app.job.entries import Tab
from logbench.app.job.opened import OpenJob
from logbench.app.parts import lay, muted, named
from logbench.app.plain import ListRow
from logbench.app.services import Services
from logbench.app.tables import splitter
from logbench.cases.causes import (
    Explained,
    add_test,
    as_entry,
    done_in,
    explain_job,
    remove_test,
)
from logbench.cases.exercise import commit, play_in
from logbench.errors import LogbenchError
from logbench.foreign import raw
from logbench.job.comparisons import drives_before
from logbench.job.model import Job
from logbench.words import shown, tr

_KEY = Qt.ItemDataRole.UserRole


class CausesTab(Tab):
    """Weighed when it is shown, and anew when the job's drives, readings or complaints change;
    outcomes are edits of the job like any other."""

    finding_wanted = Signal(object, object)
    """Path of a drive, and the `Finding` whose evidence is to be shown there."""
    records_wanted = Signal()
    """What the car had stored is to be shown."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._weighed_as: object = None
        self._explained: Explained | None = None
        self.symptoms = named(QListWidget(), tr("What the customer complains of"))
        self.symptoms.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        for key, words in SYMPTOMS.items():
            row = ListRow(shown(words))
            row.setData(_KEY, key)
            self.symptoms.addItem(row)
        self.symptoms.itemChanged.connect(self._complained)
        self.panel = CausesPanel(services.look)
        self.panel.opened.connect(self._open_source)
        self.panel.entered.connect(self._enter)
        self.panel.withdrawn.connect(self._take_back)
        self.panel.committed.connect(self._commit)
        left = QWidget()
        head = muted(tr("What the customer complains of"))
        lay(QVBoxLayout(left), head, (self.symptoms, 1), margins=(0, 6, 8, 0))
        split = splitter(Qt.Orientation.Horizontal, {left: 260, self.panel: 900})
        split.setStretchFactor(1, 1)
        lay(QVBoxLayout(self), (split, 1), margins=(20, 6, 20, 12))

    def show_job(self, opened: OpenJob) -> None:
        """Another job, or another state of it."""
        if opened is not self._open:
            self._weighed_as = self._explained = None
        super().show_job(opened)

    def refresh(self) -> None:
        """Complaints and outcomes as they are; weighed anew where that is due."""
        super().refresh()
        if self._open is None:
            return
        job = self._open.job
        self.symptoms.blockSignals(True)
        for row in range(self.symptoms.count()):
            item = self.symptoms.item(row)
            has = item.data(_KEY) in job.symptoms
            item.setCheckState(Qt.CheckState.Checked if has else Qt.CheckState.Unchecked)
        self.symptoms.blockSignals(False)
        if self.isVisible() and self._weighed_as != _weighed_by(job):
            self._weigh(self._open)
        elif self._explained is not None:
            self._show(self._explained)

    def showEvent(self, event: QShowEvent) -> None:
        """It is weighed when somebody looks."""
        super().showEvent(event)
        self.refresh()

    def _weigh(self, opened: OpenJob) -> None:
        self._weighed_as = _weighed_by(opened.job)
        if self._explained is None:
            self.panel.show_causes(None, state=tr("Weighing the causes …"))
        opened.start(explain_job(opened.folder, opened.snapshot()), self._show, "causes")

    def _show(self, explained: Explained) -> None:
        self._explained = explained
        if self._open is not None:
            job = self._open.job
            causes, engine = explained.causes, explained.engine
            self.panel.show_causes(causes, engine, done_in(job), play=play_in(job))

    # --- what is edited ---

    def _complained(self, item: QListWidgetItem) -> None:
        chosen, key = item.checkState() == Qt.CheckState.Checked, str(item.data(_KEY))

        def change(job: Job) -> None:
            others = [raw(symptom) for symptom in job.symptoms if symptom != key]
            job.symptoms = [*others, key] if chosen else others

        self._with_job(lambda opened: opened.edit(change, self.symptoms.accessibleName()))

    def _enter(self, done: Done) -> None:
        self._edit(lambda job: add_test(job, as_entry(done)), tr("Outcome of a test"))

    def _take_back(self, place: int) -> None:
        done = done_in(self._open.job)[place] if self._open is not None else None
        if done is not None:
            self._edit(lambda job: remove_test(job, done), tr("Take an outcome back"))

    def _commit(self, causes: tuple[str, ...]) -> None:
        self._edit(lambda job: commit(job, causes), tr("Commitment to a cause"))

    def _open_source(self, observation: Observation) -> None:
        """Show where it comes from."""
        kind, _, key = observation.key.partition("|")
        explained, place = self._explained, observation.finding
        if explained is not None and place is not None and place < len(explained.files):
            path = self._open.place(explained.files[place]) if self._open else None
            if path is not None:
                self.finding_wanted.emit(path, explained.findings[place])
        elif kind in ("code", "monitor"):
            self.records_wanted.emit()
        elif kind == "symptom":
            self.symptoms.setCurrentRow(list(SYMPTOMS).index(key))
        elif kind == "test":
            self.panel.show_done()

    def _edit(self, change: Callable[[Job], object], title: str) -> None:
        if self._open is None:
            return
        try:
            self._open.edit(change, title)
        except LogbenchError as error:
            self._open.trouble(str(error))


def _weighed_by(job: Job) -> object:
    """What of a job is weighed, to be held against what was."""
    drives = tuple(raw(one.file) for one in drives_before(job.recordings))
    readings = tuple((raw(one.file), one.role) for one in job.readings)
    return drives, readings, tuple(map(raw, job.symptoms))
