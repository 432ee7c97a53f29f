"""The car's own records: read, shown, cleared under guard; other modules' codes."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from logbench.app.job.entries import Column, EntryTable
from logbench.app.job.opened import OpenJob
from logbench.app.job.reading_tree import ReadingTree
from logbench.app.live.link_box import LinkBox
from logbench.app.theme import Theme
from logbench.cases.job import LoadRecords, Records
from logbench.cases.settings import Settings
from logbench.job.model import RESTRAINT_CAUTION, OtherCode, ReadingEntry, Role
from logbench.job.times import short_time
from logbench.signals.units import Units
from logbench.words import tr, word

ROLES: tuple[Role, ...] = ("before", "after", "other")
_DIFF = tr("Before against after")
_WHEN = {word(side): side for side in ("before", "after")}
_NONE_YET = tr(
    "The car has not been read yet: pick the link above, turn the ignition on and press Read the "
    "car. Codes, readiness, monitor results and freeze frames are kept in the job."
)


class OtherCodes(QWidget):
    """Codes of modules beyond the open standard, typed in, with the restraint caution."""

    def __init__(self) -> None:
        super().__init__()
        self._open: OpenJob | None = None
        self.table = EntryTable(
            tr("Codes of other modules, read with other equipment"),
            "other_codes",
            (Column("module", tr("Module")), Column("code", tr("Code"), False),
             Column("state", tr("State")), Column("remark", tr("Remark")),
             Column("when", tr("When"), False, _WHEN), Column("restraint", tr("Restraint"), False,
                                                          tick=True)),
            lambda: OtherCode(module="", code=""),
        )  # fmt: skip
        self.caution = QLabel(f"■  {RESTRAINT_CAUTION}")
        self.caution.setObjectName("trouble")
        self.caution.setWordWrap(True)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(20, 12, 20, 12)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.caution)
        self.caution.hide()

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        self._open = opened
        self.table.show_job(opened)
        self.refresh()

    def refresh(self) -> None:
        """The caution comes with the first code of the restraint system."""
        self.caution.setVisible(self._open is not None and self._open.job.restraint_work)


class RecordsPanel(QWidget):
    """Link, buttons, readings on the left, what the chosen one holds on the right."""

    read_wanted = Signal(str)
    """Role."""
    clear_wanted = Signal()
    evap_wanted = Signal()
    lookup_wanted = Signal(str)
    search_page_wanted = Signal()

    def __init__(self, settings: Settings, theme: Theme) -> None:
        super().__init__()
        self._open: OpenJob | None = None
        self._seen: list[tuple[str, Role]] | None = None
        """The readings that are shown, or being opened."""
        self._records = Records((), (), None)
        self.link = LinkBox(settings)
        self.role = QComboBox()
        self.role.setAccessibleName(tr("Role of the next reading"))
        self.role.addItems([word(role) for role in ROLES])
        self.read_button = _button(tr("Read the car  Ctrl+Shift+R"), tr("Read the car and keep it"))
        self.clear_button = _button(tr("Clear codes …"), tr("Clear the codes, after asking"))
        self.evap_button = _button(
            tr("Leak test …"), tr("Close the evaporative system, after asking")
        )
        self.lookup_button = _button(
            tr("Look up code …"), tr("Look the chosen code up in the browser")
        )
        self.search_button = _button(tr("Search page …"), tr("Set the search page for codes"))
        self.list = QListWidget()
        self.list.setAccessibleName(tr("Readings of the car"))
        self.list.setWordWrap(True)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setResizeMode(QListWidget.ResizeMode.Adjust)
        self.list.currentRowChanged.connect(self._show)
        self.entry_role = QComboBox()
        self.entry_role.setAccessibleName(tr("Role of the chosen reading"))
        self.entry_role.addItems([word(role) for role in ROLES])
        self.entry_role.activated.connect(self._role_chosen)
        self.tree = ReadingTree(theme)
        self.tree.currentItemChanged.connect(
            lambda *_: self.lookup_button.setEnabled(bool(self.tree.code))
        )
        self.read_button.clicked.connect(
            lambda: self.read_wanted.emit(ROLES[self.role.currentIndex()])
        )
        self.clear_button.clicked.connect(self.clear_wanted)
        self.evap_button.clicked.connect(self.evap_wanted)
        self.search_button.clicked.connect(lambda _=False: self.search_page_wanted.emit())
        self.lookup_button.clicked.connect(lambda: self.lookup_wanted.emit(self.tree.code))
        self._lay_out()

    def _lay_out(self) -> None:
        top = QHBoxLayout()
        top.addWidget(QLabel(tr("Link")))
        top.addWidget(self.link, 1)
        top.addWidget(QLabel(tr("as")))
        top.addWidget(self.role)
        for button in (self.read_button, self.clear_button, self.evap_button):
            top.addWidget(button)
        left = QWidget()
        side = QVBoxLayout(left)
        side.setContentsMargins(0, 0, 0, 0)
        side.addWidget(self.list, 1)
        row = QHBoxLayout()
        row.addWidget(QLabel(tr("Role")))
        row.addWidget(self.entry_role, 1)
        side.addLayout(row)
        looking = QHBoxLayout()
        looking.addWidget(self.lookup_button, 1)
        looking.addWidget(self.search_button)
        side.addLayout(looking)
        splitter = QSplitter(Qt.Orientation.Horizontal)
        splitter.addWidget(left)
        splitter.addWidget(self.tree)
        splitter.setStretchFactor(1, 1)
        splitter.setSizes([230, 800])
        layout = QVBoxLayout(self)
        layout.setContentsMargins(20, 12, 20, 12)
        layout.addLayout(top)
        layout.addWidget(splitter, 1)

    # --- showing ---

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        self._open, self._seen = opened, None
        self.refresh()

    def refresh(self) -> None:
        """Open the readings where there are others; the role of the next follows from them."""
        seen = [(entry.file, entry.role) for entry in self._entries()]
        if self._open is None or seen == self._seen:
            return
        self._seen = seen
        has_before = any(role == "before" for _, role in seen)
        self.role.setCurrentIndex(ROLES.index("after" if has_before else "before"))
        load = LoadRecords(self._open.folder, self._open.snapshot())
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
            self.list.addItem(QListWidgetItem("  ".join(word for word in words if word)))
        if records.diff is not None:
            self.list.addItem(QListWidgetItem(_DIFF))
        self.list.blockSignals(False)
        self.list.setCurrentRow(len(entries) - 1)
        self._show(self.list.currentRow())

    def set_units(self, units: Units) -> None:
        """Show it in other units."""
        self.tree.units = units
        self._show(self.list.currentRow())

    def busy(self, busy: bool) -> None:
        """While the car is being talked to nothing else is asked of it."""
        for button in (self.read_button, self.clear_button, self.evap_button):
            button.setEnabled(not busy)

    def _entries(self) -> list[ReadingEntry]:
        return [] if self._open is None else self._open.job.readings

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
            self._open.set_value(self._entries()[row], "role", ROLES[index])


def _button(text: str, name: str) -> QPushButton:
    button = QPushButton(text)
    button.setAccessibleName(name)
    return button
