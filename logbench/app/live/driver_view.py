"""The driver's view: two to six values on the whole screen, a large marker and a large way back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QFont, QResizeEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.live.driver_cell import DriverCell
from logbench.app.live.session import LiveSession
from logbench.app.live.under_way import UnderWay
from logbench.app.parts import (
    STRETCH,
    Dialog,
    delayed,
    lay,
    named,
    set_letters,
    styled,
    text_button,
)
from logbench.app.plain import Label, ListRow
from logbench.app.services import Services
from logbench.app.tones import Tones
from logbench.app.touch import kinetic
from logbench.plot.trace import LiveTrace
from logbench.recording.model import Event
from logbench.words import tr

FEWEST, USUAL, MOST = 2, 4, 6
_EVERY_MS = 250
_FLASH_MS = 1500
_LEAST_BUTTON_PX, _LEAST_TARGET_PX, _ROW_PX, _LETTERS_PX = 72, 57, 57, 20
_WIDE = 5.0
"""A value is about so many times as wide as its letters are high."""


def columns_for(count: int, width: int, height: int) -> int:
    """In how many columns so many values are largest on so many pixels."""

    def letters(columns: int) -> float:
        rows = -(-count // columns)
        return min(height / rows * 0.6, width / columns / _WIDE)

    return max(range(1, min(3, count) + 1), key=letters)


@dataclass(frozen=True, slots=True)
class Told:
    """What the view is told of the drive: one line, and how many markers there are."""

    line: Callable[[], str]
    marks: Callable[[], int]


class ValueChoice(QWidget):
    """A list of what the car reports, to tap or to press Enter on."""

    def __init__(self) -> None:
        super().__init__()
        self.list = kinetic(named(QListWidget(), tr("Values to show")))
        self.list.itemClicked.connect(self._switch)
        self.list.itemActivated.connect(self._switch)
        self.said = styled(Label(wordWrap=True), "title")
        self.use = styled(QPushButton(tr("Show these")), "primary")
        lay(QVBoxLayout(self), self.said, (self.list, 1), self.use)
        self._switched: QListWidgetItem | None = None

    @property
    def chosen(self) -> tuple[str, ...]:
        """Acronyms of the signals that are checked."""
        rows = (self.list.item(n) for n in range(self.list.count()))
        checked = (r for r in rows if r.checkState() is Qt.CheckState.Checked)
        return tuple(str(r.data(Qt.ItemDataRole.UserRole)) for r in checked)

    def offer(self, traces: Sequence[LiveTrace], shown: Sequence[str]) -> None:
        """Let some of these be chosen; those shown now are."""
        self.list.clear()
        for signal, trace in {t.signal: t for t in traces}.items():
            row = ListRow(tr("{title} ({signal})", title=trace.title or signal, signal=signal))
            row.setData(Qt.ItemDataRole.UserRole, signal)
            on = signal in shown
            row.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
            row.setFlags(row.flags() & ~Qt.ItemFlag.ItemIsUserCheckable)
            size = row.sizeHint()
            size.setHeight(_ROW_PX)
            row.setSizeHint(size)
            self.list.addItem(row)
        self.list.setCurrentRow(0)
        self._say()

    def _switch(self, row: QListWidgetItem) -> None:
        if row is self._switched:
            return  # some desktops activate what is clicked, too
        self._switched = row
        QTimer.singleShot(0, self._switched_done)
        on = row.checkState() is not Qt.CheckState.Checked
        if not on or len(self.chosen) < MOST:
            row.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self._say()

    def _switched_done(self) -> None:
        self._switched = None

    def _say(self) -> None:
        count = len(self.chosen)
        self.said.setText(
            tr("Values on the driver's view: {n}, from {fewest} to {most}",
               n=count, fewest=FEWEST, most=MOST)
        )  # fmt: skip
        self.use.setEnabled(count >= min(FEWEST, self.list.count()))


class DriverView(Dialog):
    """Full screen; the values go on by themselves. Space puts a marker, Esc leaves."""

    def __init__(
        self,
        services: Services,
        session: LiveSession,
        plotted: Callable[[], Sequence[LiveTrace]],
        told: Told,
        tones: Tones,
        under_way: UnderWay,
        parent: QWidget,
    ) -> None:
        super().__init__(tr("Driver's view"), parent)
        self._settings, self._look = services.settings, services.look
        self._session, self._plotted, self._told = session, plotted, told
        self._tones, self._under_way = tones, under_way
        self.values: list[DriverCell] = []
        self.state = Label(alignment=Qt.AlignmentFlag.AlignCenter, wordWrap=True)
        self.choice = ValueChoice()
        self._columns = 0
        self._flash = delayed(self, _FLASH_MS, self._show_marks)
        self._make_buttons()
        self._lay_out()
        self._add_commands()
        session.happened.connect(self._happened)
        session.state_changed.connect(self._show_marks)
        under_way.changed.connect(self._show_passenger)
        timer = QTimer(self, interval=_EVERY_MS)
        timer.timeout.connect(self.refresh)
        timer.start()
        self._show_passenger()
        self._show_marks()
        self.refresh()

    # --- building ---

    def _make_buttons(self) -> None:
        self.marker = styled(QPushButton(), "primary")
        self.marker.clicked.connect(self.mark)
        self.leave = text_button(tr("Back  Esc"), self.reject)
        self.choose = text_button(tr("Values …  V"), self.ask_which)
        self.passenger = text_button(
            tr("A passenger operates this"),
            lambda: self._under_way.declare(self.passenger.isChecked()),
            checkable=True,
        )
        for button in (self.marker, self.leave, self.choose, self.passenger):
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Space is the marker's
        self.choice.use.clicked.connect(self._use_choice)

    def _lay_out(self) -> None:
        cells = QWidget()
        self._grid = QGridLayout(cells)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(4)
        self._pages = QStackedWidget()
        self._pages.addWidget(cells)
        self._pages.addWidget(self.choice)
        head = lay(QHBoxLayout(), self.passenger, STRETCH, self.choose)
        foot = lay(QHBoxLayout(), (self.marker, 3), (self.leave, 1), spacing=12)
        parts = head, (self._pages, 1), self.state, foot
        lay(QVBoxLayout(self), *parts, margins=(12, 8, 12, 12))

    def _add_commands(self) -> None:
        add_command(self, tr("Put a marker"), ["Space", "M"], self.mark)
        add_command(self, tr("Choose the values"), "V", self.ask_which)
        add_command(
            self,
            tr("A passenger operates this, or the driver is alone"),
            "Shift+D",
            lambda: self._under_way.declare(not self._under_way.passenger),
        )
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()  # nothing in it takes the focus, and without one no command has its key

    # --- what can be done ---

    def mark(self) -> None:
        """Put a marker now; that it is there is shown and heard once the recording has it."""
        self._session.mark()

    def ask_which(self) -> None:
        """Let the values be chosen, unless the driver is under way."""
        self._under_way.ask(self._ask_which)
        if not self._under_way.may_ask:
            self.state.setText(tr("When safely stopped: choose the values."))

    def reject(self) -> None:
        """Leave the choice of values, or the view."""
        if self._pages.currentWidget() is self.choice:
            self._show_values()
        else:
            super().reject()

    def refresh(self) -> None:
        """Show what the traces hold now; in the large letters none that is not live."""
        traces = self._shown()
        self._fit_cells(max(1, len(traces)))
        if not traces:
            self.values[0].tell_none(tr("No values yet"))
        for cell, trace in zip(self.values, traces, strict=False):
            cell.tell(trace, self._session.clock)
        self.state.setText(self._told.line())

    # --- inside ---

    def _shown(self) -> list[LiveTrace]:
        """Those chosen, as far as the car reports them; else the first that are plotted."""
        first: dict[str, LiveTrace] = {}
        for trace in self._session.traces.values():
            first.setdefault(trace.signal, trace)
        wanted = [first[name] for name in self._settings.driver_values if name in first][:MOST]
        return wanted or list(self._plotted())[:USUAL]

    def _ask_which(self) -> None:
        self.choice.offer([*self._session.traces.values()], [t.signal for t in self._shown()])
        self._pages.setCurrentWidget(self.choice)
        self.choice.list.setFocus()

    def _use_choice(self) -> None:
        self._settings.driver_values = self.choice.chosen
        self._show_values()

    def _show_values(self) -> None:
        self._pages.setCurrentIndex(0)
        self.setFocus()
        self.refresh()

    def _fit_cells(self, count: int) -> None:
        """So many cells, in the columns in which they are largest."""
        room = self._pages.size()
        columns = columns_for(count, room.width(), room.height())
        if (count, columns) == (len(self.values), self._columns):
            return
        self._columns = columns
        while len(self.values) > count:
            gone = self.values.pop()
            gone.hide()
            gone.deleteLater()
        while len(self.values) < count:
            self.values.append(DriverCell(self._look))
        for place in range(MOST):
            self._grid.setRowStretch(place, 1 if place * columns < count else 0)
            self._grid.setColumnStretch(place, 1 if place < columns else 0)
        for place, cell in enumerate(self.values):
            self._grid.addWidget(cell, place // columns, place % columns)

    def _happened(self, event: Event) -> None:
        if event.kind == "marker":
            self._tones.play("hit")
            self.marker.setText(tr("✔ Marker {n}", n=self._told.marks()))
            self._flash.start()

    def _show_marks(self, _: object = None) -> None:
        marks = self._session.state in ("watching", "recording")
        self.marker.setEnabled(marks)
        if marks:
            self.marker.setText(tr("Marker  Space  ({n} so far)", n=self._told.marks()))
        else:
            self.marker.setText(tr("No marker: not recording"))

    def _show_passenger(self) -> None:
        self.passenger.setChecked(self._under_way.passenger)
        self.choose.setEnabled(self._under_way.may_ask)
        if not self._under_way.may_ask and self._pages.currentWidget() is self.choice:
            self._show_values()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Letters and buttons as large as there is room."""
        super().resizeEvent(event)
        tall = max(_LEAST_BUTTON_PX, self.height() // 9)
        small = max(_LEAST_TARGET_PX, self.height() // 12)
        for button, high in (
            (self.marker, tall), (self.leave, tall), (self.passenger, small), (self.choose, small),
            (self.choice.use, small), (self.choice.list, 0),
        ):  # fmt: skip
            button.setMinimumHeight(high)
            font = QFont(button.font())
            font.setPixelSize(max(_LETTERS_PX, high // 3))
            button.setFont(font)
        set_letters(self.state, max(18, self.height() // 28))
        layout = self.layout()
        if layout is not None:
            layout.activate()
        self.refresh()
