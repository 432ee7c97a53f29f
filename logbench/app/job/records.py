"""The car's own records: read, shown, cleared under guard, their codes looked up on the web with
the user's own browser and search page; other modules' codes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QMargins, Qt
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.flow import Flow
from logbench.app.job.car_actions import CarActions
from logbench.app.job.entries import ROLES, Column, EntryTable, Tab, role_box, role_of_next
from logbench.app.job.opened import OpenJob
from logbench.app.job.reading_tree import ReadingTree
from logbench.app.live.link_box import LinkBox
from logbench.app.opening import open_page
from logbench.app.parts import Answers, Dialog, lay, muted, named, styled, text_button
from logbench.app.plain import Label, ListRow
from logbench.app.services import Services
from logbench.app.tables import splitter
from logbench.car.model import Car
from logbench.cases.job import Records, load_records
from logbench.cases.settings import Settings
from logbench.errors import UsageError
from logbench.job.model import RESTRAINT_CAUTION, OtherCode, ReadingEntry, Role
from logbench.job.privacy import PLACE, search_url, search_words
from logbench.job.times import short_time
from logbench.words import tr, word

_DIFF = tr("Before against after")
_WHEN = {word(side): side for side in ("before", "after")}
_NONE_YET = tr(
    "The car has not been read yet: choose the link above, turn the ignition on and press Read the "
    "car. Codes, readiness, monitor results and freeze frames are kept in the job."
)
_EXAMPLE_CODE = "P0171"
_TEXT = tr(
    "Codes are looked up with your own browser, on the search page that you use. Type "
    "its address with {place} where the words go. Only code, year and make are sent, "
    "never a VIN, a name or a place, and only when you press the button. The address "
    "is kept; 'Search page …' changes it.",
    place=PLACE,
)


class OtherCodes(Tab):
    """Codes of modules beyond the open standard, typed in, with the restraint caution."""

    def __init__(self) -> None:
        super().__init__()
        self.table = EntryTable(
            tr("Codes of other modules, read with other equipment"),
            "other_codes",
            (Column("module", tr("Module")), Column("code", tr("Code"), False),
             Column("state", tr("State")), Column("remark", tr("Remark")),
             Column("when", tr("When"), False, _WHEN), Column("restraint", tr("Restraint"), False,
                                                          tick=True)),
            lambda: OtherCode(module="", code=""),
        )  # fmt: skip
        self.caution = styled(Label(f"■  {RESTRAINT_CAUTION}", wordWrap=True), "trouble")
        self.tables = (self.table,)
        lay(QVBoxLayout(self), (self.table, 1), self.caution, margins=(20, 12, 20, 12))
        self.caution.hide()

    def refresh(self) -> None:
        """The caution comes with the first code of the restraint system."""
        super().refresh()
        self.caution.setVisible(self._open is not None and self._open.job.restraint_work)


class SearchPageDialog(Dialog):
    """Asks for the address of a search page, and shows what would be opened."""

    def __init__(self, template: str, code: str, car: Car | None, parent: QWidget) -> None:
        super().__init__(tr("Search page for codes"), parent, 600)
        self._code, self._car = code or _EXAMPLE_CODE, car or Car()
        said = _TEXT if template else tr("No search page is set yet. {text}", text=_TEXT)
        text = Label(said, wordWrap=True)
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
        if not open_page(url):
            opened.trouble(tr("No browser could be opened. The address was {url}", url=url))


class RecordsPanel(Tab):
    """Link, buttons, readings on the left, what the chosen one holds on the right."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._seen: list[tuple[str, Role]] | None = None
        """The readings that are shown, or being opened."""
        self._records = Records((), (), None)
        self.link = LinkBox(services.settings)
        self.car = CarActions(services, self.link.url, self)
        self.lookup = LookUp(services.settings, self)
        self.role = role_box(tr("Role of the next reading"))
        self.list = named(QListWidget(), tr("Readings of the car"))
        self.list.setWordWrap(True)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setResizeMode(QListWidget.ResizeMode.Adjust)
        self.list.currentRowChanged.connect(self._show)
        self.entry_role = role_box(tr("Role of the chosen reading"))
        self.entry_role.activated.connect(self._role_chosen)
        self.tree = ReadingTree(services.look)
        self._make_buttons()
        self.tree.currentItemChanged.connect(
            lambda *_: self.lookup_button.setEnabled(bool(self.tree.code))
        )
        services.runner.changed.append(self._show_busy)
        services.look.units_changed.connect(self._show_units)
        self._lay_out()

    def _make_buttons(self) -> None:
        self.read_button = text_button(
            tr("Read the car  Ctrl+Shift+R"),
            lambda: self._with_job(self.car.read, self.role.currentData()),
            tr("Read the car and keep it"),
        )
        self.clear_button = text_button(
            tr("Clear codes …"),
            partial(self._with_job, self.car.clear),
            tr("Clear the codes, after asking"),
        )
        self.evap_button = text_button(
            tr("Leak test …"),
            partial(self._with_job, self.car.leak_test),
            tr("Close the evaporative system, after asking"),
        )
        self.lookup_button = text_button(
            tr("Look up code …"),
            lambda: self._with_job(self.lookup.look_up, self.tree.code),
            tr("Look the chosen code up in the browser"),
        )
        self.search_button = text_button(
            tr("Search page …"), self.lookup.set_page, tr("Set the search page for codes")
        )

    def _lay_out(self) -> None:
        asking = self.read_button, self.clear_button, self.evap_button
        link = Label(tr("Link")), (self.link, 1)
        buttons = Flow(QMargins())
        buttons.add(*asking)
        top = lay(QHBoxLayout(), *link, Label(tr("as")), self.role, buttons)
        left = QWidget()
        role = lay(QHBoxLayout(), Label(tr("Role")), (self.entry_role, 1))
        looking = Flow(QMargins())
        looking.add(self.lookup_button, self.search_button)
        lay(QVBoxLayout(left), (self.list, 1), role, looking, margins=(0, 0, 0, 0))
        split = splitter(Qt.Orientation.Horizontal, {left: 230, self.tree: 800})
        split.setStretchFactor(1, 1)
        lay(QVBoxLayout(self), top, (split, 1), margins=(20, 12, 20, 12))

    # --- showing ---

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        self._seen = None
        super().show_job(opened)

    def refresh(self) -> None:
        """Open the readings where there are others; the role of the next follows from them."""
        seen = [(entry.file, entry.role) for entry in self._entries()]
        if self._open is None or seen == self._seen:
            return
        self._seen = seen
        self.role.setCurrentIndex(ROLES.index(role_of_next([role for _, role in seen])))
        load = load_records(self._open.folder, self._open.snapshot())
        self._open.start(load, self.show_records, slot="records")

    def show_records(self, records: Records) -> None:
        """Readings of the job, the last chosen; the change between them first when there is one."""
        self._records = records
        entries = self._entries()
        self.list.blockSignals(True)
        self.list.clear()
        for entry, reading in zip(entries, records.readings, strict=False):
            words = [short_time(entry.at_utc), word(entry.role), entry.label]
            if reading is None:
                words.append(tr("cannot be read"))
            elif not reading.complete:
                words.append(tr("incomplete"))
            self.list.addItem(ListRow("  ".join(word for word in words if word)))
        if records.diff is not None:
            self.list.addItem(ListRow(_DIFF))
        self.list.blockSignals(False)
        self.list.setCurrentRow(len(entries) - 1)
        self._show(self.list.currentRow())

    def _entries(self) -> list[ReadingEntry]:
        return [] if self._open is None else self._open.job.readings

    def _show_units(self) -> None:
        self._show(self.list.currentRow())

    def _show(self, row: int) -> None:
        readings = self._records.readings
        chosen = 0 <= row < len(readings)
        self.entry_role.setEnabled(chosen)
        self.lookup_button.setEnabled(False)
        if chosen and row < len(self._entries()):
            self.entry_role.setCurrentIndex(ROLES.index(self._entries()[row].role))
            reading = readings[row]
            if reading is not None:
                self.tree.show_reading(reading)
            else:
                self.tree.show_text("\n".join(self._records.problems))
        elif row >= 0 and self._records.diff is not None:
            self.tree.show_diff(self._records.diff)
        else:
            self.tree.show_text(_NONE_YET)

    def _role_chosen(self, index: int) -> None:
        row = self.list.currentRow()
        if self._open is not None and 0 <= row < len(self._entries()):
            title = self.entry_role.accessibleName()
            self._open.set_value(self._entries()[row], "role", ROLES[index], title)

    def _show_busy(self) -> None:
        """While the car is being talked to nothing else is asked of it."""
        for button in (self.read_button, self.clear_button, self.evap_button):
            button.setEnabled(not self.car.busy)
