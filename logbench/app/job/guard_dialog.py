"""The question before something is changed in a car: what it costs, and an explicit consent."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QDialog,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Answers
from logbench.vehicle.records.clearing import CONSENT, EVAP_CAUTIONS, LOSSES, STAYS, ControlTest
from logbench.words import tr

GUARD = tr(
    "The car must stand still, its engine off or idling: the car itself is asked. Everything is "
    "read and saved first; if that fails, nothing is changed."
)


class GuardDialog(QDialog):
    """The button that goes on works only with the tick set and the words typed."""

    def __init__(
        self, title: str, intro: str, points: Sequence[str], go: str, parent: QWidget
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setMinimumWidth(620)
        head = QLabel(title)
        head.setObjectName("title")
        listed = QLabel("\n".join((intro, *(f"■  {point}" for point in points))))
        listed.setWordWrap(True)
        listed.setAccessibleName(listed.text())
        guard = QLabel(GUARD)
        guard.setWordWrap(True)
        self.tick = QCheckBox(tr("I have read this, and the car stands still"))
        self.words = QLineEdit()
        self.words.setAccessibleName(tr("Type: {consent}", consent=CONSENT))
        self.words.setPlaceholderText(CONSENT)
        buttons = Answers(self, go, tr("Cancel"), careful=True)
        self.go, self.leave = buttons.go, buttons.leave
        self.tick.toggled.connect(self._judge)
        self.words.textChanged.connect(self._judge)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(24, 20, 24, 20)
        layout.setSpacing(12)
        ask = QLabel(tr("Consent: type the words  {consent}", consent=CONSENT))
        ask.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
        for widget in (head, listed, guard, self.tick, ask, self.words):
            layout.addWidget(widget)
        layout.addLayout(buttons)
        self.tick.setFocus()
        self._judge()

    @property
    def consent(self) -> str:
        """What was typed."""
        return self.words.text().strip()

    def _judge(self) -> None:
        self.go.setEnabled(self.tick.isChecked() and self.consent == CONSENT)


def clear_dialog(parent: QWidget) -> GuardDialog:
    """Before clearing."""
    return GuardDialog(
        tr("Clear the codes"),
        tr("Clearing loses, in every ECU that answers:"),
        (*LOSSES, STAYS),
        tr("Read, save, then clear"),
        parent,
    )


def evap_dialog(tests: Sequence[ControlTest], parent: QWidget) -> GuardDialog:
    """Before the evaporative system is closed; `tests`: all the car offers."""
    offered = "; ".join(
        tr("{ecu} test {number:02X}, {name}", ecu=test.ecu, number=test.test_id, name=test.name)
        + ("" if test.startable else tr(" (shown only, never run)"))
        for test in tests
    )
    return GuardDialog(
        tr("Close the evaporative system for a leak test"),
        tr(
            "The car offers: {offered}.\nThe one the standard defines can be started:",
            offered=offered,
        ),
        EVAP_CAUTIONS,
        tr("Read, save, then close it"),
        parent,
    )
