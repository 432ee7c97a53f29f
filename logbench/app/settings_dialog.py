"""Theme, size of texts, units and own limits; every choice takes effect at once."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Form, lay, muted, named, plain_tip, text_button
from logbench.app.theme import CHOICES, SIZES, THEME_WORDS, Look
from logbench.cases.settings import Settings
from logbench.errors import LogbenchError
from logbench.signals.units import QUANTITIES, Units
from logbench.words import inside, tr


class SettingsDialog(QDialog):
    """Stays open beside the main window while choices are tried."""

    def __init__(self, look: Look, settings: Settings, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Settings"))
        self._look, self._settings = look, settings
        self.theme_box = named(QComboBox(), tr("Theme of the window"))
        for choice in CHOICES:
            self.theme_box.addItem(THEME_WORDS[choice], choice)
        self.theme_box.activated.connect(lambda n: look.choose(CHOICES[n]))
        self.size_box = named(QComboBox(), tr("Size of texts"))
        for percent, title in SIZES.items():
            self.size_box.addItem(f"{title} ({percent} %)", percent)
        self.size_box.activated.connect(lambda n: look.choose_size(list(SIZES)[n]))
        form = Form()
        form.add(tr("Theme"), self.theme_box)
        form.add(tr("Size of texts"), self.size_box)
        all_units = (
            text_button(text, partial(look.set_units, Units(us)), tr("{which} units", which=text))
            for text, us in ((tr("All metric"), False), (tr("All US"), True))
        )
        form.add(tr("Units"), lay(QHBoxLayout(), *all_units))
        self.unit_boxes = {key: QComboBox() for key in QUANTITIES}
        for key, box in self.unit_boxes.items():
            box.addItems(QUANTITIES[key].choices)
            box.setAccessibleName(tr("Unit of {quantity}", quantity=inside(QUANTITIES[key].title)))
            box.activated.connect(partial(self._unit_chosen, key))
            form.add(QUANTITIES[key].title, box)
        self.limits = named(QLineEdit(), tr("File of your own limits and checks"))
        self.limits.editingFinished.connect(self._keep_limits)
        choose = text_button(
            tr("Choose …"), self._choose_limits, tr("Choose the file of your own limits and checks")
        )
        self.wrong = QLabel()
        self.wrong.setObjectName("trouble")
        self.wrong.setWordWrap(True)
        form.add(tr("Own limits"), lay(QHBoxLayout(), (self.limits, 1), choose), self.limits)
        close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        close.rejected.connect(self.reject)
        said = muted(tr("Recordings are kept as measured, whatever is chosen here."))
        lay(QVBoxLayout(self), form, self.wrong, said, close)
        look.changed.connect(self._fill)
        look.units_changed.connect(self._fill)
        self._fill()

    def showEvent(self, event: QShowEvent) -> None:
        """The file that counts while none is named is looked up when it is seen."""
        from logbench.analysis.bands import own_limits_path

        super().showEvent(event)
        named_file = self._settings.own_limits
        self.limits.setText("" if named_file is None else str(named_file))
        self.limits.setPlaceholderText(str(own_limits_path()))
        self.limits.setToolTip(plain_tip(self.limits.text() or self.limits.placeholderText()))
        self._judge_limits()

    def _choose_limits(self) -> None:
        name, _ = QFileDialog.getOpenFileName(
            self, tr("Own limits"), self.limits.text(), tr("Limits (*.toml);;All files (*)")
        )
        if name:
            self.limits.setText(name)
            self._keep_limits()

    def _keep_limits(self) -> None:
        """Empty: the file of the usual place. They hold from the next recording opened on."""
        text = self.limits.text().strip()
        self._settings.own_limits = Path(text).expanduser() if text else None
        self._judge_limits()

    def _judge_limits(self) -> None:
        from logbench.analysis.bands import load_limits

        try:
            self.wrong.setText(load_limits(self._settings.own_limits).problem)
        except LogbenchError as error:
            self.wrong.setText(str(error))
        self.wrong.setVisible(bool(self.wrong.text()))

    def _unit_chosen(self, quantity: str, index: int) -> None:
        unit = QUANTITIES[quantity].choices[index]
        self._look.set_units(self._look.units.choose(quantity, unit))

    def _fill(self) -> None:
        """Show what is in force; it can be changed by keys meanwhile."""
        look = self._look
        self.theme_box.setCurrentIndex(CHOICES.index(look.choice))
        self.size_box.setCurrentIndex(list(SIZES).index(look.size_percent))
        for key, box in self.unit_boxes.items():
            box.setCurrentIndex(QUANTITIES[key].choices.index(look.units.choice(key)))
