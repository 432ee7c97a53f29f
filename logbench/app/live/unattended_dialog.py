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
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Form, lay, named, pad, text_button
from logbench.cases.settings import Settings
from logbench.words import tr

_WIDTH = 560
_TEXT = tr(
    "Runs for days: one file for each time the engine runs. With the engine off, nothing is asked "
    "of the car and the adapter rests; it only wakes for a look at its voltmeter. Below the "
    "voltage given here the run ends for good, so that the battery is spared. The oldest "
    "recordings without a marker make room when the disk budget is used up."
)


class UnattendedDialog(QDialog):
    """Shows and changes what `Settings` keeps of unattended runs."""

    def __init__(self, settings: Settings, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Unattended run"))
        self._settings = settings
        self.folder = named(
            QLineEdit(str(settings.days_folder)), tr("Folder of unattended recordings")
        )
        self.look = text_button(
            tr("Choose …"),
            self._choose_folder,
            name=tr("Choose the folder of unattended recordings"),
        )
        self.budget = self._spin(tr("Disk budget in GB"), " GB", "unattended_budget_gb")
        self.stop_below = self._spin(
            tr("Voltage that ends the run"), " V", "unattended_stop_below_v"
        )
        self.stop_below.setSingleStep(0.1)
        self.volt_every = self._spin(
            tr("Seconds between two looks at the voltage"), " s", "unattended_volt_every_s"
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
        row = lay(QHBoxLayout(), (self.folder, 1), self.look, spacing=8)
        form = Form()
        form.add(tr("&Folder"), row, self.folder)
        form.add(tr("&Disk budget"), self.budget)
        form.add(tr("&End below"), self.stop_below)
        form.add(tr("&Look at the voltage every"), self.volt_every)
        layout = lay(
            QVBoxLayout(self),
            text,
            form,
            self.said,
            self.buttons,
            margins=(20, 16, 20, 16),
            spacing=12,
        )
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
        settings = self._settings
        settings.unattended_folder = Path(text).expanduser()
        settings.unattended_budget_gb = round(self.budget.value(), 1)
        settings.unattended_stop_below_v = round(self.stop_below.value(), 1)
        settings.unattended_volt_every_s = round(self.volt_every.value(), 1)
        self.accept()

    def _spin(self, name: str, suffix: str, key: str) -> QDoubleSpinBox:
        """A field for a number of the settings."""
        box = QDoubleSpinBox()
        box.setDecimals(1)
        box.setRange(*self._settings.bounds(key))
        box.setValue(getattr(self._settings, key))
        box.setSuffix(suffix)
        box.setAccessibleName(name)
        pad(box)
        return box
