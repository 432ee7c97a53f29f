"""Strips, drive plan or wiggle test in the middle of the Live page; and the driver's view."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QFont, QResizeEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.statement import in_units
from logbench.app.commands import add_command
from logbench.app.live.session import LiveSession, State
from logbench.app.live.tools import LiveTools
from logbench.app.live.under_way import UnderWay
from logbench.app.live.values import ValuesModel
from logbench.app.live.voice import DriveVoice
from logbench.app.live.watching import DriveWatcher
from logbench.app.live.wiggle_panel import WigglePanel
from logbench.app.parts import STRETCH, Dialog, lay, set_letters, styled, text_button
from logbench.app.plain import Label
from logbench.app.plot.stack import StripStack
from logbench.app.services import Services
from logbench.app.speech import Speech
from logbench.app.theme import Look
from logbench.app.tones import Tones
from logbench.plot.trace import SECOND, LiveTrace
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.live.plan_panel import PlanPanel

MOST = 4
_EVERY_MS = 250
Shape = Literal["strips", "plan", "wiggle"]


class _Value(QWidget):
    """One value with its name above it."""

    def __init__(self) -> None:
        super().__init__()
        self.name = styled(Label(alignment=Qt.AlignmentFlag.AlignCenter), "muted")
        self.value = Label(alignment=Qt.AlignmentFlag.AlignCenter)
        # the name stays close to its value, however much room there is
        lay(QVBoxLayout(self), STRETCH, self.name, self.value, STRETCH, spacing=0)

    def fit(self, width: int, height: int) -> None:
        """As large as the text "−88,888 km/h" may be."""
        size = max(18, min(round(height * 0.42), round(width / 8.2)))
        set_letters(self.name, max(16, size // 3))
        set_letters(self.value, size, QFont.Weight.DemiBold)


class DriverView(Dialog):
    """Full screen; the values go on by themselves. Space puts a marker, Esc leaves."""

    def __init__(
        self,
        traces: Callable[[], Sequence[LiveTrace]],
        session: LiveSession,
        said: Callable[[], str],
        look: Look,
        parent: QWidget,
    ) -> None:
        super().__init__(tr("Driver's view"), parent)
        self._traces, self._session, self._said, self._look = traces, session, said, look
        self.values = [_Value() for _ in range(MOST)]
        grid = QGridLayout()
        for place, value in enumerate(self.values):
            grid.addWidget(value, place // 2, place % 2)
        self.state = Label(alignment=Qt.AlignmentFlag.AlignCenter)
        self.leave = text_button(tr("Back  Esc"), self.reject)
        self.leave.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        lay(
            QVBoxLayout(self),
            (grid, 1),
            self.state,
            (self.leave, 0, Qt.AlignmentFlag.AlignRight),
            margins=(24, 16, 24, 16),
        )
        add_command(self, tr("Put a marker"), ["Space", "M"], session.mark)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()  # nothing in it takes the focus, and without one no command has its key
        timer = QTimer(self, interval=_EVERY_MS)
        timer.timeout.connect(self.refresh)
        timer.start()
        self.refresh()

    def refresh(self) -> None:
        """Show what the traces hold now; in the large letters none that is not live."""
        traces = list(self._traces())[:MOST]
        for place, widget in enumerate(self.values):
            widget.setVisible(place < max(1, len(traces)))
            if place >= len(traces):
                widget.name.setText("" if traces else tr("No values yet"))
                widget.value.setText("")
                continue
            trace = traces[place]
            text = trace.shown_text(self._session.clock, self._look.units)
            valid = trace.shown(self._session.clock).valid
            widget.name.setText(trace.title if valid else f"{trace.title}\n{text}")
            widget.value.setText(text if valid else "–")
            widget.setAccessibleName(f"{trace.title}: {text}")
        self.state.setText(self._said())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Letters as large as there is room."""
        super().resizeEvent(event)
        for value in self.values:
            value.fit(self.width() // 2 - 40, self.height() // 2 - 60)
        set_letters(self.state, max(16, self.height() // 26))


class Shapes(QStackedWidget):
    """One of the three at a time; the recording goes on whatever is shown."""

    shape_changed = Signal(str)

    def __init__(
        self,
        services: Services,
        session: LiveSession,
        stack: StripStack,
        values: ValuesModel,
        watcher: DriveWatcher,
        said: Callable[[str], str],
    ) -> None:
        super().__init__()
        self._services, self._session, self._watcher = services, session, watcher
        self._values, self._said = values, said
        self._plan: PlanPanel | None = None
        self.shape: Shape = "strips"
        self.tones = Tones()
        self.speech = Speech(services.settings, self)
        self.stack = stack
        self.under_way = UnderWay(session, self)
        self.voice = DriveVoice(self.speech, session, self.under_way, services.look, self)
        self.wiggle = WigglePanel(
            values.plotted, session, self.tones, services.look, self.under_way
        )
        self.addWidget(stack)
        self.addWidget(self.wiggle)
        watcher.goals_read.connect(self._goals_read)
        session.grew.connect(lambda: self.wiggle.take(session.now_ns))
        session.status.connect(lambda s: self.wiggle.take(round(s.elapsed_s * SECOND)))
        session.begun.connect(lambda b: self.wiggle.shift(b.since_ns))
        session.state_changed.connect(self._state_changed)
        session.car_found.connect(self.wiggle.stop)  # other signals may come from now on

    @property
    def plan(self) -> PlanPanel:
        """The drive plan, made when first asked for: the analysis takes its time to import."""
        if self._plan is None:
            from logbench.app.live.plan_panel import PlanPanel

            self._plan = plan = PlanPanel(self._services.look, self.tones, self.under_way)
            plan.repeat_wanted.connect(self._ask_what_to_repeat)
            self.addWidget(plan)
            watcher = self._watcher
            watcher.judges = True
            watcher.evidence_found.connect(plan.evidence.show_evidence)
            for follow in (plan.show_progress, self.voice.follow):
                watcher.progressed.connect(follow)
                if watcher.progress is not None:
                    follow(watcher.progress)
        return self._plan

    def add_commands(
        self, owner: QWidget, tools: LiveTools, choose: Callable[[Shape], None]
    ) -> None:
        """Buttons and keys that switch to the plan and the wiggle test, and back."""

        def switch(shape: Shape) -> Callable[[], None]:
            return lambda: choose("strips" if self.shape == shape else shape)

        tools.plan.clicked.connect(switch("plan"))
        tools.wiggle.clicked.connect(switch("wiggle"))
        tools.end_wiggle.clicked.connect(self.wiggle.stop)
        self.wiggle.said.connect(tools.show_wiggle)
        tools.driver.clicked.connect(self.show_driver_view)
        tools.passenger.clicked.connect(self.under_way.declare)
        self.under_way.changed.connect(lambda: tools.passenger.setChecked(self.under_way.passenger))
        add_command(owner, tr("Drive plan, or strips"), "P", switch("plan"))
        add_command(owner, tr("Wiggle test, or strips"), "G", switch("wiggle"))
        add_command(owner, tr("Start or stop the wiggle test"), "Shift+G", self.wiggle.toggle)
        add_command(owner, tr("Driver's view"), "D", self.show_driver_view)
        add_command(
            owner,
            tr("A passenger operates this, or the driver is alone"),
            "Shift+D",
            lambda: self.under_way.declare(not self.under_way.passenger),
        )
        add_command(owner, tr("Repeat an earlier drive"), "Shift+P", self._ask_what_to_repeat)
        add_command(owner, tr("Tones on or off"), "Shift+T", self._switch_tones)
        add_command(owner, tr("Speech on or off"), "Shift+V", self.speech.switch)

    def show_shape(self, shape: Shape) -> None:
        """Bring one of them to the front."""
        self.shape = shape
        page: QWidget = self.stack
        if shape != "strips":
            page = self.wiggle if shape == "wiggle" else self.plan
        self.setCurrentWidget(page)
        (self.wiggle.button if shape == "wiggle" else page).setFocus()
        self.shape_changed.emit(shape)

    def show_driver_view(self) -> None:
        """Four values on the whole screen: the first that are checked in the table."""
        view = self.driver_view()
        view.setGeometry(self.screen().geometry())  # some desktops do not do it by themselves
        view.showFullScreen()

    def driver_view(self) -> DriverView:
        """A new driver's view of this recording; it is forgotten when closed."""
        made = DriverView(
            self._values.plotted,
            self._session,
            self._driver_text,
            self._services.look,
            self.window(),
        )
        made.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        return made

    def _driver_text(self) -> str:
        runs = (
            tr("Wiggle test: {total} seen", total=self.wiggle.total) if self.wiggle.running else ""
        )
        said = (self._said("state"), self._said("elapsed"), self.coming(), runs)
        return "   ".join(filter(None, said))

    def clear(self) -> None:
        """A new recording begins."""
        self.wiggle.stop()
        self.voice.follow(None)
        if self._plan is not None:
            self._plan.show_progress(None)

    def coming(self) -> str:
        """What the plan asks for next, while it is followed."""
        progress = self._watcher.progress
        if progress is None or self._plan is None:
            return ""
        told = progress.says(under_way=not self.under_way.may_ask)
        return in_units(told, self._services.look.units)

    def _ask_what_to_repeat(self) -> None:
        self.under_way.ask(self.ask_what_to_repeat)

    def ask_what_to_repeat(self) -> None:
        """Let the user pick the earlier drive whose cells are to be driven again."""
        folder = str(self._services.settings.folder)
        kinds = tr("Recordings (*.parquet);;All files (*)")
        name, _ = QFileDialog.getOpenFileName(self, tr("Repeat this drive"), folder, kinds)
        if name:
            self._watcher.repeat(Path(name), self._services.settings.archive_at_hand)

    def _state_changed(self, state: State) -> None:
        if state == "idle":
            self.wiggle.stop()

    def _goals_read(self, name: str, powers: tuple[str, ...]) -> None:
        self.plan.tell_goals(name, powers)

    def _switch_tones(self) -> None:
        self.tones.on = not self.tones.on
        self.tones.play("next")
