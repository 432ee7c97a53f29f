"""The parts of a job, a tab each."""

from __future__ import annotations

from PySide6.QtWidgets import QScrollArea, QTabWidget

from logbench.app.job.files import Adding, PhotosPanel, RecordingsPanel, TimelineView
from logbench.app.job.opened import OpenJob
from logbench.app.job.records import OtherCodes, RecordsPanel
from logbench.app.job.story import StoryPanel, WorkPanel
from logbench.app.services import Services
from logbench.cases.job import Added
from logbench.words import tr

STORY, RECORDS, OTHERS, RECORDINGS, WORK, PHOTOS, TIMELINE = range(7)
TITLES = (
    tr("Story"), tr("Car's records"), tr("Other modules"), tr("Recordings"), tr("Work"),
    tr("Photos"), tr("Timeline"),
)  # fmt: skip


class JobTabs(QTabWidget):
    """Each part shows the job that is open, and is refreshed when it was changed."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self.setAccessibleName(tr("Parts of the job"))
        look = services.look
        self.story, self.work, self.others = StoryPanel(look), WorkPanel(look), OtherCodes()
        self.records = RecordsPanel(services)
        self.adding = Adding(services, self.show_added, self)
        self.recordings, self.photos = RecordingsPanel(self.adding), PhotosPanel(self.adding)
        self.timeline = TimelineView()
        self._parts = (
            self.story, self.records, self.others, self.recordings, self.work, self.photos,
            self.timeline,
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
