"""Files that are added to a job: picked, dropped, or the drive that was recorded last."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtWidgets import QFileDialog, QWidget

from logbench.app.job.opened import OpenJob
from logbench.app.services import Services
from logbench.cases.job import Added, AddFiles, newest_recording
from logbench.job.model import Role
from logbench.words import tr


class Adding:
    """`role`: of recordings that are added; `added`: called when all are in the job."""

    def __init__(
        self,
        services: Services,
        role: Callable[[], Role],
        added: Callable[[Added], object],
        parent: QWidget,
    ) -> None:
        self._services, self._role, self._added, self._parent = services, role, added, parent

    def add(self, opened: OpenJob | None, paths: Sequence[Path]) -> None:
        """Copy files into a job."""
        if opened is not None and paths:
            store, folder = self._services.job_store, opened.folder.path
            opened.do(AddFiles(store, folder, tuple(paths), self._role()), self._added)

    def add_newest(self, opened: OpenJob | None) -> None:
        """Add the drive that was recorded last."""
        folder = self._services.settings.folder
        newest = newest_recording(folder)
        if newest is not None:
            self.add(opened, [newest])
        elif opened is not None:
            opened.trouble(
                tr("There is no recording in {folder} yet: record on the Live page.", folder=folder)
            )

    def ask_for_recordings(self, opened: OpenJob | None) -> None:
        """Let the user pick recordings."""
        self._ask(opened, tr("Recordings of this job"), tr("Recordings (*.parquet)"))

    def ask_for_photos(self, opened: OpenJob | None) -> None:
        """Let the user pick photos and papers."""
        self._ask(opened, tr("Photos and files of this job"), tr("All files (*)"))

    def _ask(self, opened: OpenJob | None, title: str, kinds: str) -> None:
        if opened is not None:
            start = str(self._services.settings.folder)
            names, _ = QFileDialog.getOpenFileNames(self._parent, title, start, kinds)
            self.add(opened, [Path(name) for name in names])
