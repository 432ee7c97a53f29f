"""The drive as it is shown while it happens: strips, ribbon, table of values, status line."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QWidget

from logbench.analysis.expression.evaluate import computed_signals
from logbench.app.live.session import LiveSession, State
from logbench.app.live.values import ValuesTable
from logbench.app.live.watching import DriveWatcher
from logbench.app.parts import StatusLine
from logbench.app.plot.layouts import Layouts, SavedLayouts
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip_keys import StripKeys
from logbench.app.plot.strip_menu import StripMenu
from logbench.app.plot.view import TimeView
from logbench.app.remarks import RemarkList
from logbench.app.services import Services
from logbench.capture.messages import CarFound, Started, Status
from logbench.cases.settings import Settings
from logbench.plot.bands import TOTALS, BandWatch
from logbench.plot.trace import SECOND, LiveTrace, StripTrace, first_shown
from logbench.recording.model import Event
from logbench.recording.notes import Remark, remarks_of
from logbench.signals.catalog import catalog
from logbench.signals.numbers import count_text, size_text, span_text, time_text
from logbench.signals.table import table
from logbench.words import tr

_VALUES_MS = 200
_MOST_STRIPS = 7
"""Put up at the start; more can be checked in the table of values."""


class Following(QObject):
    """The newest samples in view, in a window of the width that the settings have."""

    changed = Signal(bool)

    def __init__(
        self, view: TimeView, session: LiveSession, settings: Settings, parent: QObject
    ) -> None:
        super().__init__(parent)
        self._view, self._session, self._settings = view, session, settings
        self.on = True

    def set(self, on: bool) -> None:
        """Follow from now on, or stand still."""
        self.on = on
        self.follow()
        self.changed.emit(on)

    def stop(self) -> None:
        """The user moves in time."""
        self.set(False)

    def follow(self) -> bool:
        """Bring the newest samples into view; False where the strips stand still."""
        if self.on:
            width = round(self._settings.window_s) * SECOND
            end = max(self._session.now_ns, width)
            self._view.show_span(end - width, end)
        return self.on


class LiveLine(StatusLine):
    """Short facts of a recording under way."""

    def __init__(self, session: LiveSession) -> None:
        super().__init__(("samples", "rate", "size", "step"))
        session.status.connect(self._told)
        session.finished.connect(lambda end: self._count(end.samples))

    def show_car(self, found: CarFound) -> None:
        """Who answered, and what it does not report."""
        facts = found.facts
        parts = [facts.vin or tr("no VIN"), facts.protocol or tr("unknown protocol")]
        if found.unsupported:
            parts.append(
                tr("this car does not report {signals}", signals=", ".join(found.unsupported))
            )
        self.tell("step", "; ".join(parts))

    def _count(self, samples: int) -> None:
        self.tell("samples", tr("{n} samples", n=count_text(samples)))

    def _told(self, status: Status) -> None:
        held = status.held_s
        self._count(status.samples)
        self.tell("rate", tr("{rate}/s", rate=count_text(status.samples_per_s)))
        kept = _size_text(status) if held is None else tr("last {time} kept", time=time_text(held))
        self.tell("size", kept)


def _size_text(status: Status) -> str:
    """Of the recording, and how much longer it can become."""
    size = size_text(status.size_bytes)
    if status.room_s is None:
        return size
    return tr("{size}, room for {time}", size=size, time=span_text(status.room_s))


class DriveShown(QObject):
    """Takes in what the session tells and keeps the newest samples in view, or stands still.

    `owner` gets the commands of the layouts.
    """

    ticked = Signal()
    """Time has passed: a few times a second while there is a session, and once at its end."""
    happened = Signal()
    """`events` are others than before."""

    def __init__(
        self, services: Services, session: LiveSession, watcher: DriveWatcher, owner: QWidget
    ) -> None:
        super().__init__(owner)
        self._services, self._session, self._watcher = services, session, watcher
        self.view = TimeView(self)
        self.stack = StripStack(self.view, services.look)
        self.ribbon = Ribbon(self.view, services.look)
        self.values = ValuesTable()
        self.remarks = RemarkList()
        self.status = LiveLine(session)
        self.events: list[Event] = []
        self.following = Following(self.view, session, services.settings, self)
        self._bands = BandWatch()
        self._shown_first: frozenset[str] = frozenset()
        self._slow = QTimer(self, interval=_VALUES_MS)
        self._slow.timeout.connect(self._tick)
        self._connect()

    def _connect(self) -> None:
        session, look = self._session, self._services.look
        session.state_changed.connect(self._state_changed)
        session.stepped.connect(self.tell)
        session.began_anew.connect(self.clear)
        session.begun.connect(self._begun)
        session.car_found.connect(self._car_found)
        session.trace_found.connect(self._trace_found)
        session.grew.connect(self._grew)
        session.status.connect(self._status)
        session.happened.connect(self._happened)
        self._watcher.progressed.connect(lambda p: self.ribbon.change(conditions=p.conditions))
        self.stack.gestures.by_hand.connect(self.following.stop)
        self.ribbon.by_hand.connect(self.following.stop)
        self.stack.narrowed.connect(self.ribbon.set_inset)
        self.values.model_.plotted_changed.connect(self._plot)
        self.remarks.chosen.connect(self._show_remark)
        look.units_changed.connect(self.values.model_.set_units)

    def add_layouts(self, owner: QWidget, in_time: Sequence[QAction]) -> SavedLayouts:
        """The layouts of the strips, with their commands for `owner`, and the strips' menu; wanted
        once."""

        def traces() -> list[StripTrace]:
            return [*self._session.traces.values()]

        def shown_first() -> list[StripTrace]:
            return [trace for trace in traces() if trace.signal in self._shown_first]

        settings = self._services.settings
        self.layouts = Layouts(self.stack, settings, traces, shown_first, owner)
        self.layouts.changed.connect(lambda: self.values.model_.set_plotted(self.stack.keys))
        self.layouts.notified.connect(self.tell)
        StripMenu(self.stack, StripKeys(self.layouts), in_time)
        return SavedLayouts(self.layouts, settings, owner)

    # --- what can be done ---

    def tell(self, sentence: str) -> None:
        """Show a sentence in the status line."""
        self.status.tell("step", sentence)

    def clear(self) -> None:
        """Another drive begins."""
        self.events = []
        self._show_events()
        self.stack.clear()
        self.values.model_.clear()
        self.ribbon.clear()
        self.view.set_limits(0, 0)
        self.status.clear()
        self.following.set(True)

    # --- what the session tells ---

    def _state_changed(self, state: State) -> None:
        if state == "connecting":
            self.tell(tr("Opening the link"))
            self._slow.start()
        elif state == "idle":
            self.tell("")
            self._slow.stop()
            self._tick()

    def _tick(self) -> None:
        """Ages, rates and bands."""
        self.view.clock = self._session.clock if self._session.active else None
        self.values.model_.tell(self._session.clock)
        self._shade_bands()
        self.stack.refresh_values()
        self.ticked.emit()

    def _shade_bands(self) -> None:
        """Shade what is looked for now, where that has changed."""
        traces = self._session.traces
        if self._bands.look(traces, self._session.clock, self._watcher.vehicle):
            for trace in traces.values():
                trace.band = self._bands.now.get(trace.signal)
            self.stack.renew()

    def _begun(self, begun: Started) -> None:
        """Everything shown counts from the recording's start now."""
        since_ns = begun.since_ns
        kept = [e for e in self.events if e.t_ns >= since_ns]
        self.events = [e.model_copy(update={"t_ns": e.t_ns - since_ns}) for e in kept]
        self._show_events()
        self.view.set_cursor(None)
        self.view.set_limits(0, self._session.now_ns)
        if not self.following.follow():
            self.view.pan_ns(-since_ns)

    def _car_found(self, found: CarFound) -> None:
        self.values.model_.set_order(found.signals, self._session.wanted_hz)
        numbers = [
            (row.acronym, row.unit)
            for row in map(table().by_acronym, found.signals)
            if row.kind == "number"
        ]
        self._shown_first = first_shown(numbers, _MOST_STRIPS)
        self.status.show_car(found)
        self._show_asked(frozenset(found.signals))

    def _show_asked(self, asked: frozenset[str]) -> None:
        """Other signals than before may be asked for from now on."""

        def is_asked(trace: LiveTrace) -> bool:
            made = computed_signals().get(trace.signal)
            return asked.issuperset(made.expression.names if made else (trace.signal,))

        for trace in self.values.model_.keep_only(is_asked):
            self.stack.remove(trace.key)
        for trace in self._session.traces.values():
            if is_asked(trace) and not self.values.model_.holds(trace):
                self._trace_found(trace)
        self.layouts.rebase()

    def renew_computed(self) -> None:
        """Own signals were changed: what is computed begins anew."""
        gone = self._session.forget_computed()
        for trace in self.values.model_.keep_only(lambda row: row not in gone):
            self.stack.remove(trace.key)
        self.layouts.rebase()

    def _trace_found(self, trace: LiveTrace) -> None:
        own = catalog().by_acronym(trace.signal).origin == "own"
        plotted = trace.signal in self._shown_first or trace.signal in TOTALS or own
        self.values.model_.add(trace, plotted)
        if plotted:
            self.stack.add(trace)
        self.layouts.start("live", whole=True)
        self.values.model_.set_plotted(self.stack.keys)

    def _plot(self, trace: LiveTrace, on: bool) -> None:
        self.layouts.show(trace, on)

    def _grew(self) -> None:
        view, now_ns = self.view, self._session.now_ns
        view.set_limits(0, self._high_ns)
        shown = (view.start_ns, view.end_ns)
        self.following.follow()
        moved = shown != (view.start_ns, view.end_ns)  # then the stack repaints anyway
        if not moved and view.end_ns >= now_ns - SECOND:
            self.stack.refresh()

    @property
    def _high_ns(self) -> int:
        """Where the drive ends so far: without samples, with the last that happened."""
        return max(self._session.now_ns, self.events[-1].t_ns if self.events else 0)

    def _status(self, status: Status) -> None:
        self.values.model_.tell(self._session.clock, status.rates_hz)

    def _happened(self, event: Event) -> None:
        self.events.append(event)
        self.view.set_limits(0, self._high_ns)
        self._show_events()

    def _show_remark(self, remark: Remark) -> None:
        self.following.stop()
        self.view.show_around(remark.start_ns, remark.end_ns)

    def _show_events(self) -> None:
        remarks = remarks_of(self.events)
        self.remarks.show_remarks(remarks)
        self.ribbon.change(remarks=remarks)
        self.stack.mark(event_times=[e.t_ns for e in self.events])
        self.happened.emit()
