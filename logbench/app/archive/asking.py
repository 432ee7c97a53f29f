"""The questions of the Archive page: which folder, which files, whether to set files aside."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QCheckBox, QFileDialog, QInputDialog, QMessageBox, QWidget

from logbench.cases.settings import Settings
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

    def for_recordings(self) -> None:
        """Recordings to add."""
        paths = self._files(tr("Add recordings"), tr("Recordings (*.parquet)"))
        if paths:
            self.add.emit(paths)

    def for_files(self) -> None:
        """Other programs' files to import."""
        from logbench.importing.formats import suffixes

        kinds = " ".join(f"*{suffix}" for suffix in suffixes())
        filters = tr("Logs ({kinds});;All files (*)", kinds=kinds)
        paths = self._files(tr("Import files"), filters)
        if paths:
            self.bring.emit(paths)

    def for_folder(self) -> None:
        """A folder of recordings to add."""
        place = self._folder(tr("Add a folder of recordings"))
        if place:
            self.add.emit([Path(place)])

    def for_import_folder(self) -> None:
        """A folder of other programs' files to import."""
        place = self._folder(tr("Import a folder"))
        if place:
            self.bring.emit([Path(place)])

    def to_verify(self) -> None:
        """Whether to verify, and whether to set damaged files aside."""
        box = QMessageBox(self._page)
        box.setWindowTitle(tr("Verify the archive"))
        box.setText(tr("Read every sample of every recording and hold it against its checksum?"))
        aside = QCheckBox(tr("Set damaged files aside, in the folder quarantine; none is deleted"))
        box.setCheckBox(aside)
        go = box.addButton(tr("Verify"), QMessageBox.ButtonRole.AcceptRole)
        box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(go)
        box.exec()
        if box.clickedButton() is go:
            self.verify.emit(aside.isChecked())

    def _folder(self, title: str) -> str:
        start = str(self._settings.folder)
        return QFileDialog.getExistingDirectory(self._page, title, start)

    def _files(self, title: str, kinds: str) -> list[Path]:
        start = str(self._settings.folder)
        names, _ = QFileDialog.getOpenFileNames(self._page, title, start, kinds)
        return [Path(name) for name in names]
