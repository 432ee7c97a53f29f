"""The guide beside the window: its list of pages, and the page that is read."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from PySide6.QtCore import QRectF, QSize, Qt, QUrl
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import (
    QDialogButtonBox,
    QHBoxLayout,
    QLineEdit,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from logbench.app.guide import FIRST, FOLDER, Chapter, Entry, chapters, place, text_of, words_of
from logbench.app.parts import STRETCH, Dialog, delayed, lay, named, text_button
from logbench.app.plain import Page, TreeRow
from logbench.words import tr

_FILE = Qt.ItemDataRole.UserRole
_MARGIN_PX = 12
_PAPER_PX = 8
"""White around a picture, whatever the theme: its lines are made for paper."""


class GuidePage(Page):
    """One page of the guide, with the pictures that lie beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.file = FIRST
        self.document().setDocumentMargin(_MARGIN_PX)

    def show_file(self, file: str) -> None:
        """Another page, from its beginning."""
        self.file = file
        self.setMarkdown(text_of(file))

    def loadResource(self, kind: int, name: QUrl | str) -> Any:
        """A picture of the guide, as wide as the page; nothing from elsewhere."""
        link = name.toString() if isinstance(name, QUrl) else name
        file = place(link, self.file)
        return self._picture(file) if file.endswith(".svg") else None

    def _picture(self, file: str) -> QImage:
        drawing = QSvgRenderer(str(FOLDER / file))
        usual, ratio = drawing.defaultSize(), self.devicePixelRatioF()
        wide = max(200, min(round(1.5 * usual.width()), self.viewport().width() - 4 * _MARGIN_PX))
        size = QSize(wide, round(wide * usual.height() / usual.width()))
        whole = (size + QSize(2 * _PAPER_PX, 2 * _PAPER_PX)) * ratio
        image = QImage(whole, QImage.Format.Format_RGB32)
        image.setDevicePixelRatio(ratio)
        image.fill(Qt.GlobalColor.white)
        painter = QPainter(image)
        drawing.render(painter, QRectF(_PAPER_PX, _PAPER_PX, size.width(), size.height()))
        painter.end()
        return image


class Guide(Dialog):
    """Beside the window, at the page that is asked for."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(tr("Guide"), parent, 480)
        self.words = named(QLineEdit(), tr("Search the guide"))
        self.words.setPlaceholderText(tr("Search the guide"))
        self.words.setClearButtonEnabled(True)
        wait = delayed(self, 200, self._narrow)
        self.words.textChanged.connect(wait.start)
        self.list = named(QTreeWidget(), tr("Pages of the guide"))
        self.list.setHeaderHidden(True)
        self.list.currentItemChanged.connect(self._show_row)
        self.text = GuidePage()
        self.text.setAccessibleName(tr("Guide"))
        self.text.anchorClicked.connect(self._follow)
        self.back = text_button(tr("Back"), self._go_back, name=tr("The page before"))
        self.back.setEnabled(False)
        self._read: list[str] = []
        self._rows: dict[str, QTreeWidgetItem] = {}
        self._fill(chapters())
        close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        close.rejected.connect(self.close)
        side = lay(QVBoxLayout(), self.words, (self.list, 1))
        foot = lay(QHBoxLayout(), self.back, STRETCH, close)
        both = lay(QHBoxLayout(), (side, 2), (self.text, 5))
        lay(QVBoxLayout(self), (both, 1), foot)
        self.resize(1000, 680)

    def open_at(self, file: str) -> None:
        """Show a page of the guide."""
        self.show()
        self.raise_()
        self.list.setCurrentItem(self._rows[file])
        self.text.setFocus()

    def _fill(self, parts: Iterable[Chapter]) -> None:
        first = TreeRow([tr("Guide")])
        self._put(first, FIRST)
        self.list.addTopLevelItem(first)
        for chapter in parts:
            row = TreeRow([chapter.title])
            row.setFlags(Qt.ItemFlag.ItemIsEnabled)
            self.list.addTopLevelItem(row)
            self._add(row, chapter.entries)
            row.setExpanded(True)

    def _add(self, above: QTreeWidgetItem, entries: Iterable[Entry]) -> None:
        for entry in entries:
            row = TreeRow([entry.title])
            self._put(row, entry.file)
            above.addChild(row)
            self._add(row, entry.parts)

    def _put(self, row: QTreeWidgetItem, file: str) -> None:
        row.setData(0, _FILE, file)
        self._rows[file] = row

    def _show_row(self, row: QTreeWidgetItem | None) -> None:
        file = row.data(0, _FILE) if row is not None else None
        if not file:
            return
        if not self._read or self._read[-1] != file:
            self._read.append(file)
        self.back.setEnabled(len(self._read) > 1)
        self.text.show_file(file)

    def _follow(self, url: QUrl) -> None:
        """To another page of the guide; nowhere else."""
        file = place(url.toString(), self.text.file)
        if file in self._rows:
            self.list.setCurrentItem(self._rows[file])

    def _go_back(self) -> None:
        self._read.pop()
        self.list.setCurrentItem(self._rows[self._read[-1]])

    def _narrow(self) -> None:
        """Only pages that hold all these words stay in the list."""
        words = self.words.text().lower().split()
        for row in map(self.list.topLevelItem, range(self.list.topLevelItemCount())):
            _narrowed(row, words)


def _narrowed(row: QTreeWidgetItem | None, words: Sequence[str]) -> bool:
    """Show a row and what is below it where its page holds these words; whether any does."""
    if row is None:
        return False
    file = row.data(0, _FILE)
    below = [_narrowed(row.child(n), words) for n in range(row.childCount())]
    found = any(below) or bool(file and all(word in words_of(file) for word in words))
    row.setHidden(not found)
    if words and any(below):
        row.setExpanded(True)
    return found
