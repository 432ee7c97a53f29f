"""Strips, drive plan or wiggle test in the middle of the Live page; and the driver's view."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QStackedWidget,
    QWidget,
)

from logbench.analysis.statement import in_units
from logbench.app.commands import add_command
from logbench.app.live.driver_view import DriverView, Told
from logbench.app.live.session import LiveSession, State
from logbench.app.live.tools import LiveTools
from logbench.app.live.under_way import UnderWay
from logbench.app.live.values import ValuesModel
from logbench.app.live.voice import DriveVoice
from logbench.app.live.watching import DriveWatcher
from logbench.app.live.wiggle_panel import WigglePanel
from logbench.app.plot.stack import StripStack
from logbench.app.services import Services
from logbench.app.speech import Speech
from logbench.app.tones import Tones
from logbench.plot.trace import SECOND
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.live.plan_panel import PlanPanel

Shape = Literal["strips", "plan", "wiggle"]


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
        said: Callable[[], str],
        under_way: UnderWay,
    ) -> None:
        super().__init__()
        self._services, self._session, self._watcher = services, session, watcher
        self._values, self._said = values, said
        self._plan: PlanPanel | None = None
        self.shape: Shape = "strips"
        self.marks: Callable[[], int] = int
        """How many markers the drive has."""
        self.tones = Tones()
        self.speech = Speech(services.settings, self)
        self.stack = stack
        self.under_way = under_way
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
        self._session.state_changed.connect(
            lambda state: tools.passenger.setVisible(state != "idle")
        )
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

    def minimumSizeHint(self) -> QSize:
        """What is shown needs; the others take no room from the tools above."""
        shown = self.currentWidget()
        return super().minimumSizeHint() if shown is None else shown.minimumSizeHint()

    def show_shape(self, shape: Shape) -> None:
        """Bring one of them to the front."""
        self.shape = shape
        page: QWidget = self.stack
        if shape != "strips":
            page = self.wiggle if shape == "wiggle" else self.plan
        self.setCurrentWidget(page)
        self.updateGeometry()
        (self.wiggle.button if shape == "wiggle" else page).setFocus()
        self.shape_changed.emit(shape)

    def show_driver_view(self) -> None:
        """A few values on the whole screen."""
        view = self.driver_view()
        view.setGeometry(self.screen().geometry())  # some desktops do not do it by themselves
        view.showFullScreen()

    def driver_view(self) -> DriverView:
        """A new driver's view of this recording; it is forgotten when closed."""
        made = DriverView(
            self._services,
            self._session,
            self._values.plotted,
            Told(self._driver_text, self.marks),
            self.tones,
            self.under_way,
            self.window(),
        )
        made.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        return made

    def _driver_text(self) -> str:
        runs = (
            tr("Wiggle test: {total} seen", total=self.wiggle.total) if self.wiggle.running else ""
        )
        said = (self._said(), self.coming(), runs)
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
