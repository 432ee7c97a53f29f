"""Layouts saved by name, and the menu of all that is done with layouts."""

from __future__ import annotations

from functools import partial

from PySide6.QtWidgets import QInputDialog, QMenu, QPushButton, QWidget

from logbench.app.commands import add_command
from logbench.app.plot.layouts import Layouts, layout_of
from logbench.cases.settings import Settings
from logbench.plot.layout import layout_from_json
from logbench.words import tr

_LONGEST_NAME = 60


class SavedLayouts:
    """Saves what the strips show, and shows it again for this drive or another."""

    def __init__(self, layouts: Layouts, settings: Settings, owner: QWidget) -> None:
        self.layouts, self._settings, self._owner = layouts, settings, owner
        self.button = QPushButton(tr("Layout"))
        self.button.setAccessibleName(tr("Layouts: undo, save, choose"))
        self._menu = QMenu(self.button)
        self._menu.aboutToShow.connect(self.fill_menu)
        self.button.setMenu(self._menu)
        for title, keys, run in (
            (tr("Save this layout"), "Ctrl+S", self.ask_to_save),
            (tr("Use a saved layout"), "Ctrl+L", self.ask_which),
            (tr("Delete a saved layout"), "Ctrl+Shift+L", self.ask_to_delete),
        ):
            add_command(owner, title, keys, run)

    def save(self, name: str) -> None:
        """Save what is shown under a name; a layout of that name is replaced."""
        name = " ".join(name.split())[:_LONGEST_NAME]
        layout = layout_of(self.layouts.stack)
        if name and layout.keys:
            self._settings.layouts = {**self._settings.layouts, name: layout.to_json()}
            self.layouts.notified.emit(tr("Saved as the layout “{name}”.", name=name))

    def choose(self, name: str) -> None:
        """Use the layout of that name."""
        layout = layout_from_json(self._settings.layouts.get(name, ""))
        if not self.layouts.use(layout, tr("Layout {name}", name=name)):
            said = tr("None of the signals of the layout “{name}” is there.", name=name)
            self.layouts.notified.emit(said)

    def delete(self, name: str) -> None:
        """Delete a saved layout."""
        kept = self._settings.layouts
        if kept.pop(name, None) is not None:
            self._settings.layouts = kept
            self.layouts.notified.emit(tr("Deleted the layout “{name}”.", name=name))

    def ask_to_save(self) -> None:
        """Ask for a name, then save."""
        if not self.layouts.stack.strips:
            self.layouts.notified.emit(tr("There are no strips to save."))
            return
        names = list(self._settings.layouts)
        name, given = QInputDialog.getItem(
            self._owner, tr("Save the layout"), tr("Name of the layout"), names
        )
        if given:
            self.save(name)

    def ask_which(self) -> None:
        """Ask which saved layout to use."""
        name = self._ask(tr("Use a saved layout"))
        if name:
            self.choose(name)

    def ask_to_delete(self) -> None:
        """Ask which saved layout to delete."""
        name = self._ask(tr("Delete a saved layout"))
        if name:
            self.delete(name)

    def _ask(self, title: str) -> str:
        names = list(self._settings.layouts)
        if not names:
            self.layouts.notified.emit(tr("No layout is saved yet: save this one with Ctrl+S."))
            return ""
        name, given = QInputDialog.getItem(self._owner, title, tr("Layout"), names, 0, False)
        return name if given else ""

    def fill_menu(self) -> None:
        """What can be undone and redone, and the saved layouts, as they are now."""
        menu, layouts = self._menu, self.layouts
        menu.clear()
        for word, keys, steps, run in (
            (tr("Undo"), "Ctrl+Z", layouts.history.past, layouts.undo),
            (tr("Redo"), "Ctrl+Shift+Z", layouts.history.future, layouts.redo),
        ):
            title = f"{word}: {steps[-1][0]}" if steps else word
            action = menu.addAction(f"{title}\t{keys}", run)
            action.setEnabled(bool(steps))
        menu.addAction(tr("Reset strips\tShift+L"), layouts.reset)
        menu.addSeparator()
        for name in self._settings.layouts:
            menu.addAction(name, partial(self.choose, name))
        menu.addSeparator()
        menu.addAction(tr("Save this layout …\tCtrl+S"), self.ask_to_save)
        menu.addAction(tr("Delete a layout …\tCtrl+Shift+L"), self.ask_to_delete)
