"""The field in which a way to the car is picked or typed; Live and Job share it."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QFileDialog

from logbench.app.plain import Choice
from logbench.cases.settings import Settings
from logbench.foreign import in_label
from logbench.vehicle.links.schemes import (
    SCHEMES,
    LinkChoice,
    leads_to,
    link_choices,
    link_url_of,
    title_of,
)
from logbench.words import tr


class LinkBox(Choice):
    """Links used before, serial ports that are there, the simulated car, or what is typed; with
    `replay`, a recording or a Bluetooth adapter to be found, too."""

    scan_wanted = Signal()
    """The user wants to look for Bluetooth adapters."""

    def __init__(self, settings: Settings, *, replay: bool = False) -> None:
        super().__init__()
        self._replay = replay
        self._settings = settings
        self._choices: list[LinkChoice] = []
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.setAccessibleName(tr("Link to the car"))
        self.setToolTip(tr("Choose a port, or type a network address such as 192.168.0.10:35000"))
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
        """Put a link into the field; a recording to replay is added to the list by its name."""
        known = [c.title for c in self._choices]
        titles = [c.title for c in self._choices if c.url == url]
        if not titles and leads_to(url) == "recording" and title_of(url) not in known:
            titles = [title_of(url)]
            self._choices.insert(0, LinkChoice(url, titles[0]))
            self.insertItem(0, titles[0])
        self.setEditText(in_label(titles[0] if titles else url))
        self._show_start()

    def showPopup(self) -> None:
        """The list is as wide as its longest entry."""
        view = self.view()
        wide = view.sizeHintForColumn(0) + view.verticalScrollBar().sizeHint().width()
        view.setMinimumWidth(max(wide, self.width()))
        super().showPopup()

    def ask_replay(self) -> None:
        """Let a recording be picked, to be replayed as it was recorded."""
        folder, kinds = str(self._settings.folder), tr("Recordings (*.parquet);;All files (*)")
        name, _ = QFileDialog.getOpenFileName(self, tr("Replay a recording"), folder, kinds)
        if name:
            self.choose(f"replay:{name}")
        else:
            self.leave_question()

    def leave_question(self) -> None:
        """A question was not answered: back to the first link."""
        if self._asks_for():
            self.setCurrentIndex(0)

    def _asks_for(self) -> str:
        """The scheme whose question is chosen instead of a link, or empty."""
        asked = [s.name for s in SCHEMES.values() if s.asks and s.asks == self.currentText()]
        return asked[0] if asked else ""

    def _picked(self, _index: int) -> None:
        self._show_start()
        asked = self._asks_for()
        if asked == "replay":
            self.ask_replay()
        elif asked == "ble":
            self.scan_wanted.emit()

    def _show_start(self) -> None:
        edit = self.lineEdit()
        if edit is not None:
            edit.setCursorPosition(0)

    def url(self) -> str:
        """The link chosen or typed; raises `LinkUnknownError`."""
        text = self.currentText().strip()
        if self._asks_for():
            return link_url_of("")
        chosen = [c.url for c in self._choices if in_label(c.title) == in_label(text)]
        return chosen[0] if chosen else link_url_of(text)
