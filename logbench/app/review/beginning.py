"""The Review page with nothing open: how to begin, what was open lately, and two demo drives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.parts import STRETCH, EmptyState, lay, muted, text_button
from logbench.words import inside, tr

_MOST_RECENT = 4
_DEMO = (
    ("before", tr("Before the repair"), "Ctrl+D"),
    ("after", tr("After the repair"), "Ctrl+Shift+D"),
)


class Beginning(EmptyState):
    """`pressed`: the user wants to pick a file."""

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
        self.demo_text = QLabel(
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
        self.progress = QProgressBar()
        self.progress.setMaximum(1000)
        self.progress.setTextVisible(False)
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
