"""Sizes for fingers and edges in the theme's colours; everything else is the Fusion style."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from string import Template

_IMAGES = Path(__file__).parent / "images"

_TEMPLATE = Template("""
QWidget { color: $text; }
QPushButton, QToolButton, QComboBox, QLineEdit, QAbstractSpinBox {
    min-height: 30px; padding: 2px 10px; border: 1px solid $line;
    border-radius: 5px; background: $panel; }
QPushButton:hover, QToolButton:hover, QComboBox:hover { border-color: $accent; }
QPushButton:focus, QToolButton:focus, QComboBox:focus, QLineEdit:focus, QAbstractSpinBox:focus,
QListView:focus, QTreeView:focus, QTableView:focus { border: 1px solid $accent; }
QComboBox QLineEdit, QAbstractSpinBox QLineEdit { border: none; padding: 0;
    min-height: 0; background: transparent; }
QComboBox::drop-down { border: none; width: 26px; }
QComboBox::down-arrow { image: url("$arrow"); width: 12px; height: 12px; }
QAbstractSpinBox::up-button, QAbstractSpinBox::down-button { width: 0; border: none; }
QTabBar { qproperty-drawBase: 0; }
QTabWidget::pane { border: none; }
QTabBar::tab { min-height: 32px; padding: 2px 14px; border: none; color: $muted;
    border-bottom: 2px solid transparent; font-weight: 600; }
QTabBar::tab:selected { color: $accent; border-bottom-color: $accent; }
QPushButton:pressed, QPushButton:checked, QToolButton:checked {
    background: $accent; color: $on_accent; }
QPushButton:disabled, QToolButton:disabled { color: $muted; }
QLineEdit:disabled, QComboBox:disabled, QAbstractSpinBox:disabled {
    color: $muted; background: $window; }
QCheckBox:disabled { color: $muted; }
QPushButton#primary { background: $accent; color: $on_accent;
    min-height: 44px; font-weight: 600; border: none; }
QPushButton#primary:focus { border: 2px solid $text; }
QPushButton#primary:disabled { background: $line; color: $muted; }
QPushButton#page { min-height: 38px; min-width: 96px; border: none; background: transparent;
    font-weight: 600; border-bottom: 3px solid transparent; border-radius: 0; }
QPushButton#page:checked { color: $accent; border-bottom-color: $accent; }
QPushButton#page:focus { background: $window; }
QListView, QTreeView, QTableView, QTextBrowser, QPlainTextEdit {
    background: $panel; border: 1px solid $line; border-radius: 5px;
    selection-background-color: $accent; selection-color: $on_accent; }
QListView::item, QTreeView::item { min-height: 28px; }
QHeaderView::section { background: $window; color: $muted; border: none;
    border-bottom: 1px solid $line; padding: 4px 6px; }
QTableCornerButton::section { background: $window; border: none; }
QFrame#card, QLabel#card { background: $panel; border: 1px solid $line;
    border-radius: 8px; }
QFrame#bar { background: $panel; border-bottom: 1px solid $line; }
QDialogButtonBox { dialogbuttonbox-buttons-have-icons: 0; }
QLabel#muted { color: $muted; }
QLabel#title { font-size: ${title_pt}pt; font-weight: 600; }
QLabel#trouble { color: $act; font-weight: 600; }
QSplitter::handle { background: $window; }
QSplitter::handle:hover { background: $line; }
QFileDialog QToolButton { background: #d5d9de; } /* its arrows are black in any theme */
QLineEdit QToolButton { min-height: 0; padding: 0; border: none; background: transparent; }
QCheckBox { min-height: 28px; }
QCheckBox::indicator, QListView::indicator, QTreeView::indicator,
QTableView::indicator {
    width: 18px; height: 18px; border: 1px solid $muted; border-radius: 3px;
    background: $panel; }
QCheckBox::indicator:checked, QListView::indicator:checked,
QTreeView::indicator:checked, QTableView::indicator:checked {
    background: $accent; border-color: $accent; image: url("$tick"); }
QScrollBar:vertical { width: 14px; background: $window; }
QScrollBar::handle:vertical { background: $line; min-height: 36px;
    border-radius: 6px; margin: 2px; }
QScrollBar::add-line, QScrollBar::sub-line { height: 0; width: 0; }
""")


def style_sheet(words: Mapping[str, str]) -> str:
    """Qt's style sheet; `words` are colours by name (`window`, `accent`, …); `name`: the look's."""
    pictures = {
        picture: (_IMAGES / f"{picture}-{words['name']}.svg").as_posix()
        for picture in ("arrow", "tick")
    }
    return _TEMPLATE.substitute(words, **pictures)
