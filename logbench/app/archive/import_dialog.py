"""How other programs' files are read: columns to signals, shown, correctable, remembered."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QCheckBox,
    QCompleter,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.archive.import_outcome import (
    OutcomeView,
    over_drives,
    plain_cell,
    plain_table,
)
from logbench.app.parts import STRETCH, Elided, chooser, delayed, lay, muted, named, pad, styled
from logbench.app.plain import Label
from logbench.app.tables import splitter
from logbench.app.theme import Theme
from logbench.car.model import Car
from logbench.cases.importing import Kind
from logbench.foreign import Foreign, in_label
from logbench.importing.model import SURE, YOU_SAID, ColumnMap
from logbench.importing.run import Outcome
from logbench.signals.table import table
from logbench.signals.units import compatible, known
from logbench.words import tr, tr_n, word

COLUMN, CELLS, SIGNAL, UNIT, SURENESS, READ, RANGE, WHY = range(8)
_TITLES = (
    tr("Column of the file"),
    tr("First cells"),
    tr("Signal"),
    tr("Unit in the file"),
    tr("Sure"),
    tr("Read"),
    tr("Range"),
    tr("Why"),
)
_DELIMITERS = (
    (tr("comma"), ","),
    (tr("semicolon"), ";"),
    (tr("tab"), "\t"),
    (tr("upright bar"), "|"),
)
_DECIMALS = ((tr("point  1.5"), "."), (tr("comma  1,5"), ","))
_TIMES = (
    (tr("a count"), "number"), (tr("time of day or span, 0:03:02"), "clock"),
    (tr("date, year first"), "year first"), (tr("date, day first"), "day first"),
    (tr("date, month first"), "month first"), (tr("counted since 1970"), "epoch"),
    (tr("a spreadsheet's days"), "days"), (tr("none: rows are evenly spaced"), "none"),
)  # fmt: skip
_TIME_UNITS = ("s", "ms", "us", "ns", "min", "h")
_ROLES = (("car", tr("Car in")), ("driver", tr("Driver in")), ("trip", tr("Trip in")))
"""Columns by which a file is split."""
_WAIT_MS = 400
"""After the last change before what would come out is worked out."""
_LIKELY = 0.75
"""Less confidence than this is unsure."""
_CHARS = 10
"""Of a box to choose from."""


class ImportDialog(QDialog):
    """One kind of file. What is changed goes into `mapping` at once."""

    cut_wanted = Signal(str)
    """Another delimiter was chosen: the file is to be cut anew, see `show_kind`."""
    outcome_wanted = Signal()
    """What would come out is to be worked out anew, see `show_outcome`."""

    def __init__(self, kind: Kind, theme: Theme, parent: QWidget, *, of: str = "") -> None:
        super().__init__(parent)
        self.theme = theme
        self._filling = False
        self.setWindowTitle(tr("Import {of}", of=of).strip())
        self._make_parts()
        self._lay_out()
        self.resize(1080, 720)
        self.show_kind(kind)

    # --- building ---

    def _make_parts(self) -> None:
        self.head = styled(Elided(), "title")
        self.said = Label(wordWrap=True)
        self.delimiter = chooser(tr("Delimiter"), _CHARS, _DELIMITERS)
        self.delimiter.activated.connect(
            lambda _: self.cut_wanted.emit(str(self.delimiter.currentData()))
        )
        self.decimal = chooser(tr("Decimal mark"), _CHARS, _DECIMALS)
        self.time_place = chooser(tr("Column with the time"), _CHARS)
        self.time_format = chooser(tr("Form of the time"), _CHARS, _TIMES)
        units = ((unit, unit) for unit in _TIME_UNITS)
        self.time_unit = chooser(tr("Unit of the time"), _CHARS, units)
        period = QDoubleSpinBox(decimals=3, minimum=0.001, maximum=3600.0, suffix=tr(" s apart"))
        self.period = named(period, tr("Seconds from row to row"))
        pad(self.period)
        self.roles = {role: chooser(title, _CHARS) for role, title in _ROLES}
        boxes = (self.decimal, self.time_place, self.time_format, self.time_unit)
        for box in (*boxes, *self.roles.values()):
            box.activated.connect(lambda _: self._settings_changed())
        self.period.valueChanged.connect(lambda _: self._settings_changed())
        self.outcome = OutcomeView(self.theme)
        self._soon = delayed(self, _WAIT_MS, self.outcome_wanted.emit)
        self.rows = plain_table(tr("First rows of the file"), desk_px=26)
        self.columns = plain_table(tr("Columns and the signals they are taken for"), desk_px=38)
        self.rows.setMinimumHeight(60)
        self.columns.setMinimumHeight(130)
        self.columns.setColumnCount(len(_TITLES))
        self.columns.setHorizontalHeaderLabels(list(_TITLES))
        self.completer = QCompleter([s.acronym for s in table()], self)
        self.completer.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        example = tr("the car's name, if you like")
        self.car = named(QLineEdit(placeholderText=example), tr("Name of the car"))
        liters = QDoubleSpinBox(decimals=2, maximum=20.0, singleStep=0.1, suffix=tr(" L"))
        self.liters = named(liters, tr("Displacement in liters"))
        self.liters.setSpecialValueText(tr("displacement unknown"))
        pad(self.liters)
        self.car.textEdited.connect(lambda _: self._wait())
        self.keep = QCheckBox(tr("Remember for files with the same header"))
        self.keep.setChecked(True)

    def _lay_out(self) -> None:
        options = QGridLayout()
        for number, (title, part) in enumerate((
            (tr("Delimiter"), self.delimiter), (tr("Decimals"), self.decimal),
            (tr("Time in"), self.time_place), (tr("written as"), self.time_format),
            (tr("in"), self.time_unit), ("", self.period),
        )):  # fmt: skip
            options.addWidget(muted(title, wrap=False), 0, number)
            options.addWidget(part, 1, number)
        options.setColumnStretch(3, 1)
        middle = splitter(
            Qt.Orientation.Vertical, {self.rows: 120, self.columns: 270, self.outcome: 120}
        )
        below = QGridLayout()
        for place, part in enumerate((self.car, self.liters, self.keep)):
            below.addWidget(part, 0, place)
        below.setColumnStretch(0, 1)
        buttons = QDialogButtonBox()
        roles = QDialogButtonBox.ButtonRole
        self.import_button = buttons.addButton(tr("Import"), roles.AcceptRole)
        self.import_button.setDefault(True)
        buttons.addButton(tr("Leave these files out"), roles.RejectRole)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        titled = [(muted(title, wrap=False), self.roles[role]) for role, title in _ROLES]
        roles_row = lay(QHBoxLayout(), *(part for pair in titled for part in pair), STRETCH)
        whole = (self.head, self.said, options, roles_row, (middle, 1), below, buttons)
        lay(QVBoxLayout(self), *whole)

    # --- showing ---

    def show_kind(self, kind: Kind) -> None:
        """The kind of file, cut as its mapping says."""
        assert kind.preview.mapping is not None
        self.kind, self.mapping = kind, kind.preview.mapping.model_copy(deep=True)
        self._filling = True
        n = len(kind.files)
        self.head.tell(kind.files[0].name + (tr(" and {n} more like it", n=n - 1) if n > 1 else ""))
        self._fill_settings()
        self._fill_rows()
        self._fill_columns()
        self._filling = False
        self._judge()

    def trouble(self, sentence: str) -> None:
        """What cannot be done."""
        self._say(sentence, "trouble")

    def _say(self, sentence: str, style: str) -> None:
        styled(self.said, style).style().polish(self.said)
        self.said.setText(sentence)

    def vehicle(self) -> Car | None:
        """What the user said of the car; None when nothing."""
        liters = self.liters.value() or None
        label = self.car.text().strip()
        return Car(label=label, displacement_l=liters) if label or liters else None

    def _fill_settings(self) -> None:
        mapping, time = self.mapping, self.mapping.time
        self.delimiter.setCurrentIndex(self.delimiter.findData(mapping.delimiter))
        is_text = self.kind.files[0].suffix.lower() != ".parquet"
        self.delimiter.setEnabled(is_text)
        self.decimal.setEnabled(is_text)
        self.decimal.setCurrentIndex(self.decimal.findData(mapping.decimal))
        self.time_place.clear()
        for place, name in enumerate(self.kind.preview.names):
            self.time_place.addItem(name, place)
        self.time_place.setCurrentIndex(time.places[-1] if time.places else -1)
        for role, box in self.roles.items():
            box.clear()
            box.addItem(tr("none"), None)
            for place, name in enumerate(self.kind.preview.names):
                box.addItem(name, place)
            chosen = getattr(mapping.split, role)
            box.setCurrentIndex(0 if chosen is None else 1 + chosen)
        self.time_format.setCurrentIndex(self.time_format.findData(time.format))
        if self.time_unit.findData(time.unit) < 0:
            self.time_unit.addItem(time.unit, time.unit)
        self.time_unit.setCurrentIndex(self.time_unit.findData(time.unit))
        self.period.setValue(time.period_s)
        self._show_time_parts()

    def _show_time_parts(self) -> None:
        form = self.mapping.time.format
        self.time_place.setEnabled(form != "none")
        self.time_unit.setEnabled(form in {"number", "epoch"})
        self.period.setEnabled(form == "none")

    def _fill_rows(self) -> None:
        preview = self.kind.preview
        self.rows.setColumnCount(len(preview.names))
        self.rows.setHorizontalHeaderLabels([in_label(name) for name in preview.names])
        self.rows.setRowCount(len(preview.rows))
        for r, row in enumerate(preview.rows):
            for c, cell in enumerate(row):
                self.rows.setItem(r, c, plain_cell(cell))
        self.rows.resizeColumnsToContents()
        for column in range(len(preview.names)):
            self.rows.setColumnWidth(column, min(180, self.rows.columnWidth(column)))

    def _fill_columns(self) -> None:
        columns = self.mapping.columns
        self.columns.setRowCount(len(columns))
        for row, column in enumerate(columns):
            self.columns.setItem(row, COLUMN, plain_cell(column.column))
            self.columns.setItem(row, CELLS, plain_cell(self._cells_of(column)))
            for place, text, name in (
                (SIGNAL, column.signal if column.used else "", tr("Signal")),
                (UNIT, column.unit, tr("Unit")),
            ):
                line = QLineEdit(text)
                named(line, tr("{part} of {column}", part=name, column=Foreign(column.column)))
                if place == SIGNAL:
                    line.setPlaceholderText(_perhaps(column))
                    line.setCompleter(self.completer)
                line.editingFinished.connect(lambda r=row: self._corrected(r))
                self.columns.setCellWidget(row, place, line)
            self._show_column(row)
        for place, width in enumerate((170, 130, 120, 110, 100, 80, 150)):
            self.columns.setColumnWidth(place, width)
        header = self.columns.horizontalHeader()
        header.setSectionResizeMode(WHY, QHeaderView.ResizeMode.Stretch)

    def _cells_of(self, column: ColumnMap) -> str:
        place = column.place
        if not 0 <= place < len(self.kind.preview.names):
            return ""
        cells = [row[place] for row in self.kind.preview.rows if row[place]]
        return ", ".join(dict.fromkeys(cells[:4]))

    def _show_column(self, row: int) -> None:
        column = self.mapping.columns[row]
        sure = f"{100.0 * column.confidence:.0f} % {_sureness(column)}"
        if not column.used:
            sure = tr("left out")
        why = word(column.why)
        if column.used and column.unit_from == "assumed" and column.unit:
            why += tr(", unit supposed")
        for place, text in ((SURENESS, sure), (WHY, why)):
            item = plain_cell(text)
            if column.used and column.confidence < _LIKELY:
                item.setForeground(QColor(self.theme.trace(1)))
            elif not column.used:
                item.setForeground(QColor(self.theme.muted))
            self.columns.setItem(row, place, item)

    def show_outcome(self, outcome: Outcome) -> None:
        """What would come out of the first file, read as it is now."""
        self.outcome.show_outcome(outcome)
        if outcome.problem:
            self.import_button.setEnabled(False)
            self.trouble(outcome.problem)
        for row, column in enumerate(self.mapping.columns):
            ecu = column.ecu or (self.mapping.ecu if self.mapping.long is None else "")
            one = over_drives(outcome, column.signal, ecu) if column.used else None
            for place, text in ((READ, one.rate if one else ""), (RANGE, one.range if one else "")):
                item = plain_cell(text)
                if one and one.doubt:
                    item.setForeground(QColor(self.theme.trace(1)))
                self.columns.setItem(row, place, item)

    # --- correcting ---

    def line(self, row: int, place: int) -> QLineEdit:
        """The line of a column's signal or unit."""
        line = self.columns.cellWidget(row, place)
        assert isinstance(line, QLineEdit)
        return line

    def _corrected(self, row: int) -> None:
        column = self.mapping.columns[row]
        signal = self.line(row, SIGNAL).text().strip()
        signal = signal.upper() if signal.upper() in table() else signal
        unit = self.line(row, UNIT).text().strip()
        same_signal = signal == (column.signal if column.used else "")
        if self._filling or (same_signal and unit == column.unit):
            return
        column.say(signal, unit)
        self.line(row, SIGNAL).setText(column.signal)
        self.line(row, UNIT).setText(column.unit)
        self._show_column(row)
        self._judge()

    def _settings_changed(self) -> None:
        if self._filling:
            return
        time, before = self.mapping.time, self.mapping.time.model_copy()
        self.mapping.write_numbers(self.decimal.currentData())
        time.format = self.time_format.currentData()
        place = self.time_place.currentData()
        if time.format == "none" or place is None:
            time.places = []
        elif [place] != time.places[-1:]:  # else a column of dates may stand before it
            time.places = [place]
        time.unit = self.time_unit.currentData()
        time.period_s = self.period.value()
        if time != before:
            time.confidence, time.why, time.standing = 1.0, YOU_SAID, ""
        for role, box in self.roles.items():
            setattr(self.mapping.split, role, box.currentData())
        self._show_time_parts()
        self._judge()

    def _wait(self) -> None:
        """What would come out is worked out once nothing is changed for a moment."""
        self.outcome.wait()
        self._soon.start()

    def _judge(self) -> None:
        """Say what is wrong, or how sure the whole is; nothing is imported that cannot be."""
        used = [column for column in self.mapping.columns if column.used]
        wrong = [c for c in used if not _fits(c.unit, c.signal)]
        time = self.mapping.time
        sentence = ""
        if wrong:
            of = table().by_acronym(wrong[0].signal).unit if wrong[0].signal in table() else ""
            sentence = tr(
                "'{unit}' of {column} cannot be converted to {of}: correct the signal or the unit.",
                unit=wrong[0].unit,
                column=wrong[0].column,
                of=of or tr("a pure number"),
            )
        elif time.format != "none" and not time.places:
            sentence = tr("Choose the column with the time, or say that rows are evenly spaced.")
        elif not used:
            sentence = tr("No column is a signal yet: type an acronym where one is.")
        self.import_button.setEnabled(not sentence)
        if sentence:
            self._soon.stop()
            self.trouble(sentence)
            return
        self._wait()
        left = len(self.mapping.columns) - len(used)
        unsure = sum(c.confidence < _LIKELY for c in used)
        told = [
            tr_n("{n} signal", "{n} signals", len(used))
            + ", "
            + tr_n("{n} column left out", "{n} columns left out", left)
        ]
        if unsure:
            told.append(tr("{unsure} unsure: look at those in color", unsure=unsure))
        told.append(
            tr(
                "time: {why} ({confidence:.0f} %)",
                why=word(time.why or time.format),
                confidence=100.0 * time.confidence,
            )
        )
        if self.kind.preview.remembered:
            told.append(tr("remembered from an earlier import"))
        self._say("; ".join(told) + ".", "muted")


def _fits(unit: str, signal: str) -> bool:
    """Whether a file's unit can be converted to the signal's; of names of one's own any can."""
    if signal not in table():
        return True
    return known(unit) is not None and compatible(unit, table().by_acronym(signal).unit)


def _sureness(column: ColumnMap) -> str:
    if column.confidence >= 0.9:
        return tr("sure")
    return tr("likely") if column.confidence >= _LIKELY else tr("unsure")


def _perhaps(column: ColumnMap) -> str:
    names = [column.signal, *column.others]
    likely = [name for name in names if name]
    if likely and column.confidence < SURE:
        return tr("perhaps {signal}", signal=likely[0])
    return tr("left out")
