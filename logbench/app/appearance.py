"""Theme, size of texts and units: chosen by key or in the settings, and kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt
from PySide6.QtWidgets import QWidget

from logbench.app.commands import add_command
from logbench.app.services import Services
from logbench.app.theme import SIZES
from logbench.signals.units import Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.settings_dialog import SettingsDialog


class Appearance(QObject):
    """Its commands belong to the window."""

    def __init__(self, window: QWidget, services: Services) -> None:
        super().__init__(window)
        self._window, self._settings, self._look = window, services.settings, services.look
        self._dialog: SettingsDialog | None = None
        for title, keys, run in (
            (tr("Switch between light and night"), "Ctrl+T", self._switch_theme),
            (tr("Metric or US units"), "Ctrl+U", self._switch_units),
            (tr("Settings"), "Ctrl+,", self.show_settings),
            (tr("Larger texts"), ["Ctrl++", "Ctrl+="], lambda: self._step_size(1)),
            (tr("Smaller texts"), "Ctrl+-", lambda: self._step_size(-1)),
            (tr("Full screen"), "F11", self._switch_full_screen),
        ):
            add_command(window, title, keys, run)
        self._look.changed.connect(self._keep_look)
        self._look.units_changed.connect(self._keep_units)

    def show_settings(self) -> SettingsDialog:
        """Open the settings, which stay open beside the window."""
        if self._dialog is None:
            from logbench.app.settings_dialog import SettingsDialog

            self._dialog = SettingsDialog(self._look, self._window)
        self._dialog.show()
        self._dialog.activateWindow()
        return self._dialog

    def _keep_look(self) -> None:
        self._settings.theme = self._look.choice
        self._settings.size_percent = self._look.size_percent

    def _keep_units(self, units: Units) -> None:
        self._settings.units = units

    def _switch_theme(self) -> None:
        self._look.choose("light" if self._look.theme.name == "night" else "night")

    def _step_size(self, by: int) -> None:
        sizes = list(SIZES)
        at = sizes.index(self._look.size_percent) + by
        self._look.choose_size(sizes[min(max(at, 0), len(sizes) - 1)])

    def _switch_units(self) -> None:
        self._look.choose_units(not self._look.units.us)

    def _switch_full_screen(self) -> None:
        self._window.setWindowState(self._window.windowState() ^ Qt.WindowState.WindowFullScreen)
