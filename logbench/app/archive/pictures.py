"""Pictures of all drives that the filters leave, and the drives behind what is pressed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QMargins, Qt, Signal
from PySide6.QtGui import QBrush, QColor, QGuiApplication, QPen
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from logbench.analysis.comparison.cells import CellKey
from logbench.analysis.model import heading
from logbench.analysis.statement import in_units
from logbench.app.archive.behind import BehindPanel
from logbench.app.archive.drawings import drawing_of, figure_text, key_of_cell, sentence_of
from logbench.app.archive.fleet_plot import FleetPlot, Mark
from logbench.app.compare.cell_grid import difference_color, ink_on
from logbench.app.flow import Flow
from logbench.app.long_work import LongWork
from logbench.app.parts import Elided, chooser, lay, named, offer, styled, text_button
from logbench.app.plot.cell_table import Cell, CellTable
from logbench.app.tables import splitter
from logbench.app.theme import Look
from logbench.archive.pictures import (
    MAP_AXIS,
    AgainstKind,
    BeforeAndAfter,
    NumberByDate,
    OfNumber,
    Picture,
    TrimMap,
    WarmUpCurves,
)
from logbench.cases.runner import Owner
from logbench.signals.numbers import count_text
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.overview import Number, Row
    from logbench.archive.picture_rows import Numbers

_RECORDING = Qt.ItemDataRole.UserRole
_KINDS: dict[str, Callable[[str, str], Picture]] = {
    "warm_up": lambda car, number: WarmUpCurves(car),
    "map_1": lambda car, number: TrimMap(),
    "map_2": lambda car, number: TrimMap(bank=2),
    "kind": AgainstKind,
    "by_date": NumberByDate,
    "years": BeforeAndAfter,
}


class PicturesPanel(QWidget):
    """Chooses a picture, draws it, and lists the drives behind what is pressed."""

    wanted = Signal()
    """Another picture, car or number was chosen, or the panel is seen: `picture()`."""
    copy_wanted = Signal(str)
    """`python` or `sql`."""

    def __init__(self, look: Look, owner: Owner) -> None:
        super().__init__()
        self._look = look
        self._numbers: Numbers | None = None
        self._rows: dict[str, Row] = {}
        self._each: dict[CellKey, list[dict[str, float | str]]] = {}
        self.work = LongWork(owner)
        kinds = [(make("", "").title, key) for key, make in _KINDS.items()]
        self.kind = chooser(tr("Picture"), 34, kinds)
        self.number = chooser(tr("Number of the picture"), 22)
        self.car = chooser(tr("Car in front"), 12)
        for box in (self.kind, self.number, self.car):
            box.activated.connect(lambda _: self._asked())
        self.copies = [
            text_button(tr("Copy as Python"), lambda: self.copy_wanted.emit("python")),
            text_button(tr("Copy as SQL"), lambda: self.copy_wanted.emit("sql")),
        ]
        self.said, self.at = Elided(), styled(Elided(), "muted")
        self.plot = FleetPlot(look)
        nothing = tr("No warm, steady, closed-loop driving is known.")
        self.map = named(CellTable(look.theme, nothing), tr("Fuel trim by engine speed and load"))
        self.behind = BehindPanel()
        self.behind.setMinimumWidth(110)
        self._lay_out()
        self._connect()
        self.clear()

    def _lay_out(self) -> None:
        head = Flow(QMargins())
        head.add(self.kind, self.number, self.car, *self.copies)
        self.stack = QStackedWidget()
        for widget in (self.plot, self.map):
            self.stack.addWidget(widget)
        drawn = QWidget()
        lay(QVBoxLayout(drawn), (self.stack, 1), self.at, margins=(0, 0, 0, 0), spacing=2)
        both = splitter(Qt.Orientation.Horizontal, {drawn: 620, self.behind: 260})
        both.setStretchFactor(0, 1)
        whole = (head, self.work, self.said, (both, 1))
        lay(QVBoxLayout(self), *whole, margins=(0, 4, 0, 0), spacing=4)

    def _connect(self) -> None:
        self.plot.pointed.connect(self.at.tell)
        self.plot.chosen.connect(self._show_behind)
        self.map.chosen.connect(self._cell_chosen)
        self.work.failed.connect(self.say)
        self._look.follow(self.renew)

    # --- what is chosen ---

    def picture(self) -> Picture | None:
        """What is asked for; None where a number or a car is lacking, which is said."""
        key, car = self.kind.currentData(), self.car.currentData() or ""
        number = self.number.currentData() or ""
        made = _KINDS[key](car, number)
        if isinstance(made, OfNumber) and not number:
            self.say(tr("No number is known yet: run the checks first."))
            return None
        if isinstance(made, AgainstKind | BeforeAndAfter) and not car:
            self.say(tr("No car of the drives listed has a name: there is none to put in front."))
            return None
        return made

    @property
    def shown_picture(self) -> Picture | None:
        """What is drawn now."""
        return None if self._numbers is None else self._numbers.picture

    def offer_numbers(self, numbers: Sequence[Number]) -> None:
        """Those that can be drawn."""
        offer(self.number, [(f"{heading(one.check, one.subject)}  ({one.times:,})", one.name)
                            for one in numbers])  # fmt: skip

    def offer_drives(self, rows: Sequence[Row], chosen: str) -> None:
        """What is listed now; `chosen`: the car to put in front at first."""
        self._rows = {row.recording: row for row in rows}
        cars = Counter(row.car for row in rows if row.car)
        before = self.car.currentData()
        offer(self.car, [(f"{car}  ({n:,})", car) for car, n in sorted(cars.items())])
        if before not in cars and cars:
            first = chosen if chosen in cars else cars.most_common(1)[0][0]
            self.car.setCurrentIndex(self.car.findData(first))
        self._allow()

    def _asked(self) -> None:
        self._allow()
        self.wanted.emit()

    def _allow(self) -> None:
        made = _KINDS[self.kind.currentData()]("", "")
        self.number.setVisible(isinstance(made, OfNumber))
        self.car.setVisible(not isinstance(made, TrimMap))

    # --- showing ---

    def clear(self) -> None:
        """Nothing is known of any drive."""
        self._numbers, self._rows = None, {}
        offer(self.number, [])
        offer(self.car, [])
        self.say("")
        self._allow()

    def say(self, sentence: str) -> None:
        """In place of a picture."""
        self._numbers, self._each = None, {}
        self.said.tell(sentence)
        self.at.tell("")
        self.plot.show_drawing(None)
        self.map.show_cells({}, None, range(0), range(0))
        self.behind.clear()
        for button in self.copies:
            button.setEnabled(False)

    def show_numbers(self, numbers: Numbers) -> None:
        """Draw them."""
        self._numbers = numbers
        for button in self.copies:
            button.setEnabled(True)
        self.renew()

    def renew(self, _: object = None) -> None:
        """In other colors or units."""
        numbers, self.map.theme = self._numbers, self._look.theme
        if numbers is None:
            return
        self.behind.clear()
        self.at.tell("")
        self.said.tell(sentence_of(numbers, self._look.units))
        if isinstance(numbers.picture, TrimMap):
            self.stack.setCurrentWidget(self.map)
            self._show_map(numbers)
            return
        self.stack.setCurrentWidget(self.plot)
        rows, look = self._rows, self._look
        self.plot.show_drawing(lambda: drawing_of(numbers, look, rows))
        if isinstance(numbers.picture, BeforeAndAfter):
            done = [row for row in numbers.table.to_pylist() if row["kind"] != "drive"]
            self.behind.show_done(done)
        self.plot.setAccessibleName(f"{numbers.picture.title}: {self.said.whole}")

    # --- the map ---

    def _show_map(self, numbers: Numbers) -> None:
        self._each = {}
        for row in numbers.each.to_pylist():
            self._each.setdefault(key_of_cell(row), []).append(row)
        cells = {key_of_cell(row): row for row in numbers.table.to_pylist()}
        top = max((abs(row["trim_pct"]) for row in cells.values()), default=0.0) or 1.0
        shown = {key: self._cell(key, row, top) for key, row in cells.items()}
        columns, rows = (
            range(min(places), max(places) + 1) if places else range(0)
            for places in ([k.rpm_index for k in cells], [k.load_index for k in cells])
        )
        self.map.show_cells(shown, MAP_AXIS, columns, rows)
        self.at.tell(self.map.axes_text)

    def _cell(self, key: CellKey, row: dict[str, float], top: float) -> Cell:
        theme = self._look.theme
        ground = difference_color(row["trim_pct"] / top, theme)
        place = in_units(key.text(MAP_AXIS), self._look.units)
        said = tr(
            "{place}: {trim} %, median of {drives:,} drives, {seconds} s",
            place=place, trim=_signed(row["trim_pct"]), drives=row["drives"],
            seconds=count_text(row["seconds"]),
        )  # fmt: skip
        text = f"{_signed(row['trim_pct'])}\n{row['drives']:,}"
        return Cell(text, said, QBrush(ground), ink_on(ground), QPen(QColor(theme.line), 1))

    def _cell_chosen(self, key: CellKey | None) -> None:
        found = self._each.get(key, []) if key is not None else []
        middle = float(np.median([row["trim_pct"] for row in found])) if found else 0.0
        found = sorted(found, key=lambda row: -abs(float(row["trim_pct"]) - middle))
        place = "" if key is None else in_units(key.text(MAP_AXIS), self._look.units)
        drives = [(str(row["recording"]), f"{_signed(row['trim_pct'])} %") for row in found]
        self.behind.show_drives(place, drives, self._rows)

    # --- the drives behind it ---

    def _show_behind(self, mark: Mark) -> None:
        numbers = self._numbers
        if numbers is None:
            return
        values: dict[str, str] = {}
        if isinstance(numbers.picture, OfNumber):
            pairs = zip(*(numbers.each[n].to_pylist() for n in ("recording", "value")), strict=True)
            behind = set(mark.drives)
            values = {name: figure_text(numbers, self._look, value)
                      for name, value in pairs if name in behind}  # fmt: skip
        drives = [(name, values.get(name, "")) for name in mark.drives]
        self.behind.show_drives(mark.said(), drives, self._rows)

    def copy(self, text: str) -> None:
        """Onto the clipboard, and say so."""
        QGuiApplication.clipboard().setText(text)
        self.at.tell(tr("Copied."))


def _signed(trim: float | str) -> str:
    return f"{float(trim):+.1f}".replace("-", "−")
