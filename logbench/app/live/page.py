"""The Live page: choose, start, watch, mark, stop."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.live.cars import CarMet
from logbench.app.live.first_start import FirstStart
from logbench.app.live.notices import Endings, LinkWatch
from logbench.app.live.record_box import RecordBox
from logbench.app.live.recorder_bar import RecorderBar
from logbench.app.live.second_screen import Drive, SecondScreen
from logbench.app.live.session import CaptureFactory, LiveSession, State
from logbench.app.live.setup import SetUp
from logbench.app.live.shapes import Shape, Shapes
from logbench.app.live.shown import DriveShown
from logbench.app.live.side import Side
from logbench.app.live.starting import Starting
from logbench.app.live.tools import LiveTools, keeps_space
from logbench.app.live.under_way import UnderWay
from logbench.app.live.watching import DriveWatcher
from logbench.app.notice import Notice
from logbench.app.parts import EmptyState, lay, middle
from logbench.app.plot.keys import add_view_commands
from logbench.app.scrolling import UpAndDown
from logbench.app.services import Services
from logbench.app.tables import splitter
from logbench.capture.messages import CarFound, Finished
from logbench.vehicle.links.schemes import SIMULATED
from logbench.words import tr

_SIDE_WIDTH = 380


class Middle(QStackedWidget):
    """One of the four at a time."""

    def __init__(
        self,
        session: LiveSession,
        starting: Starting,
        shown: DriveShown,
        tools: LiveTools,
        shapes: Shapes,
    ) -> None:
        super().__init__()
        self._session = session
        self.empty = EmptyState(
            tr("No recording yet"),
            tr(
                "Choose the link to the car on the left and press Start recording (Ctrl+R), or "
                "only watch (Ctrl+E). No adapter at hand? The simulated car behaves like a "
                "real one."
            ),
            tr("Record the simulated car"),
        )
        drive = QWidget()
        parts = (tools, shown.ribbon, (shapes, 1))
        lay(QVBoxLayout(drive), *parts, margins=(0, 0, 0, 0), spacing=2)
        self._drive = UpAndDown(drive)
        self._drive.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._invitation, self._cautions, self._connecting = (
            middle(card) for card in (self.empty, starting.cautions, starting.connecting)
        )
        for page in (self._invitation, self._cautions, self._drive, self._connecting):
            self.addWidget(page)
        starting.cautions_shown.connect(lambda: self.setCurrentWidget(self._cautions))
        starting.cautions_left.connect(self.show_what_there_is)
        session.car_found.connect(self._car_found)
        session.finished.connect(self._finished)

    def show_drive(self) -> None:
        """Strips, plan or wiggle test, with the tools above them."""
        self.setCurrentWidget(self._drive)

    def show_what_there_is(self) -> None:
        """The drive where there are samples, else the invitation."""
        self.setCurrentWidget(self._drive if self._session.traces else self._invitation)

    def show_connecting(self) -> None:
        """The steps, unless there is a drive that is gone on with."""
        self.setCurrentWidget(self._drive if self._session.traces else self._connecting)

    def _car_found(self) -> None:
        if self.currentWidget() is self._connecting:
            self.show_drive()

    def _finished(self, finished: Finished) -> None:
        """Where nothing was kept there is nothing more to be read here."""
        if finished.path is None:
            self.show_what_there_is()


class LivePage(QWidget):
    """A drive while it happens.

    The page puts its parts together and says what can be done: `starting` begins a drive, `shown`
    and `shapes` show it, `endings` tells how it ended.
    """

    def __init__(self, services: Services, capture: CaptureFactory | None = None) -> None:
        super().__init__()
        self._services = services
        self._owner = services.runner.owner()
        self.session = LiveSession(capture, self)
        self.watcher = DriveWatcher(self.session, self._owner, self)
        self.shown = shown = DriveShown(services, self.session, self.watcher, self)
        self.view, self.stack, self.ribbon = shown.view, shown.stack, shown.ribbon
        self.values, self.status = shown.values, shown.status
        self._make_controls()
        self._lay_out()
        self._connect()
        self._add_commands()
        self._state_changed("idle")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    # --- building ---

    def _make_controls(self) -> None:
        services, session = self._services, self.session
        self.set_up = SetUp(services.settings)
        self.box = RecordBox(services.settings, session)
        self.record = self.box.record
        self.tools = LiveTools(services.settings.window_s)
        self.under_way = UnderWay(session, self)
        self.bar = RecorderBar(session, self.under_way)
        self.notice = Notice(services.messages)
        self.shapes = Shapes(
            services,
            session,
            self.stack,
            self.values.model_,
            self.watcher,
            self.bar.said,
            self.under_way,
        )
        self.starting = Starting(session, self.set_up, self.box, self.watcher, self.notice, self)
        self.cautions = self.starting.cautions
        self.link_watch = LinkWatch(session, self.notice, self.shapes.tones, self)
        car, notice = self.set_up.car, self.notice
        self.cars = CarMet(services, session, car, self.watcher, notice, self)
        self.endings = Endings(
            services.settings,
            self._owner,
            session,
            self.set_up,
            self.starting,
            self.cars,
            notice,
            self,
        )
        self.middle = Middle(session, self.starting, self.shown, self.tools, self.shapes)
        self.empty = self.middle.empty
        self.first_start = FirstStart(
            services.settings,
            self._owner,
            session,
            self.set_up,
            notice,
            self.starting.connect_link,
            self.record_simulated,
            self,
        )
        rows, events = (lambda: self.values.model_.rows), (lambda: self.shown.events)
        state, look = (lambda: self.bar.state.whole), services.look
        self.second = SecondScreen(Drive(session, rows, events, state, look), self)

    def _lay_out(self) -> None:
        remarks = self.shown.remarks
        self.side = Side(self.session, self.box, self.set_up, self.values, remarks, self.notice)
        split = splitter(Qt.Orientation.Horizontal, {self.side: _SIDE_WIDTH, self.middle: 1000})
        split.setStretchFactor(1, 1)
        lay(QVBoxLayout(self), (split, 1), self.status, margins=(0, 0, 0, 0), spacing=0)

    def _connect(self) -> None:
        tools, shown, shapes, session = self.tools, self.shown, self.shapes, self.session
        tools.freeze.clicked.connect(lambda on: shown.following.set(not on))
        tools.second.clicked.connect(self._offer_screen)
        tools.width_box.activated.connect(self._width_chosen)
        self.starting.stop_wanted.connect(self.bar.press_stop)
        self.bar.note_left.connect(self._leave_note)
        shown.happened.connect(lambda: self.bar.show_marks(shown.events))
        shown.following.changed.connect(tools.show_following)
        shown.ticked.connect(shapes.wiggle.refresh)
        shapes.shape_changed.connect(tools.show_shape)
        self.under_way.held_back.connect(self.notice.passing)
        shapes.marks = lambda: sum(event.kind == "marker" for event in shown.events)
        shapes.speech.failed.connect(self.notice.trouble)
        shown.ticked.connect(shapes.voice.look)
        self.link_watch.warned.connect(shapes.speech.say)
        self.watcher.failed.connect(self.notice.trouble)
        self.starting.cleared.connect(self._clear)
        self.empty.pressed.connect(self.record_simulated)
        self.set_up.link.scan_wanted.connect(self._look_for_adapter)
        self._services.look.units_changed.connect(self.set_up.car.set_units)
        session.state_changed.connect(self._state_changed)
        session.began_anew.connect(shapes.clear)
        session.car_found.connect(self._car_found)

    def _add_commands(self) -> None:
        starting, shown, endings = self.starting, self.shown, self.endings
        self._record_action = add_command(self, tr("Start recording"), "Ctrl+R", starting.toggle)
        self._record_action.setAutoRepeat(False)
        self._link_action = add_command(
            self, tr("Connect and watch"), "Ctrl+E", starting.toggle_link
        )
        self._mark_action = add_command(self, tr("Put a marker"), ["Space", "M"], self.mark)
        self._note_action = add_command(
            self, tr("Put a marker with a note"), "N", self.bar.ask_note
        )
        add_command(
            self, tr("Freeze or follow"), "F", lambda: shown.following.set(not shown.following.on)
        )
        add_command(self, tr("Second screen"), "Shift+F2", self._offer_screen)
        add_command(self, tr("Record the simulated car"), "Ctrl+Shift+R", self.record_simulated)
        add_command(self, tr("Choose signals"), "S", self.side.show_choice)
        add_command(self, tr("Ask for the signals chosen"), "Shift+S", self.side.use_choice)
        self.shapes.add_commands(self, self.tools, self.show_shape)
        shown.remarks.add_commands(self)
        for number, title in ((0, tr("Show the values")), (1, tr("Show the notes"))):
            show = partial(self.side.tabs.setCurrentIndex, number)
            add_command(self, title, f"Alt+{number + 1}", show)
        add_command(self, tr("Recover what a crash left"), "Shift+F5", endings.recover)
        add_command(self, tr("Review the last recording"), "Ctrl+Return", endings.review_last)
        add_command(self, tr("Refresh the links"), "F5", self.set_up.link.find_links)
        add_command(self, tr("Look for Bluetooth adapters"), "Ctrl+F5", self._look_for_adapter)
        add_command(self, tr("Replay a recording"), "Ctrl+Shift+E", self.set_up.link.ask_replay)
        in_time = add_view_commands(self.stack, self.view, by_hand=shown.following.stop)
        saved_layouts = shown.add_layouts(self, in_time)
        self.layouts = saved_layouts.layouts
        self.tools.add(saved_layouts.button)

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
        self.set_up.link.choose(url)

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

    def show_shape(self, shape: Shape) -> None:
        """Show the strips, the plan or the wiggle test; the plan's cautions come first, once."""
        starting = self.starting
        if shape == "plan" and not starting.cautions_seen:
            self.tools.show_shape(self.shapes.shape)
            then = partial(self.show_shape, "plan")
            self.under_way.ask(lambda: starting.show_cautions(then, tr("Show the plan")))
            return
        if shape == "strips":
            self.middle.show_what_there_is()
        else:
            self.middle.show_drive()
        self.shapes.show_shape(shape)

    def event(self, event: QEvent) -> bool:
        """Space belongs to a button or a list that has the focus; else it puts a marker."""
        if event.type() == QEvent.Type.ShortcutOverride and keeps_space(event):
            event.accept()
            return True
        return super().event(event)

    def _offer_screen(self) -> None:
        self.shapes.under_way.ask(self.second.offer)

    # --- what its parts tell ---

    def _state_changed(self, state: State) -> None:
        self._record_action.setText(self.box.word)
        self._record_action.setEnabled(state != "finishing")
        self._link_action.setText(tr("Connect and watch") if state == "idle" else tr("Disconnect"))
        self._link_action.setEnabled(state == "idle" or not self.session.records)
        marks = state in ("watching", "recording")
        for what in (self._mark_action, self._note_action):
            what.setEnabled(marks)
        if state == "connecting":
            self.middle.show_connecting()
            self.setFocus()

    def _car_found(self, found: CarFound) -> None:
        self.set_up.car_found(found)
        if self.hasFocus():
            self.stack.setFocus()

    def _look_for_adapter(self) -> None:
        from logbench.app.live.ble_dialog import look_for_adapter  # few have one

        look_for_adapter(self._owner, self.set_up.link)

    def _width_chosen(self) -> None:
        self._services.settings.window_s = float(self.tools.width_box.currentData())
        self.shown.following.set(True)

    def _leave_note(self) -> None:
        if self.isVisible():
            self.stack.setFocus()

    def _clear(self) -> None:
        self.bar.clear()
        self.shown.clear()
        self.shapes.clear()
