"""Widgets that show text as it is: Qt by itself takes what looks like markup for it.

Nothing else in the window makes a label, a box with a question, a page of text or an item of a list
(tests/app/test_plain.py); formatted text is made of `in_html` only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QSize, Qt, QUrl
from PySide6.QtWidgets import (
    QComboBox,
    QLabel,
    QListWidgetItem,
    QMessageBox,
    QTableWidgetItem,
    QTextBrowser,
    QTreeWidgetItem,
    QWidget,
)

from logbench.foreign import MOST_LINE, in_html, in_label

_MOST_TIP = 2000
"""Characters of a tool tip: more covers the screen."""
_LONG_TIP = 100
"""Characters in one line."""
_LEAST_PX = 120
"""A label that wraps gets by with so much, whatever its longest word."""


def plain_tip(text: str) -> str:
    """A tool tip that shows a text as it is, in several lines where it is long."""
    shown = in_label(text, lines=True, most=_MOST_TIP)
    if len(shown) <= _LONG_TIP and not set("<\n") & set(shown):
        return shown
    return f'<span style="white-space: pre-wrap">{in_html(shown)}</span>'


def button_text(text: str) -> str:
    """A text for a button, whose key stands behind two blanks; `&` is none of Qt's keys."""
    return in_label(text, lines=True, keys=True, most=MOST_LINE).replace("\n", " ")


class Label(QLabel):
    """A text without markup."""

    def __init__(self, text: str = "", **how: Any) -> None:
        super().__init__(textFormat=Qt.TextFormat.PlainText, **how)
        self.setText(text)

    def setText(self, text: str) -> None:
        """Show another."""
        super().setText(in_label(text, lines=True))

    def minimumSizeHint(self) -> QSize:
        """No word of a text that wraps makes the window wider."""
        least = super().minimumSizeHint()
        return least.boundedTo(QSize(_LEAST_PX, least.height())) if self.wordWrap() else least


class RichLabel(QLabel):
    """A text with markup of our own."""

    def __init__(self, **how: Any) -> None:
        super().__init__(textFormat=Qt.TextFormat.RichText, **how)


class Choice(QComboBox):
    """A box of texts, each of one line; where it has no tip of its own, that is the chosen text."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._chosen = ""
        self.currentTextChanged.connect(self._tell_chosen)

    def _tell_chosen(self, text: str) -> None:
        if self.toolTip() == self._chosen:
            self._chosen = plain_tip(text)
            self.setToolTip(self._chosen)

    def addItem(self, text: str, data: Any = None) -> None:  # type: ignore[override]  # no icons
        """One more, with what it stands for."""
        super().addItem(in_label(text), data)

    def addItems(self, texts: Sequence[str]) -> None:
        """Several more."""
        super().addItems([in_label(text) for text in texts])


class Page(QTextBrowser):
    """A page of text with markup of our own. It loads nothing and goes nowhere."""

    def __init__(self) -> None:
        super().__init__(openLinks=False, openExternalLinks=False)

    def loadResource(self, kind: int, name: QUrl | str) -> Any:
        """Nothing, wherever it is: a page has all that it shows."""
        return None


class Question(QMessageBox):
    """A box with a text, and more about it below."""

    def __init__(self, parent: QWidget | None, title: str, text: str, more: str = "") -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setText(in_label(text, lines=True))
        self.setInformativeText(in_label(more, lines=True))


class TreeRow(QTreeWidgetItem):
    """A row of a tree."""

    def __init__(self, texts: Sequence[str]) -> None:
        super().__init__([in_label(text, lines=True) for text in texts])

    def setText(self, column: int, text: str) -> None:
        """Show another text."""
        super().setText(column, in_label(text, lines=True))


class ListRow(QListWidgetItem):
    """A row of a list."""

    def __init__(self, text: str) -> None:
        super().__init__(in_label(text, lines=True))


class TableCell(QTableWidgetItem):
    """A cell of a table."""

    def __init__(self, text: str = "") -> None:
        super().__init__(in_label(text, lines=True))
