"""Choosing signals: by purpose, or one by one from a searchable list."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QSortFilterProxyModel, Qt
from PySide6.QtGui import QStandardItem, QStandardItemModel
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QInputDialog,
    QLineEdit,
    QListView,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Elided, lay, named, styled, text_button
from logbench.app.plain import Choice, plain_tip
from logbench.cases.settings import Settings
from logbench.signals.table import PURPOSES, table
from logbench.words import tr, tr_n, word

DEFAULT = "default set"
OWN = "my own choice"
"""As they are kept; shown through `word`, as the purposes are."""
_SEARCHED = Qt.ItemDataRole.UserRole + 1
_ACRONYM = Qt.ItemDataRole.UserRole + 2
_PID = Qt.ItemDataRole.UserRole + 3


class _Shown(QSortFilterProxyModel):
    """What is searched for, of what the car reports where that is known."""

    supported: frozenset[int] = frozenset()

    def filterAcceptsRow(self, row: int, parent: QModelIndex | QPersistentModelIndex) -> bool:
        """Qt's own filter, and the PID."""
        if self.supported:
            pid = self.sourceModel().index(row, 0, parent).data(_PID)
            if pid not in self.supported:
                return False
        return super().filterAcceptsRow(row, parent)


class SignalPicker(QWidget):
    """With the default purpose the choice is left to the capture process, which sees the car."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._filling = False
        self._settings = settings
        self._sets = settings.signal_sets
        self.purpose = named(Choice(), tr("Signals for a purpose"))
        for name in (DEFAULT, *PURPOSES):
            self.purpose.addItem(word(name), name)
        for name in self._sets:
            self.purpose.addItem(name, name)
        self.purpose.addItem(word(OWN), OWN)
        keep = tr("Save the chosen signals as a set of your own")
        self.keep = text_button(tr("Save set"), self.ask_to_save, keep)
        self.forget = text_button(
            tr("Delete set"), self.forget_set, name=tr("Delete this set of your own")
        )
        self.purpose.activated.connect(self._purpose_chosen)
        hint = tr("Search: acronym, name or PID")
        line = QLineEdit(placeholderText=hint, clearButtonEnabled=True)
        self.search = named(line, tr("Search signals"))
        self._model = self._make_model()
        self._shown = _Shown(self)
        self._shown.setSourceModel(self._model)
        self._shown.setFilterRole(_SEARCHED)
        self.search.textChanged.connect(self._search)
        self.only = QCheckBox(tr("Only this car's"))
        self.only.setChecked(True)
        self.only.setToolTip(
            tr("Only what this car reports, as it said when it was last met over this link")
        )
        self.only.toggled.connect(self._supported_chosen)
        self.only.hide()
        self._supported: frozenset[int] = frozenset()
        self.list = named(QListView(), tr("Signals to record"))
        self.list.setModel(self._shown)
        self.list.setEditTriggers(QListView.EditTrigger.NoEditTriggers)
        self.list.setUniformItemSizes(True)
        self.list.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Ignored)
        self.list.setMinimumHeight(96)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.list.activated.connect(self._toggle)
        self.count = styled(Elided(), "muted")
        sets = lay(QHBoxLayout(), (self.purpose, 1), self.keep, self.forget)
        search = lay(QHBoxLayout(), (self.search, 1), self.only)
        lay(QVBoxLayout(self), sets, search, (self.list, 1), self.count, margins=(0, 0, 0, 0))
        self._say_count()

    def _make_model(self) -> QStandardItemModel:
        """A row for each signal of the table."""
        model = QStandardItemModel(self)
        for signal in table():
            item = QStandardItem(f"{signal.acronym}   {signal.name}")
            item.setCheckable(True)
            item.setEditable(False)
            item.setData(signal.acronym, _ACRONYM)
            item.setData(signal.pid, _PID)
            item.setData(f"{signal.acronym} {signal.name} {signal.pid:02X}".lower(), _SEARCHED)
            tip = tr("{name}, PID {pid:02X}", name=signal.name, pid=signal.pid)
            item.setToolTip(plain_tip(tip))
            model.appendRow(item)
        model.itemChanged.connect(self._item_changed)
        return model

    def chosen(self) -> tuple[str, ...]:
        """Acronyms to ask for, in the table's order or the purpose's; empty for the default."""
        purpose = self.purpose.currentData()
        if purpose == DEFAULT:
            return ()
        known = {**PURPOSES, **self._sets}
        return known[purpose] if purpose in known else self._checked()

    def ask_to_save(self) -> None:
        """Ask for a name, and save the chosen signals under it."""
        name, given = QInputDialog.getText(self, tr("Save set"), tr("Name of the set of signals"))
        if given and name.strip():
            self.save_set(name.strip())

    def save_set(self, name: str) -> None:
        """Save the chosen signals as a set; a name that a purpose has is not taken."""
        name = " ".join(name.split())
        signals = self.chosen()
        if not signals or name in (DEFAULT, OWN, *PURPOSES):
            return
        if name not in self._sets:
            self.purpose.insertItem(self.purpose.count() - 1, name, name)
        self._sets[name] = signals
        self._settings.signal_sets = self._sets
        self.choose((), name)

    def forget_set(self) -> None:
        """Delete the set that is chosen; its signals stay checked."""
        name = self.purpose.currentData()
        if name not in self._sets:
            return
        signals = self._sets.pop(name)
        self._settings.signal_sets = self._sets
        self.purpose.removeItem(self.purpose.currentIndex())
        self.choose(signals)

    def choose(self, acronyms: tuple[str, ...], purpose: str = OWN) -> None:
        """Check these signals; with a purpose of the list, that purpose's."""
        index = self.purpose.findData(purpose)
        self.purpose.setCurrentIndex(index if index >= 0 else 0)
        wanted = set({**PURPOSES, **self._sets}.get(purpose, acronyms))
        self._filling = True
        for row in range(self._model.rowCount()):
            item = self._model.item(row)
            on = item.data(_ACRONYM) in wanted
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self._filling = False
        self._say_count()

    def _checked(self) -> tuple[str, ...]:
        items = (self._model.item(row) for row in range(self._model.rowCount()))
        return tuple(
            str(i.data(_ACRONYM)) for i in items if i.checkState() == Qt.CheckState.Checked
        )

    def _purpose_chosen(self) -> None:
        if self.purpose.currentData() == OWN:
            self._say_count()
        else:
            self.choose((), self.purpose.currentData())

    def _item_changed(self, _item: QStandardItem) -> None:
        if not self._filling:
            self.purpose.setCurrentIndex(self.purpose.findData(OWN))
            self._say_count()

    def _toggle(self, index: QModelIndex) -> None:
        item = self._model.itemFromIndex(self._shown.mapToSource(index))
        checked = item.checkState() == Qt.CheckState.Checked
        item.setCheckState(Qt.CheckState.Unchecked if checked else Qt.CheckState.Checked)

    def set_supported(self, pids: frozenset[int]) -> None:
        """PIDs that the car reports; empty: not known, all signals are listed."""
        self._supported = pids
        self.only.setVisible(bool(pids))
        self._supported_chosen()

    def _supported_chosen(self) -> None:
        self._shown.supported = self._supported if self.only.isChecked() else frozenset()
        self._shown.invalidate()
        self._say_count()

    def _search(self, text: str) -> None:
        self._shown.setFilterFixedString(text.strip().lower())
        self._say_count()

    def _say_count(self) -> None:
        self.keep.setVisible(self.purpose.currentData() == OWN)
        self.forget.setVisible(self.purpose.currentData() in self._sets)
        if self.search.text().strip() and self._shown.rowCount() == 0:
            self.count.tell(tr("No signal matches; search for less of the name."))
        elif self.purpose.currentData() == DEFAULT:
            self.count.tell(tr("The dozen that the checks need, as far as supported"))
        else:
            count = len(self.chosen())
            self.count.tell(tr_n("{n} signal chosen", "{n} signals chosen", count))
