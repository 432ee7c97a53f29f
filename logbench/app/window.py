"""The main window: a header, the pages, commands; files dropped on it, and how it closes."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QByteArray, QMargins, QTimer
from PySide6.QtGui import QAction, QCloseEvent, QShowEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QMainWindow,
    QMessageBox,
    QVBoxLayout,
    QWidget,
)

from logbench.app.appearance import Appearance
from logbench.app.coming_back import ComingBack
from logbench.app.commands import CommandList, CommandsFirst, add_command
from logbench.app.flow import Flow
from logbench.app.notice import Messages, Notice
from logbench.app.pages import TITLES, Pages, Then
from logbench.app.parts import Drops, lay, styled, text_button
from logbench.app.plain import Question
from logbench.app.services import Services, WindowRunner
from logbench.app.theme import Look
from logbench.app.touch import take_fingers
from logbench.cases.left_open import FILE
from logbench.cases.settings import Settings
from logbench.cases.work import Work, only_looks
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.guide.window import Guide
    from logbench.app.importing import Importing
    from logbench.app.live.session import CaptureFactory

_log = logging.getLogger(__name__)


class MainWindow(QMainWindow):
    """Live, Review, Compare, Job and Archive; all pages but the first are made when needed."""

    def __init__(self, settings: Settings, capture: CaptureFactory | None = None) -> None:
        super().__init__()
        self.setWindowTitle("logbench")
        look = Look(settings.theme, settings.size_percent, of=self)
        middle = QWidget()
        self.services = services = Services(settings, look, WindowRunner(), Messages(middle))
        self.ask_to_finish: Callable[[], bool] = self._ask_to_finish
        """Whether a running recording may be finished now; tests put their own answer here."""
        self._closing = False
        self._importing: Importing | None = None
        self._owner = services.runner.owner()
        self.pages = Pages(services, self.take_files, capture)
        self.live = self.pages.live
        self.live.endings.ended.connect(self._recording_ended)
        self.appearance = Appearance(self, services)
        self.notice = Notice(services.messages)
        self._middle = lay(QVBoxLayout(middle), (self.pages, 1), margins=(0, 0, 0, 0), spacing=0)
        body = QWidget()
        parts = (self._header(), (middle, 1), self.live.bar)
        lay(QVBoxLayout(body), *parts, margins=(0, 0, 0, 0), spacing=0)
        self.setCentralWidget(body)
        Drops(self, lambda paths: self.take_files(paths, self.pages.open_recordings))
        self.setMinimumSize(900, 600)
        self._add_commands()
        self.live.bar.add_commands(self)
        self.pages.shown.connect(self.live.bar.show_keys)
        self.pages.shown.connect(self._take_fingers)
        self.pages.shown.connect(services.messages.turn)
        self.live.bar.note_left.connect(self._note_left)
        self._commands_first = CommandsFirst(self)
        kept = QByteArray.fromBase64(settings.geometry.encode())
        if kept.isEmpty() or not self.restoreGeometry(kept):
            self.resize(1280, 800)
        look.set_units(settings.units)
        services.runner.unowned = self.notice.say
        kept_in = settings.beside(FILE)
        self.coming_back = ComingBack(self.pages, self.notice, kept_in, self)
        self.pages.show_page("live")

    def _header(self) -> QFrame:
        bar, row = styled(QFrame(), "bar"), Flow(QMargins(12, 2, 12, 2))
        buttons = QButtonGroup(self)
        for key, title in TITLES.items():
            show, said = partial(self.pages.show_page, key), tr("Page {title}", title=title)
            button = styled(text_button(title, show, said, checkable=True), "page")
            self.pages.shown.connect(lambda shown, b=button, k=key: b.setChecked(shown == k))
            buttons.addButton(button)
            row.add(button)
        road = text_button(
            tr("Roadside"),
            self.appearance.switch_roadside,
            tr("Look for sunlight and gloves"),
            tr("High contrast, and controls for gloved fingers (F9)"),
            checkable=True,
        )
        self.services.look.changed.connect(lambda _: road.setChecked(self.services.look.roadside))
        road.setChecked(self.services.look.roadside)
        commands = text_button(
            tr("Commands  Ctrl+K"),
            partial(self.live.under_way.ask, self.show_commands),
            name=tr("Open the list of commands"),
        )
        settings = text_button(
            tr("Settings …"),
            partial(self.live.under_way.ask, self.appearance.show_settings),
            name=tr("Settings: theme, size of texts, units, own limits"),
            tip=tr("Ctrl+,"),
        )
        row.add(road, commands, settings)
        lay(QHBoxLayout(bar), row, margins=(0, 0, 0, 0))
        return bar

    def _add_commands(self) -> None:
        ask = self.live.under_way.ask  # what opens a window of its own waits until the car stands
        add_command(
            self,
            tr("Search commands"),
            ["Ctrl+K", "Ctrl+Shift+P"],
            partial(ask, self.show_commands),
        )
        for number, (key, title) in enumerate(TITLES.items(), 1):
            add_command(
                self,
                tr("Go to the {title} page", title=title),
                f"Ctrl+{number}",
                partial(self.pages.show_page, key),
            )
        for title, key, run in (
            (tr("Open a recording"), "Ctrl+O", self.pages.ask_for_recording),
            (tr("Own signals"), "F4", self.pages.show_own_signals),
            (tr("Guide to this page"), "F1", self.show_guide),
            (tr("Version, and where the log is"), "Shift+F1", self.show_help),
        ):
            add_command(self, title, key, partial(ask, run))
        add_command(self, tr("Close logbench"), "Ctrl+Q", self.close)

    @property
    def importing(self) -> Importing:
        """What imports other programs' files, made when first asked for."""
        if self._importing is None:
            from logbench.app.importing import Importing

            self._importing = Importing(self.services)
            self._middle.insertWidget(0, self._importing)
        return self._importing

    # --- doing ---

    def showEvent(self, event: QShowEvent) -> None:
        """Fingers work from now on."""
        super().showEvent(event)
        self._take_fingers()

    def _take_fingers(self, _: str = "") -> None:
        if self.isVisible():
            take_fingers(self)

    def warm_up(self) -> None:
        """Load what opening a recording needs while nobody waits for it; the Review page's controls
        take a tenth of a second, which an opening need not wait for."""

        def make_early(_: object) -> None:
            if not self.live.busy:
                _ = self.pages.review

        self._owner.start(_load_review(), make_early, _log.debug)

    def commands(self) -> list[QAction]:
        """All actions that make sense now: the window's and the shown page's."""
        return [*self._shown().commands(), *self.actions()]

    def show_commands(self) -> None:
        """Open the searchable list, and run what is chosen."""
        self.live.bar.stop.disarm()  # what is chosen in the list is a first press at most
        dialog = CommandList(self.commands(), self)
        if dialog.exec() and dialog.chosen is not None:
            chosen = dialog.chosen
            QTimer.singleShot(0, chosen.trigger)

    @cached_property
    def guide(self) -> Guide:
        """What to do on each page."""
        from logbench.app.guide.window import Guide

        return Guide(self)

    def show_guide(self) -> None:
        """The guide, at the page that is shown, or at the check whose finding is chosen there."""
        key = next(k for k in TITLES if vars(self.pages).get(k) is self._shown())
        finding = self.pages.review.findings.current() if key == "review" else None
        self.guide.open_at(f"{key}.md" if finding is None else f"checks/{finding.check}.md")

    def show_help(self) -> None:
        """Version, log file, details for the clipboard."""
        from logbench.app.details import help_box

        help_box(self).open()

    def _note_left(self) -> None:
        if self._shown() is not self.live:
            self._shown().setFocus()

    def _shown(self) -> Any:
        """The page in front."""
        return self.pages.currentWidget()

    def take_files(self, paths: Sequence[Path], then: Then) -> None:
        """Give `then` these files; another program's are imported first, and confirmed."""
        self.importing.take(paths, then)

    # --- closing ---

    def closeEvent(self, event: QCloseEvent) -> None:
        """A running recording is finished first, after asking."""
        if self.live.busy:
            event.ignore()
            if not self._closing and (not self.live.recording or self.ask_to_finish()):
                self._closing = True
                self.live.stop()
            return
        self.services.settings.geometry = bytes(self.saveGeometry().toBase64().data()).decode()
        self.coming_back.close()
        self.services.runner.close()
        self.pages.leave()
        event.accept()

    def _ask_to_finish(self) -> bool:
        asked = tr("A recording is running. Finish and save it, then close?")
        box = Question(self, tr("A recording is running"), asked)
        finish = box.addButton(tr("Finish and close"), QMessageBox.ButtonRole.AcceptRole)
        keep = box.addButton(tr("Keep recording"), QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(keep)
        box.exec()
        return box.clickedButton() is finish

    def _recording_ended(self) -> None:
        if self._closing:
            self._closing = False
            self.close()


@only_looks
def _load_review(_: Work) -> None:
    """Import what opening a recording needs."""
    import logbench.analysis.run
    import logbench.app.review.page
    import logbench.recording.notes
    import logbench.recording.reader  # noqa: F401
