"""The line that expressions are typed into: own signals, Find, the archive's condition."""

from __future__ import annotations

import re

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent, QStandardItem, QStandardItemModel
from PySide6.QtWidgets import QCompleter, QLineEdit

from logbench.analysis.expression.checked import CONSTANTS
from logbench.analysis.expression.grammar import FUNCTIONS
from logbench.signals.catalog import Catalog, catalog
from logbench.words import tr

_LEAST_PREFIX = 2


class ExpressionLine(QLineEdit):
    """Offers the signals and functions that the word before the cursor may become."""

    def __init__(self, example: str, *, clears: bool = False) -> None:
        super().__init__(placeholderText=example, clearButtonEnabled=clears)
        self._known: Catalog | None = None
        self.completer_ = QCompleter(self)
        self.completer_.setWidget(self)
        self.completer_.setCompletionRole(Qt.ItemDataRole.UserRole)
        self.completer_.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        self.completer_.activated.connect(self.complete)
        popup = self.completer_.popup()
        assert popup is not None
        self._popup = popup
        self.textEdited.connect(self._offer)

    def _renew(self) -> None:
        """Take in the signals there are now."""
        if self._known is catalog():
            return
        self._known = catalog()
        model = QStandardItemModel(self)
        words = {entry.acronym: entry.title for entry in self._known}
        words |= {f"{name}(": tr("function") for name in FUNCTIONS}
        words |= {name.lower(): tr("of the car") for name in CONSTANTS}
        for word, title in words.items():
            item = QStandardItem(f"{word}   {title}")
            item.setData(word, Qt.ItemDataRole.UserRole)
            model.appendRow(item)
        self.completer_.setModel(model)

    @property
    def _word(self) -> str:
        found = re.search(r"[^\W\d]\w*$", self.text()[: self.cursorPosition()])
        return found[0] if found else ""

    def _offer(self) -> None:
        word, popup = self._word, self._popup
        if len(word) < _LEAST_PREFIX or word.upper() in catalog():
            popup.hide()
            return
        self._renew()
        self.completer_.setCompletionPrefix(word)
        self.completer_.complete()
        popup.setMinimumWidth(popup.sizeHintForColumn(0) + 30)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter on a word that is offered only takes it."""
        offered = self._popup.isVisible() and self._popup.currentIndex().isValid()
        if offered and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            event.ignore()
        else:
            super().keyPressEvent(event)

    def complete(self, word: str) -> None:
        """Put it in the place of the word before the cursor."""
        at = self.cursorPosition()
        begin = at - len(self._word)
        self.setText(self.text()[:begin] + word + self.text()[at:])
        self.setCursorPosition(begin + len(word))
        self.textEdited.emit(self.text())
