"""The wiggle test: a harness is moved by hand, and what jumps is counted, told and marked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFont
from PySide6.QtWidgets import (
    QHeaderView,
    QTableWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.wiggle import Hit, HitKind, WiggleWatch
from logbench.app.live.session import LiveSession
from logbench.app.live.under_way import UnderWay
from logbench.app.parts import delayed, heads_left, lay, muted, named, set_letters, text_button
from logbench.app.plain import Label, TableCell
from logbench.app.theme import Look
from logbench.app.tones import Tones
from logbench.plot.trace import LiveTrace
from logbench.signals.catalog import COMPUTED
from logbench.signals.table import table
from logbench.words import tr

_TITLES = (tr("Signal"), tr("Value"), tr("Limit"), tr("Dropouts"), tr("Spikes"), tr("Steps"))
_FLASH_MS = 350
_MOVES_KMH = 2.0
_SPEED_AGE_S = 3.0
_HUGE_PX, _LARGE_PX = 110, 24
_START = tr(
    "Stand still, at idle or key on. Press Start, then move the harness or connector by hand."
)
_CARE = tr(
    "Hands and sleeves clear of belts, fans, ignition and exhaust; a fan may start by itself. "
    "Leave airbag wiring (usually yellow) alone."
)


@dataclass(slots=True)
class _Watched:
    trace: LiveTrace
    watch: WiggleWatch
    seen_to_ns: int
    ignores: bool = False
    """The last hit began while the car moved: what becomes of it is not counted either."""
    counts: dict[HitKind, int] = field(default_factory=lambda: dict.fromkeys(HitKind, 0))


class WigglePanel(QWidget):
    """Watches the signals that are checked in the table of values, whether it is seen or not.

    A harness is moved at a standstill: while the car moves, nothing is counted.
    """

    said = Signal(str)
    """How the test stands, in a few words; empty when it does not run."""

    def __init__(
        self,
        chosen: Callable[[], Sequence[LiveTrace]],
        session: LiveSession,
        tones: Tones,
        look: Look,
        under_way: UnderWay,
    ) -> None:
        super().__init__()
        self._chosen, self._session, self._tones, self._look = chosen, session, tones, look
        self._under_way = under_way
        self._watched: list[_Watched] = []
        self._stopped = ""
        self._clock_ns = 0
        """What the watches' clock is ahead of the recording's."""
        self.count = Label("0", alignment=Qt.AlignmentFlag.AlignCenter)
        self.says = Label(_START, wordWrap=True, alignment=Qt.AlignmentFlag.AlignCenter)
        set_letters(self.count, _HUGE_PX, QFont.Weight.Bold)
        set_letters(self.says, _LARGE_PX)
        self.button = text_button(tr("Start the wiggle test"), self.toggle)
        self.care = muted(_CARE)
        self.care.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.table = named(
            QTableWidget(0, len(_TITLES)), tr("Signals watched and what was seen of each")
        )
        self.table.setHorizontalHeaderLabels(_TITLES)
        heads_left(self.table)
        self.table.verticalHeader().hide()
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setShowGrid(False)
        self.table.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        lay(
            QVBoxLayout(self),
            self.says,
            self.count,
            (self.button, 0, Qt.AlignmentFlag.AlignHCenter),
            self.care,
            (self.table, 1),
            margins=(12, 6, 12, 10),
        )
        self._flash = delayed(self, _FLASH_MS, lambda: self.count.setStyleSheet(""))
        look.units_changed.connect(self.refresh)
        under_way.changed.connect(self._say)

    @property
    def running(self) -> bool:
        """Signals are being watched."""
        return bool(self._watched)

    @property
    def total(self) -> int:
        """All that was seen."""
        return sum(sum(w.counts.values()) for w in self._watched)

    def toggle(self) -> None:
        """Start with the checked signals, or stop and keep the counts in sight."""
        if self.running:
            self.stop()
            return
        known = table()
        self._watched = [
            _Watched(t, WiggleWatch(known.by_acronym(t.signal).scale), t.pyramid.end_ns)
            for t in self._chosen()
            if t.ecu != COMPUTED
        ]
        if not self._watched:
            self.says.setText(
                tr("Check the signals to watch in the table of values, while recording.")
            )
            return
        self.button.setText(tr("Stop the wiggle test"))
        self.table.setRowCount(len(self._watched))
        self._show()

    def stop(self) -> None:
        """Watch no longer."""
        if self.running:
            self._stopped = tr("Stopped at {total}.", total=self.total)
        self._watched = []
        self._say()
        self.button.setText(tr("Start the wiggle test"))
        self.said.emit("")

    def take(self, now_ns: int) -> None:
        """Samples came: hold them against each signal's noise."""
        if not self.running:
            return
        moves = self._moves()
        for watched in self._watched:
            pyramid = watched.trace.pyramid
            t_ns, values = pyramid.between(watched.seen_to_ns + 1, pyramid.end_ns + 1)
            watched.seen_to_ns = max(watched.seen_to_ns, pyramid.end_ns)
            hits = watched.watch.feed((t_ns + self._clock_ns).tolist(), values.tolist())
            silent = watched.watch.silence(now_ns + self._clock_ns)
            for hit in [*hits, *([silent] if silent is not None else [])]:
                if not hit.again:
                    watched.ignores = moves
                if not watched.ignores:
                    self._hit(watched, hit)

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        self._clock_ns += by_ns
        for watched in self._watched:
            watched.seen_to_ns -= by_ns

    def refresh(self) -> None:
        """Write the numbers again; a few times a second is enough."""
        if self.running:
            self._show()

    def _hit(self, watched: _Watched, hit: Hit) -> None:
        watched.counts[hit.kind] += 1
        if hit.again:
            watched.counts[HitKind.SPIKE] -= 1
            return
        self._tones.play("hit")
        self._session.mark(f"wiggle: {watched.trace.signal} {hit.kind.value}")
        self.count.setStyleSheet("background: palette(highlight); color: palette(highlighted-text)")
        self._flash.start()
        self._show()

    def _show(self) -> None:
        self.count.setText(str(self.total))
        self.count.setAccessibleName(tr("{n} seen", n=self.total))
        self.said.emit(tr("Wiggle test runs: {total} seen", total=self.total))
        self._say()
        for row, watched in enumerate(self._watched):
            trace = watched.trace
            limit = self._look.units.text(watched.watch.threshold, trace.unit, difference=True)
            texts = [
                trace.signal,
                trace.shown_text(self._session.clock, self._look.units),
                tr("learning") if watched.watch.learning else f"± {limit}",
                *(str(watched.counts[kind]) for kind in HitKind),
            ]
            for column, text in enumerate(texts):
                self.table.setItem(row, column, TableCell(text))

    def _say(self) -> None:
        now = self._what_now() if self.running else f"{self._stopped} {self._first()}".strip()
        self.says.setText(now)

    def _first(self) -> str:
        return _START if self._under_way.may_ask else tr("When safely stopped: {say}", say=_START)

    def _what_now(self) -> str:
        if self._moves():
            return tr("The car moves: nothing is counted until it stands. Move no harness now.")
        learning = [w.trace.signal for w in self._watched if w.watch.learning]
        if learning:
            return tr("Hold still: learning the noise of {signals}", signals=", ".join(learning))
        if not self._under_way.may_ask:
            return tr("Watching. When safely stopped: move the harness or connector by hand.")
        return tr("Watching: move the harness or connector by hand.")

    def _moves(self) -> bool:
        """Not where the speed is not asked for any more: then its last value is an old one."""
        traces = [t for t in self._session.traces.values() if t.signal == "VSS"]
        speeds = [t.shown(self._session.clock) for t in traces]
        return any(speed.age_s <= _SPEED_AGE_S and speed.value > _MOVES_KMH for speed in speeds)
