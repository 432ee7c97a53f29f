"""What is shown while no job is open."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QPushButton

from logbench.app.parts import EmptyState
from logbench.words import tr


class StartCard(EmptyState):
    """Says what a job is; makes one, opens one, opens the last one. `pressed`: a new one."""

    open_wanted = Signal()
    last_wanted = Signal()

    def __init__(self, last: Path | None) -> None:
        super().__init__(
            tr("No job is open"),
            tr(
                "A job is a folder with everything about one repair: the customer's concern, what "
                "the car has stored, recordings before and after, what was done, photos, the "
                "report. It can be copied to another computer and opens there. Nothing leaves this "
                "machine."
            ),
            tr("Make a new job …  Ctrl+N"),
        )
        open_button = QPushButton(tr("Open a job …  Ctrl+Shift+O"))
        open_button.clicked.connect(self.open_wanted)
        self.last_button = QPushButton()
        self.last_button.setAccessibleName(tr("Open the last job"))
        self.last_button.clicked.connect(self.last_wanted)
        for button in (open_button, self.last_button):
            self.extra.addWidget(button, 0, Qt.AlignmentFlag.AlignLeft)
        self.last_button.setVisible(last is not None)
        if last is not None:
            self.last_button.setText(tr("Open the last one: {name}", name=last.name[:60]))
