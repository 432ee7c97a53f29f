"""Bluetooth Low Energy devices in the air, to pick the adapter from."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QHBoxLayout,
    QListWidget,
    QProgressBar,
    QVBoxLayout,
    QWidget,
)

from logbench.app.live.link_box import LinkBox
from logbench.app.parts import Dialog, lay, named, styled, text_button
from logbench.app.plain import Label, ListRow
from logbench.cases.live import find_adapters
from logbench.cases.runner import Owner
from logbench.foreign import joined
from logbench.vehicle.links.ble import Found
from logbench.words import tr

_TEXT = tr(
    "Plug the adapter in and keep the phone or tablet that it was paired with away: an adapter "
    "that is connected elsewhere is not found. The strongest signal is the nearest device."
)


class BleDialog(Dialog):
    """Scans as soon as it is made; `address` is what was picked, empty when nothing was."""

    def __init__(self, owner: Owner, parent: QWidget) -> None:
        super().__init__(tr("Bluetooth adapters"), parent)
        self._owner = owner
        self.address = ""
        self.take = text_button(tr("Use this adapter"), self._take)
        self.take.setEnabled(False)
        self.list = named(QListWidget(), tr("Bluetooth devices found"))
        self.list.itemActivated.connect(self._take)
        self.list.currentRowChanged.connect(lambda row: self.take.setEnabled(row >= 0))
        self.progress = named(QProgressBar(), tr("Progress of the scan"))
        self.said = Label(wordWrap=True)
        self.again = text_button(tr("Scan again"), self.scan)
        cancel = text_button(tr("Cancel  Esc"), self.reject)
        buttons = lay(QHBoxLayout(), (self.take, 1), self.again, cancel)
        lay(
            QVBoxLayout(self),
            Label(_TEXT, wordWrap=True),
            self.list,
            self.progress,
            self.said,
            buttons,
            margins=(20, 16, 20, 16),
            spacing=12,
        )
        self.resize(520, 460)
        cancel.setFocus()  # a list with the focus would choose the first that is found
        self.finished.connect(lambda _: self._scan.cancel())
        self.scan()

    def scan(self) -> None:
        """Scan from the beginning."""
        self.list.clear()
        self._say("", tr("Scanning …"))
        self.again.setEnabled(False)
        self._scan = self._owner.start(
            find_adapters(), self._done, self._failed, self._progressed, slot="adapters"
        )

    def _progressed(self, lines: str, share: float) -> None:
        self.progress.setValue(round(100 * share))
        rows = [line.split("\t", 2) for line in lines.splitlines()]
        self._show([Found(address, name, int(dbm)) for address, dbm, name in rows])

    def _show(self, found: Sequence[Found]) -> None:
        """The chosen one stays chosen wherever it stands now."""
        chosen = self._chosen()
        self.list.clear()
        for one in found:
            name = one.name or tr("without a name")
            item = ListRow(joined("   ", name, one.address, f"{one.rssi_dbm} dBm"))
            item.setData(Qt.ItemDataRole.UserRole, one.address)
            self.list.addItem(item)
            if one.address == chosen:
                self.list.setCurrentItem(item)

    def _done(self, found: list[Found]) -> None:
        self._show(found)
        nothing = tr("Nothing was found: is Bluetooth on, and the adapter plugged in?")
        self._say("", tr("{n} found", n=len(found)) if found else nothing)
        self.again.setEnabled(True)

    def _failed(self, sentence: str) -> None:
        self._say("trouble", sentence)
        self.again.setEnabled(True)

    def _say(self, name: str, sentence: str) -> None:
        styled(self.said, name).style().polish(self.said)
        self.said.setText(sentence)

    def _chosen(self) -> str:
        item = self.list.currentItem()
        return "" if item is None else str(item.data(Qt.ItemDataRole.UserRole))

    def _take(self) -> None:
        self.address = self._chosen()
        if self.address:
            self.accept()


def look_for_adapter(owner: Owner, box: LinkBox) -> None:
    """Let an adapter be picked among the Bluetooth devices in the air, for the list of links."""
    dialog = BleDialog(owner, box.window())
    if dialog.exec() and dialog.address:
        box.choose(f"ble:{dialog.address}")
    else:
        box.leave_question()
