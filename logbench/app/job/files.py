"""Recordings with their role, photos and other files, and the timeline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QMargins, Qt, Signal
from PySide6.QtGui import QImage, QPixmap, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from logbench.app.flow import Flow
from logbench.app.job.entries import ROLES, TIME, Column, EntryTable, Tab, role_box, role_of_next
from logbench.app.job.opened import OpenJob
from logbench.app.opening import open_of_job
from logbench.app.parts import lay, named, text_button
from logbench.app.plain import Label, TreeRow, plain_tip
from logbench.app.services import Services
from logbench.app.tables import Tree
from logbench.cases.job import RECORDING, Added, AddFiles, load_timeline, look_at_photo
from logbench.job.comparisons import Sides, missing_sides, sides_by_role
from logbench.job.model import Photo
from logbench.job.timeline import Moment
from logbench.job.times import local_text, short_time
from logbench.system.folders import newest_files
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.job.pictures import Pixels

_PREVIEW_PX = 1600
_ROLE_CHOICES: dict[str, Any] = {word(role): role for role in ROLES}


class Adding:
    """Files that are added to a job: picked, dropped, or the drive that was recorded last."""

    def __init__(
        self, services: Services, added: Callable[[Added], object], parent: QWidget
    ) -> None:
        """`added`: called when all are in the job."""
        self._services, self._added, self._parent = services, added, parent
        self.role = role_box(tr("Role of recordings that are added"))

    def add(self, opened: OpenJob, paths: Sequence[Path]) -> None:
        """Copy files into a job."""
        if paths:
            store, folder = self._services.job_store, opened.folder.path
            role = self.role.currentData()
            opened.do(AddFiles(store, folder, tuple(paths), role), self._added)

    def add_newest(self, opened: OpenJob) -> None:
        """Add the drive that was recorded last."""
        folder = self._services.settings.folder
        if newest := newest_files(folder, RECORDING, 1):
            self.add(opened, newest)
        else:
            opened.trouble(
                tr("{folder} has no recording yet: record on the Live page.", folder=folder)
            )

    def ask_for_recordings(self, opened: OpenJob) -> None:
        """Let the user pick recordings."""
        self._ask(opened, tr("Recordings of this job"), tr("Recordings (*.parquet)"))

    def ask_for_photos(self, opened: OpenJob) -> None:
        """Let the user pick photos and papers."""
        self._ask(opened, tr("Photos and files of this job"), tr("All files (*)"))

    def _ask(self, opened: OpenJob, title: str, kinds: str) -> None:
        start = str(self._services.settings.folder)
        names, _ = QFileDialog.getOpenFileNames(self._parent, title, start, kinds)
        self.add(opened, [Path(name) for name in names])


class RecordingsPanel(Tab):
    """The drives of this job; dropped files and the Add button bring more."""

    review_wanted = Signal(object)
    """Path."""
    compare_wanted = Signal(object, object)
    """Paths before and after."""

    def __init__(self, adding: Adding) -> None:
        super().__init__()
        self._role = adding.role
        self.table = EntryTable(
            tr("Recordings"),
            "recordings",
            (Column("file", tr("File"), fixed=True),
             Column("role", tr("Role"), False, _ROLE_CHOICES), Column("label", tr("Label")),
             Column("sha256", "SHA-256", False, fixed=True, shown=lambda text: text[:12])),
            hint=tr(
                "Enter or a double click on the file opens it in Review. Drop recordings here, or "
                "add them; they are copied into the job's folder."
            ),
        )  # fmt: skip
        self.comparisons = _comparisons()
        self.tables = self.table, self.comparisons
        self.comparisons.opened.connect(self.compare_again)
        self.table.opened.connect(self._open_row)
        newest = text_button(
            tr("Add the newest drive  Ctrl+D"),
            partial(self._with_job, adding.add_newest),
            tr("Add the newest drive of the recordings' folder"),
        )
        add = text_button(
            tr("Add recordings …  Ctrl+B"),
            partial(self._with_job, adding.ask_for_recordings),
            tr("Add recordings to the job"),
        )
        self.review_button = text_button(
            tr("Open in Review  Enter"),
            lambda: self._open_row(self.table.table.currentRow()),
            tr("Open the chosen recording in Review"),
        )
        self.compare_button = text_button(
            tr("Compare before with after  Ctrl+Return"),
            self.compare,
            tr("Put the recordings on the Compare page"),
        )
        row = Flow(QMargins())
        row.add(Label(tr("Add as")), adding.role, newest, add)
        row.add(self.review_button, self.compare_button)
        parts = row, (self.table, 3), (self.comparisons, 2)
        lay(QVBoxLayout(self), *parts, margins=(20, 12, 20, 12))

    def refresh(self) -> None:
        """Rows that others have added, and what can be done with them."""
        super().refresh()
        roles = {entry.role for entry in self.table.entries}
        self.review_button.setEnabled(bool(roles))
        self.compare_button.setEnabled({"before", "after"} <= roles)
        self._role.setCurrentIndex(ROLES.index(role_of_next(roles)))

    def compare(self) -> None:
        """Send the recordings to the Compare page by their role, also where one side lacks."""
        if self._open is not None:
            sides = sides_by_role(self._open.job)
            if any(sides):
                self._send(self._open, sides)
            else:
                self._open.trouble(missing_sides(sides))

    def compare_again(self, row: int) -> None:
        """Send the recordings of a comparison that was kept."""
        if self._open is not None:
            entry = self._open.job.comparisons[row]
            self._send(self._open, (tuple(entry.before), tuple(entry.after)))

    def _send(self, opened: OpenJob, sides: Sides) -> None:
        before, after = ([opened.place(file) for file in side] for side in sides)
        if None not in (*before, *after):
            self.compare_wanted.emit(before, after)

    def _open_row(self, row: int) -> None:
        entries = self.table.entries
        path = self._open.place(entries[max(row, 0)].file) if self._open and entries else None
        if path is not None:
            self.review_wanted.emit(path)


def _names(files: Sequence[str]) -> str:
    """The files without their folder."""
    return ", ".join(Path(file).name for file in files)


def _comparisons() -> EntryTable:
    return EntryTable(
        tr("Comparisons made"),
        "comparisons",
        (
            TIME,
            Column("sentence", tr("What it said"), fixed=True),
            Column("label", tr("Label"), False),
            Column("before", tr("Before"), False, fixed=True, shown=_names),
            Column("after", tr("After"), False, fixed=True, shown=_names),
        ),
        hint=tr(
            "What the Compare page says of recordings of this job is kept here; the report shows "
            "the last. Enter or a double click compares again."
        ),
    )


class Preview(Label):
    """A picture in the room there is."""

    def __init__(self) -> None:
        super().__init__()
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.setMinimumSize(220, 160)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self.setWordWrap(True)
        self._picture = QPixmap()

    def say(self, sentence: str) -> None:
        """Why there is no picture."""
        self._picture = QPixmap()
        self.setText(sentence)

    def show_pixels(self, pixels: Pixels) -> None:
        """This picture."""
        width, height = pixels.width_px, pixels.height_px
        image = QImage(pixels.rgb, width, height, 3 * width, QImage.Format.Format_RGB888)
        self._picture = QPixmap.fromImage(image)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit the picture to the room."""
        super().resizeEvent(event)
        if not self._picture.isNull():
            self._fit()

    def _fit(self) -> None:
        keep = Qt.AspectRatioMode.KeepAspectRatio
        smooth = Qt.TransformationMode.SmoothTransformation
        self.setPixmap(self._picture.scaled(self.size(), keep, smooth))


class PhotosPanel(Tab):
    """Photos with captions and a preview; other files below."""

    def __init__(self, adding: Adding) -> None:
        super().__init__()
        columns = (
            Column("at_utc", tr("Added"), False, fixed=True, shown=short_time),
            Column("file", tr("File"), fixed=True),
            Column("caption", tr("Caption")),
        )
        hint = tr("Drop photos and papers anywhere on this page, or add them.")
        self.photos = EntryTable(tr("Photos"), "photos", columns, hint=hint)
        self.files = EntryTable(tr("Other files"), "files", columns)
        self.files.table.setMinimumHeight(90)
        self.tables = self.photos, self.files
        self.preview = Preview()
        add = text_button(
            tr("Add files …"),
            partial(self._with_job, adding.ask_for_photos),
            tr("Add photos and other files to the job"),
        )
        self.photos.buttons.insertWidget(2, add)
        self.photos.table.currentCellChanged.connect(lambda *_: self._show())
        for table in self.tables:
            table.opened.connect(lambda row, t=table: self._open_file(t.entries[row].file))
        left = lay(QVBoxLayout(), (self.photos, 2), (self.files, 1))
        lay(QHBoxLayout(self), (left, 3), (self.preview, 2), margins=(20, 12, 20, 12))

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        super().show_job(opened)
        if self.photos.entries:
            self.photos.table.setCurrentCell(0, 2)
        self._show()

    def _open_file(self, file: str) -> None:
        path = self._open.place(file) if self._open is not None else None
        if path is not None and self._open is not None:
            sentence = open_of_job(self._open.folder.path, path)
            if sentence:
                self._open.trouble(sentence)

    def _show(self) -> None:
        row, entries = self.photos.table.currentRow(), self.photos.entries
        if self._open is None or not 0 <= row < len(entries):
            self.preview.say(tr("Choose a photo to see it here."))
            return
        photo: Photo = entries[row]
        named(self.preview, photo.caption or tr("Picture"))
        self.preview.say(tr("Opening the picture"))
        look = look_at_photo(self._open.folder, photo.file, _PREVIEW_PX)
        self._open.start(look, self._show_picture, slot="photo")

    def _show_picture(self, found: Pixels | str) -> None:
        if isinstance(found, str):
            self.preview.say(tr("{why} It stays in the job.", why=found))
        else:
            self.preview.show_pixels(found)


class TimelineView(Tree):
    """Everything that has a time, the first on top."""

    def __init__(self) -> None:
        titles = (tr("Time"), tr("What"), tr("Text"), tr("File"))
        super().__init__(titles, tr("Timeline of the job"), wide=(2,), branches=True)
        self.setUniformRowHeights(False)
        self._open: OpenJob | None = None

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        self._open = opened
        self.clear()
        self.refresh()

    def refresh(self) -> None:
        """Gather everything again, while it is looked at."""
        if self._open is not None and self.isVisible():
            load = load_timeline(self._open.folder, self._open.snapshot())
            self._open.start(load, self.show_moments, slot="timeline")

    def showEvent(self, event: QShowEvent) -> None:
        """It was not kept fresh while nobody saw it."""
        super().showEvent(event)
        self.refresh()

    def show_moments(self, moments: Sequence[Moment]) -> None:
        """These moments."""
        self.clear()
        for moment in moments:
            when = local_text(moment.when) if moment.when else tr("not known")
            item = TreeRow([when, word(moment.kind), moment.text, moment.file])
            item.setToolTip(2, plain_tip(moment.text))
            for name, text in moment.facts:
                fact = TreeRow(["", name, text, ""])
                fact.setToolTip(2, plain_tip(text))
                item.addChild(fact)
            self.addTopLevelItem(item)
            item.setExpanded(True)
