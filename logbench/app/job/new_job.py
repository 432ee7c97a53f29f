"""Asks for the title of a new job and for the place of its folder."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtWidgets import (
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Answers, Form
from logbench.job.names import safe_name
from logbench.words import tr

_MOST_TITLE = 300


class NewJobDialog(QDialog):
    """Shows the folder that will be made; works by keyboard alone."""

    def __init__(self, parent_folder: Path, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("New job"))
        self.setMinimumWidth(560)
        self.title = QLineEdit()
        self.title.setMaxLength(_MOST_TITLE)
        self.title.setAccessibleName(tr("Title of the job"))
        self.title.setPlaceholderText(tr("For example the car and its complaint"))
        self.place = QLineEdit(str(parent_folder))
        self.place.setAccessibleName(tr("Where the job's folder goes"))
        choose = QPushButton(tr("Choose …"))
        choose.setAccessibleName(tr("Choose where the job's folder goes"))
        choose.setAutoDefault(False)
        choose.clicked.connect(self._choose)
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.place, 1)
        row.addWidget(choose)
        form = Form()
        form.add(tr("Title"), self.title)
        form.add(tr("In"), row)
        self.said = QLabel()
        self.said.setObjectName("muted")
        self.said.setWordWrap(True)
        buttons = Answers(self, tr("Make the job"), tr("Cancel"))
        self.go = buttons.go
        layout = QVBoxLayout(self)
        layout.setContentsMargins(24, 20, 24, 20)
        layout.setSpacing(12)
        layout.addLayout(form)
        layout.addWidget(self.said)
        layout.addLayout(buttons)
        for edit in (self.title, self.place):
            edit.textChanged.connect(self._judge)
        self.title.setFocus()
        self._judge()

    @property
    def chosen(self) -> tuple[Path, str]:
        """The folder to make it in, and the title."""
        return Path(self.place.text().strip()).expanduser(), self.title.text().strip()

    def _choose(self) -> None:
        start = str(self.chosen[0])
        place = QFileDialog.getExistingDirectory(self, tr("Where the job's folder goes"), start)
        if place:
            self.place.setText(place)

    def _judge(self) -> None:
        place, title = self.chosen
        ready = bool(title) and bool(self.place.text().strip()) and place.is_absolute()
        self.go.setEnabled(ready)
        self.said.setText(
            tr("Folder: {place}", place=place / safe_name(title, "job")) if ready else ""
        )
