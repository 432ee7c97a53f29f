"""What a developer asks for first when something went wrong, and where the log is."""

from __future__ import annotations

import platform
from importlib import resources

import PySide6
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QDialog, QMessageBox, QVBoxLayout, QWidget

from logbench.app.plain import Page, Question
from logbench.system.log import log_file, without_personal_data
from logbench.system.version import SOFTWARE
from logbench.words import tr

_PAGE = "expressions.md"
_TAIL = 40
"""Lines of the log that go with the details."""


def details(sentence: str = "") -> str:
    """The sentence with versions, system and the log's last lines, without personal data."""
    lines = [
        sentence,
        f"{SOFTWARE}, Python {platform.python_version()}, PySide6 {PySide6.__version__}",
        platform.platform(),
        *_log_tail(),
    ]
    return without_personal_data("\n".join(line for line in lines if line))


def _log_tail() -> list[str]:
    path = log_file()
    try:
        text = path.read_text(encoding="utf-8", errors="replace") if path is not None else ""
    except OSError:
        return []
    return text.splitlines()[-_TAIL:]


def copy_details(sentence: str = "") -> None:
    """Put them into the clipboard."""
    QGuiApplication.clipboard().setText(details(sentence))


def help_box(parent: QWidget) -> QMessageBox:
    """Version, log file, and the details for the clipboard."""
    more = tr(
        "Ctrl+K lists every command with its key.\nLog file: {path}",
        path=log_file() or tr("none in this session"),
    )
    box = Question(parent, tr("Help"), SOFTWARE, more)
    box.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    copy = box.addButton(tr("Copy details"), QMessageBox.ButtonRole.ActionRole)
    copy.clicked.connect(lambda _=False: copy_details())
    expressions = box.addButton(tr("Expressions …"), QMessageBox.ButtonRole.HelpRole)
    expressions.clicked.connect(lambda _=False: show_expressions(parent))
    box.addButton(QMessageBox.StandardButton.Close)
    return box


def show_expressions(parent: QWidget) -> QDialog:
    """What may be written in Find, in conditions, checks and signals of one's own."""
    dialog = QDialog(parent)
    dialog.setWindowTitle(tr("Expressions"))
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    page = Page()
    page.setAccessibleName(tr("What may be written in an expression"))
    page.setMarkdown(
        resources.files("logbench.analysis.expression").joinpath(_PAGE).read_text("utf-8")
    )
    QVBoxLayout(dialog).addWidget(page)
    dialog.resize(720, 640)
    dialog.show()
    return dialog


def ask_same_car(parent: QWidget, found: str) -> bool:
    """Whether what looks like two cars is one; `found`: what the same-car check says."""
    more = tr("Is it the same car, for example with an exchanged ECU? The answer is remembered.")
    box = Question(parent, tr("Another car?"), found, more)
    box.setIcon(QMessageBox.Icon.Question)
    same = box.addButton(tr("It is the same car"), QMessageBox.ButtonRole.YesRole)
    other = box.addButton(tr("Another car"), QMessageBox.ButtonRole.NoRole)
    box.setDefaultButton(other)
    box.setEscapeButton(other)
    box.exec()
    return box.clickedButton() is same
