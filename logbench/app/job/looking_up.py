"""Looking a code up on the web: with the user's own browser and search page, when they press it."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QDialog, QLabel, QLineEdit, QVBoxLayout, QWidget

from logbench.app.job.opened import OpenJob
from logbench.app.parts import Answers, lay, muted, named
from logbench.car.model import Car
from logbench.cases.settings import Settings
from logbench.errors import UsageError
from logbench.job.privacy import PLACE, search_url, search_words
from logbench.words import tr

_EXAMPLE_CODE = "P0171"
_TEXT = tr(
    "Codes are looked up with your own browser, on the search page that you use. Type "
    "its address with {place} where the words go. Only code, year and make are sent, "
    "never a VIN, a name or a place, and only when you press the button. The address "
    "is kept; 'Search page …' changes it.",
    place=PLACE,
)


class SearchPageDialog(QDialog):
    """Asks for the address of a search page, and shows what would be opened."""

    def __init__(self, template: str, code: str, car: Car | None, parent: QWidget) -> None:
        super().__init__(parent)
        self._code, self._car = code or _EXAMPLE_CODE, car or Car()
        self.setWindowTitle(tr("Search page for codes"))
        self.setMinimumWidth(600)
        text = QLabel(_TEXT if template else tr("No search page is set yet. {text}", text=_TEXT))
        text.setWordWrap(True)
        self.address = named(QLineEdit(template), tr("Address of the search page"))
        self.address.setPlaceholderText(f"https://search.example/?q={PLACE}")
        self.address.textChanged.connect(self._judge)
        self.said = muted()
        buttons = Answers(self, tr("Use this page"), tr("Cancel"))
        self.go = buttons.go
        asked = text, self.address, self.said
        lay(QVBoxLayout(self), *asked, buttons, margins=(24, 20, 24, 20), spacing=12)
        self.address.setFocus()
        self._judge()

    @property
    def template(self) -> str:
        """What was typed."""
        return self.address.text().strip()

    def _judge(self) -> None:
        words = search_words(self._code, self._car.year, self._car.make)
        try:
            url = search_url(self.template, self._code, self._car.year, self._car.make)
            self.said.setText(tr("Opened for '{words}': {url}", words=words, url=url))
        except UsageError as error:
            self.said.setText(str(error))
            url = ""
        self.go.setEnabled(bool(url))


class LookUp:
    """Opens the browser on a code; asks for the search page first where there is none."""

    def __init__(self, settings: Settings, parent: QWidget) -> None:
        self._settings, self._parent = settings, parent
        self.ask: Callable[[SearchPageDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""

    def set_page(self, code: str = "", car: Car | None = None) -> bool:
        """Ask for the search page; False when it was left as it is."""
        dialog = SearchPageDialog(self._settings.search_page, code, car, self._parent)
        if not self.ask(dialog):
            return False
        self._settings.search_page = dialog.template
        return True

    def look_up(self, opened: OpenJob, code: str) -> None:
        """Open the user's own browser on a code of a job: code, year and make only."""
        car = opened.job.vehicle
        if not self._settings.search_page and not self.set_page(code, car):
            return
        try:
            url = search_url(self._settings.search_page, code, car.year, car.make)
        except UsageError as error:  # the settings were edited by hand
            opened.trouble(tr("{error} Press 'Search page …' to set it.", error=error))
            return
        if not QDesktopServices.openUrl(QUrl(url)):
            opened.trouble(tr("No browser could be opened. The address was {url}", url=url))
