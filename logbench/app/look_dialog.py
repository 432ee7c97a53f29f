"""Theme, size of texts and units in one small window; every choice takes effect at once."""

from __future__ import annotations

from functools import partial

from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Form
from logbench.app.theme import CHOICES, SIZES, THEME_WORDS, Look
from logbench.signals.units import QUANTITIES, Units
from logbench.words import inside, tr


class LookDialog(QDialog):
    """Stays open beside the main window while choices are tried."""

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Look and units"))
        self._look = look
        self.theme_box, self.size_box = QComboBox(), QComboBox()
        self.theme_box.setAccessibleName(tr("Theme of the window"))
        for choice in CHOICES:
            self.theme_box.addItem(THEME_WORDS[choice], choice)
        self.theme_box.activated.connect(lambda n: look.choose(CHOICES[n]))
        self.size_box.setAccessibleName(tr("Size of texts"))
        for percent, title in SIZES.items():
            self.size_box.addItem(f"{title} ({percent} %)", percent)
        self.size_box.activated.connect(lambda n: look.choose_size(list(SIZES)[n]))
        form = Form()
        form.add(tr("Theme"), self.theme_box)
        form.add(tr("Size of texts"), self.size_box)
        row = QHBoxLayout()
        for text, us in ((tr("All metric"), False), (tr("All US"), True)):
            button = QPushButton(text)
            button.setAccessibleName(tr("{which} units", which=text))
            button.clicked.connect(partial(look.set_units, Units(us)))
            row.addWidget(button)
        form.add(tr("Units"), row)
        self.unit_boxes = {key: QComboBox() for key in QUANTITIES}
        for key, box in self.unit_boxes.items():
            box.addItems(QUANTITIES[key].choices)
            box.setAccessibleName(tr("Unit of {quantity}", quantity=inside(QUANTITIES[key].title)))
            box.activated.connect(partial(self._unit_chosen, key))
            form.add(QUANTITIES[key].title, box)
        said = QLabel(tr("Recordings are kept as measured, whatever is chosen here."))
        said.setObjectName("muted")
        said.setWordWrap(True)
        close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        close.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addWidget(said)
        layout.addWidget(close)
        look.changed.connect(self._fill)
        look.units_changed.connect(self._fill)
        self._fill()

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
