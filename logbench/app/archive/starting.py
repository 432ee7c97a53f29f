"""The Archive page with nothing open: how to begin."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QPushButton

from logbench.app.parts import EmptyState
from logbench.cases.settings import Settings
from logbench.words import tr


class ArchiveStart(EmptyState):
    """`pressed`: the user wants to choose a folder."""

    place_wanted = Signal(str)

    def __init__(self, settings: Settings) -> None:
        super().__init__(
            tr("No archive is open"),
            tr(
                "An archive is a folder with recordings in it, at any depth. Open one, and find "
                "drives by car, date, signal or finding; open them, hold them against each other, "
                "follow a number over the car's life. Nothing in the folder is changed by looking, "
                "and nothing leaves this machine."
            ),
            tr("Open a folder …  Ctrl+Shift+O"),
        )
        self._settings = settings
        self.recordings_button = QPushButton()
        self.recordings_button.clicked.connect(lambda: self.place_wanted.emit(str(settings.folder)))
        self.extra.addWidget(self.recordings_button, 0, Qt.AlignmentFlag.AlignLeft)

    def showEvent(self, event: QShowEvent) -> None:
        """The folder of the recordings may be another one, or not be there yet."""
        super().showEvent(event)
        folder = self._settings.folder
        self.recordings_button.setText(
            tr("Open the folder of your recordings: {name}", name=folder.name[:40])
        )
        self.recordings_button.setToolTip(str(folder))
        self.recordings_button.setVisible(folder.is_dir())
