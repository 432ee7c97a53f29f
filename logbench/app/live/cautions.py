"""The cautions of the trade, shown once before the first recording on a real car."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from logbench.app.parts import lay, text_button
from logbench.words import tr

CAUTIONS = (
    tr(
        "The driver only drives: start while parked, or let a second person work the program. "
        "Look at the recording after stopping."
    ),
    tr("Never run an engine indoors or partly enclosed: carbon monoxide kills."),
    tr("Route cables clear of pedals, steering wheel and airbags."),
    tr(
        "Never open a hot cooling system; fans may start with the key off. "
        "Keep clear of belts and exhaust."
    ),
    tr(
        "Full throttle only where lawful and safe. Stop on an oil light, overheating or a flashing "
        "malfunction lamp."
    ),
)
"""Common practice; carbon monoxide: NIOSH advice."""


class CautionsCard(QFrame):
    """A card in the middle of the page; one press goes on."""

    accepted = Signal()
    refused = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("card")
        self.setMaximumWidth(640)
        title = QLabel(tr("Before the drive"))
        title.setObjectName("title")
        layout = lay(QVBoxLayout(self), title, margins=(24, 20, 24, 20), spacing=12)
        for text in CAUTIONS:
            line = QLabel(f"•  {text}")
            line.setWordWrap(True)
            layout.addWidget(line)
        self.go_on = QPushButton(tr("Start recording"))
        self.go_on.setObjectName("primary")
        self.go_on.clicked.connect(self.accepted)
        self.go_on.setAutoDefault(True)
        back = text_button(tr("Back"), self.refused.emit)
        buttons = lay(QHBoxLayout(), (self.go_on, 1), back)
        layout.addSpacing(6)
        layout.addLayout(buttons)
        self.setAccessibleName(tr("Cautions before the drive. ") + " ".join(CAUTIONS))
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
