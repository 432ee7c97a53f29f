"""What would come out of an import, shown while the way of reading is edited."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import heads_left, lay, muted, named
from logbench.app.plain import TableCell, plain_tip
from logbench.app.tables import RowHeights
from logbench.app.theme import Theme
from logbench.importing.outcome import DriveOutcome, SignalOutcome
from logbench.importing.run import Outcome
from logbench.signals.numbers import count_text, started_text, time_text
from logbench.words import tr, tr_n

_TITLES = (
    tr("Drive"), tr("Started"), tr("Length"), tr("Car"), tr("Signals"), tr("Samples"),
    tr("Implausible"),
)  # fmt: skip
_WIDTHS = (60, 170, 80, 130, 70, 90)


class OutcomeView(QWidget):
    """The drives that a file would become; or that it is still being worked out, or why not."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self.said = muted()
        self.drives = plain_table(tr("Drives that would come out"), desk_px=26)
        self.drives.setMinimumHeight(60)
        self.drives.setColumnCount(len(_TITLES))
        self.drives.setHorizontalHeaderLabels(list(_TITLES))
        for place, width in enumerate(_WIDTHS):
            self.drives.setColumnWidth(place, width)
        header = self.drives.horizontalHeader()
        header.setSectionResizeMode(len(_WIDTHS), QHeaderView.ResizeMode.Stretch)
        lay(QVBoxLayout(self), self.said, (self.drives, 1), margins=(0, 0, 0, 0))

    def wait(self) -> None:
        """What is shown is of before the last change."""
        self.said.setText(tr("Working out what would come out …"))
        self.drives.setEnabled(False)

    def show_outcome(self, outcome: Outcome) -> None:
        """What would come out of one file."""
        if outcome.problem:
            self.said.setText(tr("Nothing would come out."))
        else:
            count = tr_n("{n:,} drive", "{n:,} drives", len(outcome.drives))
            said = tr("Out of {file}: {drives}", file=outcome.source.name, drives=count)
            left_out = 0 if outcome.report is None else outcome.report.left_out
            if left_out:
                said = tr("{said}; {n:,} cells cannot be read", said=said, n=left_out)
            self.said.setText(said)
        self.drives.setEnabled(True)
        self.drives.setRowCount(len(outcome.drives))
        for row, drive in enumerate(outcome.drives):
            for place, text in enumerate(_cells(row, drive)):
                item = plain_cell(text)
                if drive.doubts and place == len(_WIDTHS):
                    item.setForeground(QColor(self._theme.trace(1)))
                self.drives.setItem(row, place, item)


def _cells(row: int, drive: DriveOutcome) -> tuple[str, ...]:
    return (
        str(row + 1),
        started_text(drive.started),
        time_text(drive.length_s),
        drive.car or tr("not named"),
        count_text(len(drive.signals)),
        count_text(drive.samples),
        " ".join(drive.doubts),
    )


def over_drives(outcome: Outcome, signal: str, ecu: str) -> SignalOutcome | None:
    """A signal as it comes out of all drives of a file, with its widest range; None: of none."""
    found = [
        one
        for drive in outcome.drives
        for one in drive.signals
        if one.signal == signal and ecu in ("", one.ecu)
    ]
    lows = [one.low for one in found if one.low is not None]
    highs = [one.high for one in found if one.high is not None]
    if not lows or not highs:
        return found[0] if found else None
    first = found[0]
    return SignalOutcome(
        signal, ecu, first.unit, sum(one.readings for one in found), first.interval_s,
        min(lows), max(highs), " ".join(dict.fromkeys(one.doubt for one in found if one.doubt)),
    )  # fmt: skip


def plain_cell(text: str) -> QTableWidgetItem:
    """A cell that is only shown."""
    item = TableCell(text)
    item.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable)
    item.setToolTip(plain_tip(text))
    return item


def plain_table(name: str, *, desk_px: int) -> QTableWidget:
    """A table without a grid, whose cells are not chosen."""
    made = named(QTableWidget(), name)
    made.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
    made.setShowGrid(False)
    made.setWordWrap(False)
    made.setTabKeyNavigation(False)
    made.verticalHeader().hide()
    RowHeights(made, desk_px)
    heads_left(made)
    return made
