"""Which job is open: picked, made, or the last one; and what is shown while none is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Answers, Dialog, EmptyState, Form, lay, muted, named, text_button
from logbench.cases.settings import Settings
from logbench.errors import LogbenchError
from logbench.foreign import MOST_LINE
from logbench.job.folder import JOB_FILE, create_job
from logbench.job.names import safe_name
from logbench.recording.storage import storage_trouble
from logbench.system.private import make_folder
from logbench.words import tr


class NewJobDialog(Dialog):
    """Shows the folder that will be made; works by keyboard alone."""

    def __init__(self, parent_folder: Path, parent: QWidget) -> None:
        super().__init__(tr("New job"), parent, 560)
        example = tr("For example the car and its complaint")
        title = QLineEdit(maxLength=MOST_LINE, placeholderText=example)
        self.title = named(title, tr("Title of the job"))
        self.place = named(QLineEdit(str(parent_folder)), tr("Where the job's folder goes"))
        choose = text_button(tr("Choose …"), self._choose, tr("Choose where the job's folder goes"))
        choose.setAutoDefault(False)
        form = Form()
        form.add(tr("Title"), self.title)
        form.add(tr("In"), lay(QHBoxLayout(), (self.place, 1), choose, spacing=8))
        self.said = muted()
        buttons = Answers(self, tr("Make the job"), tr("Cancel"))
        self.go = buttons.go
        lay(QVBoxLayout(self), form, self.said, buttons, margins=(24, 20, 24, 20), spacing=12)
        for edit in (self.title, self.place):
            edit.textChanged.connect(self._judge)
        self.title.setFocus()
        self._judge()

    @property
    def chosen(self) -> tuple[Path, str]:
        """The folder to make it in, and the title."""
        return Path(self.place.text().strip()).expanduser(), self.title.text().strip()

    def _choose(self) -> None:
        start = str(self.chosen[0])
        place = QFileDialog.getExistingDirectory(self, tr("Where the job's folder goes"), start)
        if place:
            self.place.setText(place)

    def _judge(self) -> None:
        place, title = self.chosen
        ready = bool(title) and bool(self.place.text().strip()) and place.is_absolute()
        self.go.setEnabled(ready)
        self.said.setText(
            tr("Folder: {place}", place=place / safe_name(title, "job")) if ready else ""
        )


class Opening:
    """Asks, makes folders, and remembers. `chosen`: opens a job; `failed`: shows a sentence."""

    def __init__(
        self,
        settings: Settings,
        chosen: Callable[[Path], object],
        failed: Callable[[str], object],
        parent: QWidget,
    ) -> None:
        self._settings, self._parent = settings, parent
        self._chosen, self._failed = chosen, failed
        self.ask: Callable[[NewJobDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""

    @property
    def last(self) -> Path | None:
        """The folder of the job that was open last, where it still is one."""
        path = self._settings.last_job
        return path if path is not None and (path / JOB_FILE).is_file() else None

    def ask_for_job(self) -> None:
        """Let the user pick a job file."""
        kinds = tr("Jobs ({file})", file=JOB_FILE)
        name, _ = QFileDialog.getOpenFileName(
            self._parent, tr("Open a job"), str(self.folder), kinds
        )
        if name:
            self._chosen(Path(name))

    def ask_for_new(self) -> None:
        """Ask for a title and a place."""
        dialog = NewJobDialog(self.folder, self._parent)
        if self.ask(dialog):
            self.make(*dialog.chosen)

    def open_last(self) -> None:
        """Open the job that was open last."""
        if self.last is not None:
            self._chosen(self.last)

    def make(self, parent: Path, title: str) -> None:
        """Make a job's folder in `parent` and open it."""
        try:
            with storage_trouble(parent):
                make_folder(parent)
            folder, _ = create_job(parent, title)
        except LogbenchError as error:
            self._failed(str(error))
            return
        self._chosen(folder.path)

    @property
    def folder(self) -> Path:
        """Where jobs are made."""
        return self._settings.folder / "jobs" if self.last is None else self.last.parent


class StartCard(EmptyState):
    """Says what a job is; makes one, opens one, opens the last one, begins an exercise. `pressed`:
    a new one."""

    def __init__(self, opening: Opening, exercise: Callable[[], object]) -> None:
        super().__init__(
            tr("No job is open"),
            tr(
                "A job is a folder with everything about one repair: the customer's concern, what "
                "the car has stored, recordings before and after, what was done, photos, the "
                "report. It can be copied to another computer and opens there. Nothing leaves this "
                "machine."
            ),
            tr("Make a new job …  Ctrl+N"),
        )
        self.pressed.connect(opening.ask_for_new)
        open_button = text_button(tr("Open a job …  Ctrl+Shift+O"), opening.ask_for_job)
        self.last_button = text_button("", opening.open_last, tr("Open the last job"))
        left = Qt.AlignmentFlag.AlignLeft
        begin = text_button(tr("Exercise with a simulated car …  F6"), exercise)
        lay(self.extra, (open_button, 0, left), (self.last_button, 0, left), (begin, 0, left))
        last = opening.last
        self.last_button.setVisible(last is not None)
        if last is not None:
            self.last_button.setText(tr("Open the last one: {name}", name=last.name[:60]))
