"""The drives behind what was pressed in a picture, with what each has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Signal, SignalInstance
from PySide6.QtWidgets import QHeaderView, QVBoxLayout, QWidget

from logbench.app.parts import heads_left, lay, muted
from logbench.app.plain import plain_tip
from logbench.app.tables import Index, RowsModel, RowsTable
from logbench.signals.numbers import started_text
from logbench.words import tr, tr_n, word

if TYPE_CHECKING:
    from logbench.archive.overview import Row

_ROW_PX = 24
_IN_SIGHT = 0
"""What Qt calls measuring the cells of a column that are seen, and no other."""


@dataclass(frozen=True)
class _Line:
    """A drive and what it has; or, without a recording, something that was done to the car."""

    recording: str = ""
    value: str = ""
    done: tuple[str, str, str] = ("", "", "")
    """What, when, and in full."""


class BehindModel(RowsModel):
    """What a cell shows is made when it is seen: behind a press there may be thousands."""

    def __init__(self) -> None:
        super().__init__((tr("Car"), tr("Started"), tr("Value")))
        self.known: Mapping[str, Row] = {}
        """What is listed, by recording."""

    def text(self, row: _Line, column: int) -> str:
        """Car, start, value; without a start, by which drives are told apart, the file first."""
        if not row.recording:
            return (*row.done[:2], "")[column]
        if column == 2:
            return row.value
        known = self.known.get(row.recording)
        if column == 1:
            return started_text(known.started, 10) if known else ""
        if known is None:
            return row.recording
        car = known.car or tr("unnamed car")
        return car if known.started else f"{PurePosixPath(row.recording).stem}  {car}"

    def tip(self, row: _Line) -> str:
        """The file, or what was done in full."""
        return row.recording or row.done[2]


class BehindPanel(QWidget):
    """The first is chosen at once; Enter reviews one."""

    chosen = Signal(str)
    """A recording."""
    review_wanted = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.title = muted(wrap=False)
        self.model = BehindModel()
        self.table = RowsTable(self.model, tr("Drives behind it"), _ROW_PX)
        self.table.setTabKeyNavigation(False)
        heads_left(self.table)
        modes, header = QHeaderView.ResizeMode, self.table.horizontalHeader()
        header.setResizeContentsPrecision(_IN_SIGHT)
        for column, mode in enumerate((modes.Stretch, *2 * (modes.ResizeToContents,))):
            header.setSectionResizeMode(column, mode)
        rows = self.table.selectionModel()
        rows.currentRowChanged.connect(lambda index, _: self._send(self.chosen, index))
        self.table.activated.connect(lambda index: self._send(self.review_wanted, index))
        parts = (self.title, (self.table, 1))
        lay(QVBoxLayout(self), *parts, margins=(0, 0, 0, 0), spacing=2)
        self.clear()

    @property
    def drives(self) -> list[str]:
        """Those listed, from the top."""
        return [line.recording for line in self.model.rows if line.recording]

    def clear(self) -> None:
        """Nothing is pressed."""
        self.show_drives("", [], {})

    def show_drives(
        self, place: str, drives: Sequence[tuple[str, str]], rows: Mapping[str, Row]
    ) -> None:
        """Recordings with what each has; `rows`: what is listed. `place`: what was pressed."""
        n = len(drives)
        nothing = tr("No drive is behind it.") if place else tr("Press a cell, curve or point.")
        found = tr_n("{n:,} drive behind it", "{n:,} drives behind it", n)
        self.title.setText(found if drives else nothing)
        self.title.setToolTip(plain_tip(place))
        self.model.known = rows
        self.model.show_rows(_Line(name, value) for name, value in drives)
        if drives:
            self.table.selectRow(0)

    def show_done(self, done: Sequence[Mapping[str, Any]]) -> None:
        """What was done to a car, with the numbers of its lines, until one is pressed."""
        days = [*dict.fromkeys(row["started"][:10] for row in done)]
        lines = []
        for row in done:
            what = f"{days.index(row['started'][:10]) + 1}  {word(row['kind'])}"
            lines.append(_Line(done=(what, started_text(row["started"], 10), row["text"])))
        self.model.show_rows(lines)

    def _send(self, to: SignalInstance, index: Index) -> None:
        if index.isValid() and (line := self.model.rows[index.row()]).recording:
            to.emit(line.recording)
