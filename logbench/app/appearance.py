"""Theme, size of texts, units and own limits: by key or in the settings, and kept."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QDialogButtonBox,
    QFileDialog,
    QHBoxLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.parts import Dialog, Form, lay, muted, named, plain_text, styled, text_button
from logbench.app.plain import Choice, Label
from logbench.app.services import Services
from logbench.app.signing import SigningKey
from logbench.app.theme import CHOICES, SIZES, THEME_WORDS, Look
from logbench.cases.settings import Settings
from logbench.signals.units import QUANTITIES, Units
from logbench.words import inside, tr

_LIMITS_PX = 300


class SecondPlace(QWidget):
    """The folder that recordings under way are mirrored to; empty: none."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings
        self.folder = named(QLineEdit(), tr("Second place of recordings"))
        self.folder.setPlaceholderText(tr("none: a folder on another disk"))
        self.folder.setToolTip(
            tr("A recording under way is kept there, too, until it is saved: a disk may fail")
        )
        self.folder.editingFinished.connect(self._keep)
        choose = text_button(
            tr("Choose …"), self._choose, name=tr("Choose the second place of recordings")
        )
        self.said = styled(Label(wordWrap=True), "trouble")
        self.said.hide()
        row = lay(QHBoxLayout(), (self.folder, 1), choose, spacing=8)
        lay(QVBoxLayout(self), row, self.said, margins=(0, 0, 0, 0))
        self._show()

    def _show(self) -> None:
        folder = self._settings.second_folder
        self.folder.setText("" if folder is None else str(folder))

    def _choose(self) -> None:
        name = QFileDialog.getExistingDirectory(self, tr("Second place"), self.folder.text())
        if name:
            self.folder.setText(name)
            self._keep()

    def _keep(self) -> None:
        """Keep the folder, if it can be one."""
        text = self.folder.text().strip()
        folder = Path(text).expanduser() if text else None
        wrong = ""
        if folder is not None and not folder.is_dir():
            wrong = tr("There is no such folder.")
        elif folder is not None and folder.resolve() == self._settings.folder.resolve():
            wrong = tr("That is where recordings go anyway: choose a folder on another disk.")
        self.said.setText(wrong)
        self.said.setVisible(bool(wrong))
        if not wrong:
            self._settings.second_folder = None if folder is None else folder.absolute()
            self._show()


class SettingsDialog(Dialog):
    """Stays open beside the main window while choices are tried."""

    def __init__(self, look: Look, settings: Settings, parent: QWidget) -> None:
        super().__init__(tr("Settings"), parent)
        self._look, self._settings = look, settings
        self.second = SecondPlace(settings)
        self.theme_box = named(Choice(), tr("Theme of the window"))
        for choice in CHOICES:
            self.theme_box.addItem(THEME_WORDS[choice], choice)
        self.theme_box.activated.connect(lambda n: look.choose(CHOICES[n]))
        self.size_box = named(Choice(), tr("Size of texts"))
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
        form.add(tr("Units"), lay(QHBoxLayout(), *all_units, spacing=8))
        self.unit_boxes = {key: Choice() for key in QUANTITIES}
        for key, box in self.unit_boxes.items():
            title = QUANTITIES[key].title
            box.addItems(QUANTITIES[key].choices)
            box.activated.connect(partial(self._unit_chosen, key))
            form.add(title, named(box, tr("Unit of {quantity}", quantity=inside(title))))
        form.add(tr("Second place"), self.second, self.second.folder)
        self.exchanges = QCheckBox(tr("Keep what was sent to the car and answered"))
        self.exchanges.setToolTip(
            tr("Proves the values of a recording, and lets them be decoded again; holds the VIN")
        )
        self.exchanges.setChecked(settings.keep_exchanges)
        self.exchanges.toggled.connect(partial(setattr, settings, "keep_exchanges"))
        form.add(tr("In recordings"), self.exchanges)
        self.speech = QCheckBox(tr("Speak the plan's next step and warnings"))
        self.speech.setToolTip(tr("By the voice of this computer; Shift+V on the Live page"))
        self.speech.toggled.connect(partial(setattr, settings, "speech"))
        form.add(tr("While driving"), self.speech)
        self.limits = styled(plain_text(), "muted")
        self.limits.setMinimumWidth(_LIMITS_PX)
        form.add(tr("Own limits"), self.limits)
        self.signing = SigningKey()
        form.add(tr("Signing key"), self.signing)
        close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        close.rejected.connect(self.reject)
        said = muted(tr("Recordings are kept as measured, whatever is chosen here."))
        lay(QVBoxLayout(self), form, said, close)
        look.follow(self._fill)
        self._fill()

    def showEvent(self, event: QShowEvent) -> None:
        """Own limits are looked up when they are seen."""
        from logbench.analysis.bands import load_limits, own_limits_path

        super().showEvent(event)
        self.speech.setChecked(self._settings.speech)
        self.signing.show_key()
        limits = load_limits()
        path = own_limits_path()
        none = tr("none: put them into {path}", path=path)
        self.limits.setText(limits.problem or (str(path) if limits.file else none))
        self.adjustSize()
        layout = self.layout()
        if layout is not None:  # it takes two thirds of the screen at most, and cuts texts then
            height = layout.totalHeightForWidth(self.width())
            self.resize(self.width(), max(self.height(), height))

    def _unit_chosen(self, quantity: str, index: int) -> None:
        unit = QUANTITIES[quantity].choices[index]
        self._look.set_units(self._look.units.choose(quantity, unit))

    def _fill(self, _: object = None) -> None:
        """Show what is in force; it can be changed by keys meanwhile."""
        look = self._look
        self.theme_box.setCurrentIndex(CHOICES.index(look.choice))
        self.size_box.setCurrentIndex(list(SIZES).index(look.size_percent))
        for key, box in self.unit_boxes.items():
            box.setCurrentIndex(QUANTITIES[key].choices.index(look.units.choice(key)))


class Appearance(QObject):
    """Its commands belong to the window."""

    def __init__(self, window: QWidget, services: Services) -> None:
        super().__init__(window)
        self._window, self._settings = window, services.settings
        self._look = look = services.look
        self._dialog: SettingsDialog | None = None
        for title, keys, run in (
            (tr("Switch between light and night"), "Ctrl+T", self._switch_theme),
            (tr("Roadside look on or off"), "F9", self.switch_roadside),
            (tr("Metric or US units"), "Ctrl+U", lambda: look.choose_units(not look.units.us)),
            (tr("Settings"), "Ctrl+,", self.show_settings),
            (tr("Larger texts"), ["Ctrl++", "Ctrl+="], lambda: self._step_size(1)),
            (tr("Smaller texts"), "Ctrl+-", lambda: self._step_size(-1)),
            (tr("Full screen"), "F11", self._switch_full_screen),
        ):
            add_command(window, title, keys, run)
        window.installEventFilter(self)
        look.changed.connect(self._keep_look)
        look.units_changed.connect(self._keep_units)

    def show_settings(self) -> SettingsDialog:
        """Open the settings, which stay open beside the window."""
        if self._dialog is None:
            self._dialog = SettingsDialog(self._look, self._settings, self._window)
        self._dialog.show()
        self._dialog.activateWindow()
        return self._dialog

    def _keep_look(self) -> None:
        self._settings.theme = self._look.choice
        self._settings.size_percent = self._look.size_percent

    def _keep_units(self, units: Units) -> None:
        self._settings.units = units

    def switch_roadside(self) -> None:
        """Sunlight and gloves, or the look before."""
        self._look.choose_roadside(not self._look.roadside)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Once the window is shown it tells on which screen it is."""
        if event.type() == QEvent.Type.Show:
            self._window.removeEventFilter(self)
            handle = self._window.windowHandle()
            self._look.set_screen(handle.screen())
            handle.screenChanged.connect(self._look.set_screen)
        return False

    def _switch_theme(self) -> None:
        self._look.choose("light" if self._look.theme.name == "night" else "night")

    def _step_size(self, by: int) -> None:
        sizes = list(SIZES)
        at = sizes.index(self._look.size_percent) + by
        self._look.choose_size(sizes[min(max(at, 0), len(sizes) - 1)])

    def _switch_full_screen(self) -> None:
        self._window.setWindowState(self._window.windowState() ^ Qt.WindowState.WindowFullScreen)
