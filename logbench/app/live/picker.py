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
from logbench.signals.table import PURPOSES, default_signals, table
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
    words: tuple[str, ...] = ()
    """In small letters; a row has all of them, in any order."""

    def filterAcceptsRow(self, row: int, parent: QModelIndex | QPersistentModelIndex) -> bool:
        """By PID and words."""
        index = self.sourceModel().index(row, 0, parent)
        if self.supported and index.data(_PID) not in self.supported:
            return False
        return all(word in index.data(_SEARCHED) for word in self.words)


class SignalPicker(QWidget):
    """With the default purpose the choice is left to the capture process, which sees the car."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._filling = False
        self._supported: frozenset[int] = frozenset()
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
        self.search.textChanged.connect(self._search)
        self.only = QCheckBox(tr("Only this car's"))
        self.only.setChecked(True)
        self.only.setToolTip(
            tr("Only what this car reports, as it said when it was last met over this link")
        )
        self.only.toggled.connect(self._supported_chosen)
        self.only.hide()
        self.list = named(QListView(), tr("Signals to record"))
        self.list.setModel(self._shown)
        self.list.setEditTriggers(QListView.EditTrigger.NoEditTriggers)
        self.list.setWordWrap(True)  # where a sensor sits is told at the end of its name
        self.list.setResizeMode(QListView.ResizeMode.Adjust)
        self.list.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Ignored)
        self.list.setMinimumHeight(96)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setTextElideMode(Qt.TextElideMode.ElideNone)
        self.list.activated.connect(self._toggle)
        self.count = styled(Elided(), "muted")
        sets = lay(QHBoxLayout(), (self.purpose, 1), self.keep, self.forget)
        search = lay(QHBoxLayout(), (self.search, 1), self.only)
        lay(QVBoxLayout(self), sets, search, (self.list, 1), self.count, margins=(0, 0, 0, 0))
        self.choose((), DEFAULT)

    def _make_model(self) -> QStandardItemModel:
        """A row for each signal of the table, the usual ones first."""
        model = QStandardItemModel(self)
        usual = self._usual()
        for signal in sorted(table(), key=lambda s: s.acronym not in usual):
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
        if self.purpose.currentData() == DEFAULT:
            wanted = set(self._usual())
        self._check(wanted)
        self._show_first()

    def _usual(self) -> tuple[str, ...]:
        """The default set of this car, or of one that reports everything."""
        return default_signals(self._supported or frozenset(s.pid for s in table()))

    def _check(self, wanted: set[str]) -> None:
        self._filling = True
        for row in range(self._model.rowCount()):
            item = self._model.item(row)
            on = item.data(_ACRONYM) in wanted
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self._filling = False
        self._say_count()

    def _show_first(self) -> None:
        """The first row that is checked, or the first of what was found, at the top."""
        rows = range(self._shown.rowCount())
        checked = int(Qt.CheckState.Checked.value)
        places = [self._shown.index(row, 0) for row in rows]
        role = Qt.ItemDataRole.CheckStateRole
        first = next((p for p in places if p.data(role) == checked and not self._shown.words), None)
        place = first or (places[0] if places else QModelIndex())
        self.list.setCurrentIndex(place)
        self.list.scrollTo(place, QListView.ScrollHint.PositionAtTop)

    def _checked(self) -> tuple[str, ...]:
        """In the order of the table of signals."""
        items = (self._model.item(row) for row in range(self._model.rowCount()))
        on = {str(i.data(_ACRONYM)) for i in items if i.checkState() == Qt.CheckState.Checked}
        return tuple(signal.acronym for signal in table() if signal.acronym in on)

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
        if self.purpose.currentData() == DEFAULT:
            self._check(set(self._usual()))
        self._say_count()

    def _search(self, text: str) -> None:
        self._shown.words = tuple(text.lower().split())
        self._shown.invalidate()
        self._show_first()
        self._say_count()

    def _say_count(self) -> None:
        self.keep.setVisible(self.purpose.currentData() == OWN)
        self.forget.setVisible(self.purpose.currentData() in self._sets)
        if self.search.text().strip() and self._shown.rowCount() == 0:
            self.count.tell(tr("No signal matches; search for less of the name."))
        elif self.purpose.currentData() == DEFAULT:
            names = ", ".join(self._usual())
            self.count.tell(tr("What the checks need, as far as supported: {names}", names=names))
        else:
            count = len(self.chosen())
            self.count.tell(tr_n("{n} signal chosen", "{n} signals chosen", count))
