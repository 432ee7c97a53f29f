"""How an unattended run goes: folder, disk, and the voltage that ends it."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from logbench.app.live.choices import BUDGET_GB, STOP_BELOW_V, VOLT_EVERY_S, Interval, LiveChoices
from logbench.app.parts import Form, pad
from logbench.capture.messages import Unattended
from logbench.words import tr

_WIDTH = 560
_TEXT = tr(
    "Runs for days: one file for each time the engine runs. With the engine off, nothing is asked "
    "of the car and the adapter rests; it only wakes for a look at its voltmeter. Below the "
    "voltage given here the run ends for good, so that the battery is spared. The oldest "
    "recordings without a marker make room when the disk budget is used up."
)


class UnattendedDialog(QDialog):
    """Shows and changes the `LiveChoices` of unattended runs."""

    def __init__(self, choices: LiveChoices, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Unattended run"))
        self._choices = choices
        plan = choices.plan
        self.folder = QLineEdit(str(choices.days_folder))
        self.folder.setAccessibleName(tr("Folder of unattended recordings"))
        self.look = QPushButton(tr("Choose …"))
        self.look.setAccessibleName(tr("Choose the folder of unattended recordings"))
        self.look.clicked.connect(self._choose_folder)
        self.budget = _spin(tr("Disk budget in GB"), " GB", BUDGET_GB, plan.budget_bytes / 1e9)
        self.stop_below = _spin(
            tr("Voltage that ends the run"), " V", STOP_BELOW_V, plan.stop_below_v
        )
        self.stop_below.setSingleStep(0.1)
        self.volt_every = _spin(
            tr("Seconds between two looks at the voltage"), " s", VOLT_EVERY_S, plan.volt_every_s
        )
        self.buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel
        )
        self.buttons.accepted.connect(self._keep)
        self.buttons.rejected.connect(self.reject)
        self.said = QLabel()
        self.said.setObjectName("trouble")
        self.said.setWordWrap(True)
        self._lay_out()

    def _lay_out(self) -> None:
        text = QLabel(_TEXT)
        text.setWordWrap(True)
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.folder, 1)
        row.addWidget(self.look)
        form = Form()
        form.add(tr("&Folder"), row, self.folder)
        form.add(tr("&Disk budget"), self.budget)
        form.add(tr("&End below"), self.stop_below)
        form.add(tr("&Look at the voltage every"), self.volt_every)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(20, 16, 20, 16)
        layout.setSpacing(12)
        layout.addWidget(text)
        layout.addLayout(form)
        layout.addWidget(self.said)
        layout.addWidget(self.buttons)
        self.resize(_WIDTH, layout.totalHeightForWidth(_WIDTH))

    def _choose_folder(self) -> None:
        name = QFileDialog.getExistingDirectory(
            self, tr("Unattended recordings"), self.folder.text()
        )
        if name:
            self.folder.setText(name)

    def _keep(self) -> None:
        text = self.folder.text().strip()
        if not text or not Path(text).expanduser().is_absolute():
            self.said.setText(tr("Give the folder with its whole path."))
            self.folder.setFocus()
            return
        self._choices.days_folder = Path(text).expanduser()
        self._choices.plan = Unattended(
            budget_bytes=round(self.budget.value() * 1e9),
            stop_below_v=round(self.stop_below.value(), 1),
            volt_every_s=self.volt_every.value(),
        )
        self.accept()


def _spin(name: str, suffix: str, legal: Interval, value: float) -> QDoubleSpinBox:
    box = QDoubleSpinBox()
    box.setDecimals(1)
    box.setRange(*legal)
    box.setValue(value)
    box.setSuffix(suffix)
    box.setAccessibleName(name)
    pad(box)
    return box
