"""Which job is open: picked, made, or the last one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QFileDialog, QWidget

from logbench.app.job.new_job import NewJobDialog
from logbench.cases.settings import Settings
from logbench.errors import LogbenchError
from logbench.job.folder import JOB_FILE, create_job
from logbench.recording.storage import storage_trouble
from logbench.words import tr


class Opening(QObject):
    """Asks, makes folders, and remembers."""

    chosen = Signal(object)
    """Path of a job to open."""
    failed = Signal(str)

    def __init__(self, settings: Settings, parent: QWidget) -> None:
        super().__init__(parent)
        self._settings, self._parent = settings, parent
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
            self._parent, tr("Open a job"), str(self._folder), kinds
        )
        if name:
            self.chosen.emit(Path(name))

    def ask_for_new(self) -> None:
        """Ask for a title and a place."""
        dialog = NewJobDialog(self._folder, self._parent)
        if self.ask(dialog):
            self.make(*dialog.chosen)

    def open_last(self) -> None:
        """Open the job that was open last."""
        if self.last is not None:
            self.chosen.emit(self.last)

    def make(self, parent: Path, title: str) -> None:
        """Make a job's folder in `parent` and open it."""
        try:
            with storage_trouble(parent):
                parent.mkdir(parents=True, exist_ok=True)
            folder, _ = create_job(parent, title)
        except LogbenchError as error:
            self.failed.emit(str(error))
            return
        self.chosen.emit(folder.path)

    @property
    def _folder(self) -> Path:
        return self._settings.folder / "jobs" if self.last is None else self.last.parent
