"""The Live page: choose, start, watch, mark, stop."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QEvent, Qt, QTimer, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QFrame,
    QScrollArea,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.desk import Desk
from logbench.app.live.bands import BandWatch
from logbench.app.live.choices import LiveChoices
from logbench.app.live.driver import DriverView
from logbench.app.live.links import SIMULATED
from logbench.app.live.marker_note import MarkerNote
from logbench.app.live.record_box import RecordBox
from logbench.app.live.recovering import recover_journals
from logbench.app.live.session import CaptureFactory, LiveSession, LiveTrace, State
from logbench.app.live.setup import SetUp
from logbench.app.live.shapes import Shape, Shapes
from logbench.app.live.starting import Starting
from logbench.app.live.status_line import LiveLine
from logbench.app.live.strips import live_layouts, shade_bands, strip_trace
from logbench.app.live.tools import LiveTools, keeps_space
from logbench.app.live.totals import COMPUTED
from logbench.app.live.values import ValuesTable
from logbench.app.live.watching import DriveWatcher
from logbench.app.parts import EmptyState, Notice, middle
from logbench.app.plot.grouping import first_shown
from logbench.app.plot.keys import add_view_commands
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.ticks import count_text, time_text
from logbench.app.plot.view import SECOND, TimeView
from logbench.app.theme import Theme
from logbench.capture.messages import (
    Begun,
    CarFound,
    Failed,
    Finished,
    Happened,
    Status,
)
from logbench.recording.model import Event, Vehicle
from logbench.signals.table import table

_VALUES_MS = 200
_SIDE_WIDTH = 380
_MOST_STRIPS = 7
"""Put up at the start; more can be checked in the table of values."""


class LivePage(QWidget):
    """A drive while it happens."""

    review_wanted = Signal(object)
    """The user wants to see the recording just finished (its path)."""
    ended = Signal()
    """A recording was finished, or failed."""

    def __init__(self, desk: Desk, capture: CaptureFactory | None = None) -> None:
        super().__init__()
        self._desk = desk
        self.session = LiveSession(capture, self)
        self.view = TimeView(self)
        theme = desk.look.theme
        self.stack = StripStack(self.view, theme)
        self.ribbon = Ribbon(self.view, theme)
        self.watcher = DriveWatcher(self.session, desk.jobs, self)
        self.set_up = SetUp(desk.settings)
        self.values = ValuesTable()
        self._events: list[Event] = []
        self._last: Path | None = None
        self._following = True
        self._shown_first: frozenset[str] = frozenset()
        self._make_controls()
        self._lay_out()
        self._connect()
        self._add_commands()
        self._state_changed("idle")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _make_controls(self) -> None:
        self.box = RecordBox(LiveChoices(self._desk.settings))
        self.record = self.box.record
        self.tools = tools = LiveTools(self._desk.settings.window_s)
        self.marker, self.freeze, self.width_box = tools.marker, tools.freeze, tools.width_box
        self.shapes = Shapes(self._desk, self.session, self.stack, self.values.model_, self.watcher)
        self.note = MarkerNote()
        self.bands = BandWatch()
        self.notice = Notice()
        self.status = LiveLine()
        self.starting = Starting(
            self.session, self.set_up, self.box, self.watcher, self.notice, self
        )
        self.cautions = self.starting.cautions
        self.empty = EmptyState(
            "No recording yet",
            "Pick the link to the car on the left and press Start recording (Ctrl+R), or only "
            "watch (Ctrl+E). No adapter at hand? The simulated car behaves like a real one.",
            "Record the simulated car",
        )

    def _lay_out(self) -> None:
        self._side = QStackedWidget()
        scroll = QScrollArea()
        scroll.setWidget(self.set_up)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._side.addWidget(scroll)
        self._side.addWidget(self.values)
        side = QFrame()
        side_layout = QVBoxLayout(side)
        side_layout.setContentsMargins(12, 12, 6, 12)
        side_layout.addWidget(self.box)
        side_layout.addWidget(self._side, 1)
        side.setMinimumWidth(320)
        plots = QWidget()
        plots_layout = QVBoxLayout(plots)
        plots_layout.setContentsMargins(0, 0, 0, 0)
        plots_layout.setSpacing(2)
        plots_layout.addWidget(self.tools)
        plots_layout.addWidget(self.note)
        plots_layout.addWidget(self.ribbon)
        plots_layout.addWidget(self.shapes, 1)
        self._middle = QStackedWidget()
        cards = (self.empty, self.cautions, plots, self.starting.connecting)
        for page in cards:
            self._middle.addWidget(page if page is plots else middle(page))
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(side)
        split.addWidget(self._middle)
        split.setStretchFactor(1, 1)
        split.setSizes([_SIDE_WIDTH, 1000])
        split.setChildrenCollapsible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.notice)
        layout.addWidget(split, 1)
        layout.addWidget(self.status)

    def _connect(self) -> None:
        self.marker.clicked.connect(self.mark)
        self.tools.note.clicked.connect(self.ask_for_note)
        self.note.given.connect(self.session.mark)
        self.note.left.connect(self.stack.setFocus)
        self.freeze.clicked.connect(lambda on: self.set_following(not on))
        self.width_box.activated.connect(self._width_chosen)
        self.stack.by_hand.connect(lambda: self.set_following(False))
        self.ribbon.by_hand.connect(lambda: self.set_following(False))
        self.tools.driver.clicked.connect(self.show_driver_view)
        self.watcher.progressed.connect(lambda p: self.ribbon.set_conditions(p.conditions))
        self.shapes.shape_changed.connect(self._shape_changed)
        self.watcher.failed.connect(self.notice.trouble)
        starting = self.starting
        starting.cautions_shown.connect(lambda: self._middle.setCurrentIndex(1))
        starting.cautions_left.connect(self._cautions_left)
        starting.cleared.connect(self._clear)
        self.empty.pressed.connect(self.record_simulated)
        self.notice.pressed.connect(self._notice_pressed)
        self._desk.look.changed.connect(self.set_theme)
        for owner in (self.stack, self.values.model_, self.shapes.wiggle, self.set_up.car):
            self._desk.look.units_changed.connect(owner.set_units)
        self.values.model_.plotted_changed.connect(self._plot)
        session = self.session
        session.state_changed.connect(self._state_changed)
        session.began_anew.connect(self._clear)
        session.begun.connect(self._begun)
        session.stepped.connect(lambda text: self.status.tell("step", text))
        session.car_found.connect(self._car_found)
        session.trace_found.connect(self._trace_found)
        session.grew.connect(self._grew)
        session.status.connect(self._status)
        session.happened.connect(self._happened)
        session.finished.connect(self._finished)
        session.failed.connect(self._failed)
        self._slow = QTimer(self)
        self._slow.setInterval(_VALUES_MS)
        self._slow.timeout.connect(self._refresh_values)

    def _add_commands(self) -> None:
        self._record_action = add_command(self, "Start recording", "Ctrl+R", self.starting.toggle)
        watch = self.starting.toggle_link
        self._link_action = add_command(self, "Connect and watch", "Ctrl+E", watch)
        self._mark_action = add_command(self, "Put a marker", ["Space", "M"], self.mark)
        self._note_action = add_command(self, "Put a marker with a note", "N", self.ask_for_note)
        add_command(self, "Freeze or follow", "F", lambda: self.set_following(not self._following))
        add_command(self, "Record the simulated car", "Ctrl+Shift+R", self.record_simulated)
        add_command(self, "Driver's view", "D", self.show_driver_view)
        self.shapes.add_commands(self, self.tools, self.show_shape)
        add_command(self, "Recover what a crash left", "Shift+F5", self._recover_here)
        add_command(self, "Review the last recording", "Ctrl+Return", self._review_last)
        add_command(self, "Look for links again", "F5", self.set_up.find_links)
        add_command(self, "Replay a recording", "Ctrl+Shift+E", self.set_up.link.ask_replay)
        add_view_commands(self.stack, self.view, by_hand=lambda: self.set_following(False))
        model, settings = self.values.model_, self._desk.settings
        self.layouts = live_layouts(
            self, settings, self.stack, self.session, model, lambda: self._shown_first
        )
        self.layouts.told.connect(lambda text: self.status.tell("step", text))
        self.tools.add(self.layouts.button)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return [*self.actions(), *self.stack.actions()]

    # --- what can be done ---

    @property
    def busy(self) -> bool:
        """The car is connected, or being connected; a recording is made or finished."""
        return self.session.active

    @property
    def recording(self) -> bool:
        """Something would be lost if it were ended now."""
        return self.session.active and self.session.records

    def choose_link(self, url: str) -> None:
        """Put a link into the field."""
        self.set_up.choose_link(url)

    def choose_signals(self, acronyms: tuple[str, ...]) -> None:
        """Check these signals."""
        self.set_up.picker.choose(acronyms)

    def set_vehicle(self, vehicle: Vehicle) -> None:
        """Facts of the car, kept in the recording."""
        self.set_up.car.set_vehicle(vehicle)

    def start(self, resume: Path | None = None) -> None:
        """Begin a recording with what is chosen, or go on with this journal."""
        self.starting.start(resume)

    def record_simulated(self) -> None:
        """Record the simulated car, whatever the link field holds."""
        if not self.busy:
            self.choose_link(SIMULATED)
            self.start()

    def stop(self) -> None:
        """Finish and save the recording."""
        self.session.stop()

    def mark(self) -> None:
        """Put a marker at this instant."""
        self.session.mark()

    def ask_for_note(self) -> None:
        """Let a note be typed for a marker at this instant."""
        self.note.ask(self.session.now_ns)

    def show_shape(self, shape: Shape) -> None:
        """Show the strips, the plan or the wiggle test; the plan's cautions come first, once."""
        starting = self.starting
        if shape == "plan" and not starting.cautions_seen:
            self._shape_changed(self.shapes.shape)
            starting.show_cautions(lambda: self.show_shape("plan"), "Understood, show the plan")
            return
        self._middle.setCurrentIndex(2 if shape != "strips" or self.session.traces else 0)
        self.shapes.show_shape(shape)

    def show_driver_view(self) -> None:
        """Four values on the whole screen: the first that are checked in the table."""
        view = self.driver_view()
        view.setGeometry(self.screen().geometry())  # some desktops do not do it by themselves
        view.showFullScreen()

    def driver_view(self) -> DriverView:
        """A new driver's view of this recording; it is forgotten when closed."""
        made = DriverView(
            self.values.model_.plotted,
            lambda: self.session.now_ns,
            self._driver_text,
            lambda: self._desk.look.units,
            self.mark,
            self,
        )
        made.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        return made

    def recover(self, folder: Path) -> None:
        """Turn journals that a crash left in the folder into recordings, and say so."""
        if not self.busy:
            recover_journals(self._desk.jobs, folder, self._recovered, self.notice.trouble)

    def _recover_here(self) -> None:
        self.recover(self._desk.settings.folder)

    def _recovered(self, made: list[Path]) -> None:
        if made:
            self._last = made[-1]
            names = ", ".join(path.name for path in made)
            self.notice.success(f"Recovered from a drive that was cut short: {names}", "Review it")

    def set_following(self, following: bool) -> None:
        """Keep the newest samples in view, or stand still while the recording goes on."""
        self._following = following
        self.freeze.setChecked(not following)
        self.freeze.setText("Freeze  F" if following else "Frozen: follow  F")
        if following:
            self._follow()

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.stack.set_theme(theme)
        self.ribbon.set_theme(theme)

    def event(self, event: QEvent) -> bool:
        """Space belongs to a button or a list that has the focus; else it puts a marker."""
        if event.type() == QEvent.Type.ShortcutOverride and keeps_space(event):
            event.accept()
            return True
        return super().event(event)

    def close_links(self) -> None:
        """Let go of the capture process."""
        self._slow.stop()
        self.session.close()

    # --- what the session tells ---

    def _state_changed(self, state: State) -> None:
        self.box.show_state(state, records=self.session.records)
        self.status.show_state(state)
        self._record_action.setText(self.box.word)
        self._record_action.setEnabled(state != "finishing")
        self._link_action.setText("Connect and watch" if state == "idle" else "Disconnect")
        self._link_action.setEnabled(state == "idle" or not self.session.records)
        marks = state in ("watching", "recording")
        for what in (self.marker, self.tools.note, self._mark_action, self._note_action):
            what.setEnabled(marks)
        self._side.setCurrentIndex(0 if state == "idle" else 1)
        if state == "connecting":
            self.status.tell("step", "Opening the link")
            self._middle.setCurrentIndex(2 if self.session.traces else 3)
            self.setFocus()
            self._slow.start()
        if state == "idle":
            self.shapes.wiggle.stop()
            self._slow.stop()

    def _begun(self, begun: Begun) -> None:
        """Everything shown counts from the recording's start now."""
        since_ns = begun.since_ns
        kept = [e for e in self._events if e.t_ns >= since_ns]
        self._events = [e.model_copy(update={"t_ns": e.t_ns - since_ns}) for e in kept]
        self._show_events()
        self.shapes.wiggle.shift(since_ns)
        self.note.t_ns = max(0, self.note.t_ns - since_ns)
        self.view.set_cursor(None)
        self.view.set_limits(0, self.session.now_ns)
        if self._following:
            self._follow()
        else:
            self.view.pan_ns(-since_ns)

    def _car_found(self, found: CarFound) -> None:
        self.values.model_.set_order(found.signals, self.session.wanted_hz)
        known = table()
        numbers = [
            (row.acronym, row.unit)
            for row in map(known.by_acronym, found.signals)
            if row.kind == "number"
        ]
        self._shown_first = first_shown(numbers, _MOST_STRIPS)
        self.status.show_car(found)
        self.set_up.car_found(found)
        if self._middle.currentIndex() == 3:
            self._middle.setCurrentIndex(2)
            if self.hasFocus():
                self.stack.setFocus()

    def _trace_found(self, trace: LiveTrace) -> None:
        plotted = trace.signal in self._shown_first or trace.ecu == COMPUTED
        self.values.model_.add(trace, plotted)
        if plotted:
            self.stack.add(strip_trace(trace))
        self.layouts.begin("live", whole=True)
        self.values.model_.set_plotted(self.stack.keys)

    def _plot(self, trace: LiveTrace, on: bool) -> None:
        self.layouts.show(strip_trace(trace), on)

    def _grew(self) -> None:
        self.view.set_limits(0, self.session.now_ns)
        shown = (self.view.start_ns, self.view.end_ns)
        if self._following:
            self._follow()
        moved = shown != (self.view.start_ns, self.view.end_ns)  # then the stack repaints anyway
        if not moved and self.view.end_ns >= self.session.now_ns - SECOND:
            self.stack.refresh()
        self.shapes.wiggle.take(self.session.now_ns)

    def _follow(self) -> None:
        width = self.width_box.currentData() * SECOND
        end = max(self.session.now_ns, width)
        self.view.show_span(end - width, end)

    def _status(self, status: Status) -> None:
        self.values.model_.tell(self.session.now_ns, status.rates_hz)
        self.shapes.wiggle.take(round(status.elapsed_s * SECOND))
        self.status.show_status(status)
        if status.held_s is not None:
            self.box.tell_held(status.held_s)

    def _happened(self, event: Happened) -> None:
        self._events.append(Event(t_ns=event.t_ns, kind=event.kind, text=event.text))
        self._show_events()

    def _show_events(self) -> None:
        self.ribbon.set_events(self._events)
        self.stack.set_event_times([e.t_ns for e in self._events])

    def _finished(self, finished: Finished) -> None:
        self._last = finished.path
        if finished.path is not None:
            self.notice.success(
                f"Saved {count_text(finished.samples)} samples of "
                f"{time_text(finished.elapsed_s)} to {finished.path}",
                "Review it  Ctrl+Return",
            )
        self.status.tell("step", "")
        self._wind_up()

    def _failed(self, failed: Failed) -> None:
        self._last = failed.path
        saved = f" What was recorded is in {failed.path}." if failed.path else ""
        orphan = failed.path is not None and failed.path.suffix == ".journal"
        button = "Go on recording" if orphan else "Review it" if failed.path else "Try again"
        self.notice.trouble(failed.sentence + saved, button)
        self.status.tell("step", "")
        self._wind_up()

    def _wind_up(self) -> None:
        if self._last is not None:
            self.set_up.car.drive_over()
        if not self.session.traces and not self.notice.text:
            self._middle.setCurrentIndex(0)
        self._refresh_values()
        self.ended.emit()

    # --- small things ---

    def _notice_pressed(self) -> None:
        if self._last is not None and self._last.suffix == ".journal":
            self.start(self._last)
        elif self._last is not None:
            self._review_last()
        else:
            self.starting.again()

    def _review_last(self) -> None:
        if self._last is not None and not self.busy:
            self.review_wanted.emit(self._last)

    def _cautions_left(self) -> None:
        self._middle.setCurrentIndex(2 if self.session.traces else 0)

    def _shape_changed(self, shape: str) -> None:
        self.tools.plan.setChecked(shape == "plan")
        self.tools.wiggle.setChecked(shape == "wiggle")

    def _driver_text(self) -> str:
        said = self.status.said
        return "   ".join(filter(None, (said("state"), said("elapsed"), self.shapes.coming())))

    def _width_chosen(self) -> None:
        self._desk.settings.window_s = float(self.width_box.currentData())
        self.set_following(True)

    def _refresh_values(self) -> None:
        self.values.model_.tell(self.session.now_ns)
        shade_bands(self.stack, self.session, self.bands, self.watcher.vehicle)
        self.stack.refresh_values()
        self.shapes.wiggle.refresh()

    def _clear(self) -> None:
        self._events, self._last = [], None
        self.stack.clear()
        self.values.model_.clear()
        self.ribbon.clear()
        self.shapes.clear()
        self.stack.set_event_times(())
        self.view.set_limits(0, 0)
        self.status.clear()
        self.set_following(True)
