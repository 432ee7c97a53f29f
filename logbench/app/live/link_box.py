"""The field in which a way to the car is picked or typed; Live and Job share it."""

from __future__ import annotations

from PySide6.QtWidgets import QComboBox, QFileDialog, QWidget

from logbench.app.live.links import ASK_REPLAY, LinkChoice, link_choices, link_url_of
from logbench.app.settings import Settings


class LinkBox(QComboBox):
    """Links used before, serial ports that are there, the simulated car, or what is typed; with
    `replay`, a recording, too."""

    def __init__(
        self, settings: Settings, parent: QWidget | None = None, *, replay: bool = False
    ) -> None:
        super().__init__(parent)
        self._replay = replay
        self._settings = settings
        self._choices: list[LinkChoice] = []
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.setAccessibleName("Link to the car")
        self.setToolTip("Pick a port, or type a network address such as 192.168.0.10:35000")
        self.setMinimumContentsLength(12)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.activated.connect(self._picked)
        self.find_links()

    def find_links(self) -> None:
        """Fill the list of links anew; the first is chosen."""
        self._choices = link_choices(self._settings.links, replay=self._replay)
        self.clear()
        self.addItems([c.title for c in self._choices])
        self._show_start()

    def choose(self, url: str) -> None:
        """Put a link into the field."""
        titles = [c.title for c in self._choices if c.url == url]
        self.setEditText(titles[0] if titles else url)
        self._show_start()

    def ask_replay(self) -> None:
        """Let a recording be picked, to be replayed as it was recorded."""
        folder, kinds = str(self._settings.folder), "Recordings (*.parquet);;All files (*)"
        name, _ = QFileDialog.getOpenFileName(self, "Replay a recording", folder, kinds)
        if name:
            self.choose(f"replay:{name}")
        elif self._is_asking():
            self.setCurrentIndex(0)

    def _is_asking(self) -> bool:
        titles = [c.title for c in self._choices if c.url == ASK_REPLAY]
        return self.currentText() in titles

    def _picked(self, _index: int) -> None:
        self._show_start()
        if self._is_asking():
            self.ask_replay()

    def _show_start(self) -> None:
        edit = self.lineEdit()
        if edit is not None:
            edit.setCursorPosition(0)

    def url(self) -> str:
        """The link chosen or typed; raises `LinkUnknownError`."""
        text = self.currentText().strip()
        for choice in self._choices:
            if choice.title == text:
                return choice.url if choice.url != ASK_REPLAY else link_url_of("")
        return link_url_of(text)
