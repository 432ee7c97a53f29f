"""Opening recordings for the Review page: how to begin, what is done for the one that is shown, and
how far that has come."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QProgressBar, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.parts import STRETCH, EmptyState, delayed, lay, muted, text_button
from logbench.app.plain import Label, plain_tip
from logbench.app.services import Services
from logbench.cases.recording import Judged, judge
from logbench.cases.review import Opened, read_rest
from logbench.cases.runner import Running
from logbench.cases.work import Case
from logbench.foreign import in_label
from logbench.words import inside, tr

_AFTER_PAINT_MS = 20
_PATIENCE_MS = 400
_MOST_RECENT = 4
_DEMO = (
    ("before", tr("Before the repair"), "Ctrl+D"),
    ("after", tr("After the repair"), "Ctrl+Shift+D"),
)


class Opening(QObject):
    """A recording that is being opened belongs to the page, and the next one takes its place. What
    is read and judged belongs to the recording that is shown, and goes on until that is another."""

    started = Signal()
    """Another recording is going to be opened."""
    opened = Signal(object)
    """An `Opened`: it is the one that is shown now."""
    all_read = Signal(object)
    """The shown one with all its traces."""
    judged = Signal(object)
    """What the checks say of the shown one."""
    foreign = Signal(object)
    """The path of another program's file."""
    failed = Signal(str)
    unjudged = Signal()
    """The shown one could not be read or judged, or that was canceled."""
    reported = Signal(str, float)
    busy_changed = Signal(bool)

    def __init__(self, services: Services, parent: QObject) -> None:
        super().__init__(parent)
        self._settings = services.settings
        self._page = services.runner.owner()
        self.shown = services.runner.owner()
        """Whoever what is done for the shown recording belongs to; closed with it."""
        self._opening: Running | None = None
        self._reading: Running | None = None
        self._first: Opened | None = None
        self._after_paint = delayed(self, _AFTER_PAINT_MS, self._read_rest)

    @property
    def busy(self) -> bool:
        """Something is opened, read or judged, or will be at once."""
        reads = self._reading is not None or self._after_paint.isActive()
        return self._opening is not None or reads

    def start(self, case: Case[Opened | Path]) -> None:
        """Open another recording; until it is there, the shown one is read and judged on."""
        self.started.emit()
        self._opening = self._page.start(
            case,
            self._opened,
            self._failed,
            self.reported.emit,
            ended=self._not_opening,
            slot="open",
        )
        self.busy_changed.emit(True)

    def cancel(self) -> None:
        """Stop opening; where nothing is opened, stop reading and judging what is shown."""
        if self._opening is not None:
            self._opening.cancel()
        elif self.busy:
            self._after_paint.stop()
            if self._reading is not None:
                self._reading.cancel()
            self.unjudged.emit()
        self.busy_changed.emit(self.busy)

    def _not_opening(self) -> None:
        self._opening = None

    def _failed(self, sentence: str) -> None:
        self.busy_changed.emit(self.busy)
        self.failed.emit(sentence)

    def _opened(self, answer: Opened | Path) -> None:
        if isinstance(answer, Path):
            self.busy_changed.emit(self.busy)
            self.foreign.emit(answer)
            return
        self.shown.close()
        path = answer.recording.path
        self.shown = self._page.runner.owner(path.name if path is not None else "")
        self._reading, self._first = None, answer
        self.opened.emit(answer)
        self._after_paint.start()

    def _read_rest(self) -> None:
        """What else the recording holds, once its first strips are seen."""
        assert self._first is not None
        self._read(read_rest(self._first), self._all_read)

    def _all_read(self, opened: Opened) -> None:
        self.all_read.emit(opened)
        self._read(judge(opened.recording, None, self._settings.archive_at_hand), self._judged)

    def _judged(self, judged: Judged) -> None:
        self.busy_changed.emit(self.busy)
        self.judged.emit(judged)

    def _read(self, case: Case[Any], done: Callable[[Any], None]) -> None:
        self._reading = self.shown.start(
            case, done, self._not_read, self.reported.emit, ended=self._not_reading
        )

    def _not_reading(self) -> None:
        self._reading = None

    def _not_read(self, sentence: str) -> None:
        self._failed(sentence)
        self.unjudged.emit()


class OpeningProgress(QProgressBar):
    """How far opening has come, shown of what takes its time only. Not there at first: every step
    of the bar is painted at once."""

    shown = Signal(bool)

    def __init__(self) -> None:
        super().__init__(maximum=1000, textVisible=False)
        self.setFixedSize(120, 14)
        self._patience = delayed(self, _PATIENCE_MS, self._show)
        self.hide()

    def set_busy(self, busy: bool) -> None:
        """Something is done, or no longer."""
        if busy and (self._patience.isActive() or not self.isHidden()):
            return
        self._patience.stop()
        self.setValue(0)
        self.hide()
        self.shown.emit(False)
        if busy:
            self._patience.start()

    def report(self, text: str, share: float) -> None:
        """What is being done, and the share done, 0 to 1."""
        if not self.isHidden():
            self.setValue(round(share * 1000))
            self.setAccessibleName(in_label(text, lines=True))
            self.setToolTip(plain_tip(text))

    def _show(self) -> None:
        self.show()
        self.shown.emit(True)


class Beginning(EmptyState):
    """Nothing is open: how to begin, what was open lately, and two demo drives. `pressed`: the user
    wants to pick a file."""

    path_wanted = Signal(object)
    demo_wanted = Signal(str)
    """`before` or `after`."""

    def __init__(self, recent: Callable[[], Sequence[Path]]) -> None:
        super().__init__(
            tr("No recording open"),
            tr(
                "Open a recording, drop a file onto this window, or record a drive on the Live "
                "page first."
            ),
            tr("Open a recording …  Ctrl+O"),
        )
        self._recent = recent
        self.button.setAccessibleName(tr("Open a recording"))
        self.lately = QVBoxLayout()
        self.extra.addLayout(self.lately)
        self.demo_text = Label(
            tr(
                "Nothing recorded yet? Look at an invented job: the simulated car's drive before "
                "and after a repair."
            )
        )
        self.demo_text.setWordWrap(True)
        self.demo_buttons = [
            text_button(f"{title}  {key}", partial(self.demo_wanted.emit, name), _demo_text(title))
            for name, title, key in _DEMO
        ]
        row = lay(QHBoxLayout(), *self.demo_buttons, STRETCH)
        self.progress = QProgressBar(maximum=1000, textVisible=False)
        self.progress.setFixedHeight(14)
        self.doing = muted(wrap=False)
        layout = self.layout()
        assert isinstance(layout, QVBoxLayout)
        lay(layout, self.demo_text, row, self.doing, self.progress)
        self.busy(False)

    def add_commands(self, owner: QWidget) -> None:
        """The demo drives can be opened at any time."""
        for name, title, key in _DEMO:
            add_command(owner, _demo_text(title), key, partial(self.demo_wanted.emit, name))

    def showEvent(self, event: QShowEvent) -> None:
        """What was open lately may have changed."""
        while (item := self.lately.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.deleteLater()
        for path in self._recent()[:_MOST_RECENT]:
            again = partial(self.path_wanted.emit, path)
            name = tr("Open {name} again", name=path.name)
            button = text_button(path.name, again, name, str(path))
            self.lately.addWidget(button, 0, Qt.AlignmentFlag.AlignLeft)
        super().showEvent(event)

    def busy(self, busy: bool) -> None:
        """Something is being opened, or no longer."""
        self.progress.setValue(0)
        self.progress.setVisible(busy)
        self.doing.setVisible(busy)
        self.doing.clear()

    def report(self, text: str, share: float) -> None:
        """How far opening has come."""
        self.doing.setText(text)
        self.progress.setValue(round(share * 1000))


def _demo_text(title: str) -> str:
    return tr("Open the demo drive {which}", which=inside(title))
