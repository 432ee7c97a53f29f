"""The questions of the Archive page: which folder, which files, whether to set files aside."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtCore import QObject, Signal, SignalInstance
from PySide6.QtWidgets import QCheckBox, QFileDialog, QInputDialog, QMessageBox, QWidget

from logbench.app.commands import add_command
from logbench.app.plain import Question
from logbench.cases.settings import Settings
from logbench.importing.formats import suffixes
from logbench.words import tr


class Asking(QObject):
    """Each question ends in a signal, or in nothing when it is not answered."""

    place = Signal(str)
    """A folder, or the address of an object store."""
    add = Signal(object)
    """Paths of recordings, or of a folder of them."""
    bring = Signal(object)
    """Paths of other programs' files, or of a folder of them."""
    verify = Signal(bool)
    """Whether damaged files are set aside."""

    def __init__(self, settings: Settings, page: QWidget) -> None:
        super().__init__(page)
        self._settings = settings
        self._page = page
        kinds = tr("Recordings (*.parquet)")
        endings = " ".join(f"*{suffix}" for suffix in suffixes())
        logs = tr("Logs ({endings});;All files (*)", endings=endings)
        add, bring = tr("Add recordings to the archive"), tr("Import other files")
        add_folder, bring_folder = tr("Add a folder of recordings"), tr("Import a folder")
        self.for_recordings = partial(self._ask_files, add, kinds, self.add)
        self.for_files = partial(self._ask_files, bring, logs, self.bring)
        for title, keys, run in (
            (tr("Open an archive"), "Ctrl+Shift+O", self.for_archive),
            (tr("Open an archive by its address"), "Ctrl+Shift+U", self.for_address),
            (add, "Ctrl+B", self.for_recordings),
            (add_folder, "Ctrl+Shift+B", partial(self._ask_folder, add_folder, self.add)),
            (bring, "Ctrl+I", self.for_files),
            (bring_folder, "Ctrl+Shift+I", partial(self._ask_folder, bring_folder, self.bring)),
            (tr("Verify files"), "Ctrl+Shift+V", self.to_verify),
        ):
            add_command(page, title, keys, run)

    def for_archive(self) -> None:
        """A folder."""
        place = self._folder(tr("Open an archive"))
        if place:
            self.place.emit(place)

    def for_address(self) -> None:
        """A folder or the address of an object store, typed."""
        text, agreed = QInputDialog.getText(
            self._page,
            tr("Open an archive"),
            tr("Folder, or address like s3://bucket/prefix?region=…"),
        )
        if agreed and text.strip():
            self.place.emit(text.strip())

    def to_verify(self) -> None:
        """Whether to verify, and whether to set damaged files aside."""
        asked = tr("Read every sample of every recording and hold it against its checksum?")
        box = Question(self._page, tr("Verify files"), asked)
        aside = QCheckBox(tr("Set damaged files aside, in the folder quarantine; none is deleted"))
        box.setCheckBox(aside)
        go = box.addButton(tr("Verify"), QMessageBox.ButtonRole.AcceptRole)
        box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(go)
        box.exec()
        if box.clickedButton() is go:
            self.verify.emit(aside.isChecked())

    def _folder(self, title: str) -> str:
        return QFileDialog.getExistingDirectory(self._page, title, str(self._settings.folder))

    def _ask_folder(self, title: str, answer: SignalInstance) -> None:
        place = self._folder(title)
        if place:
            answer.emit([Path(place)])

    def _ask_files(self, title: str, kinds: str, answer: SignalInstance) -> None:
        start = str(self._settings.folder)
        names, _ = QFileDialog.getOpenFileNames(self._page, title, start, kinds)
        if names:
            answer.emit([Path(name) for name in names])
