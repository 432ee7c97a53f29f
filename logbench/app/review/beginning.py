"""The Review page with nothing open: how to begin, what was open lately, and two demo drives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.parts import EmptyState
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

    def __init__(self, recent: Callable[[], Sequence[Path]], parent: QWidget | None = None) -> None:
        super().__init__(
            tr("No recording open"),
            tr(
                "Open a recording, drop a file onto this window, or record a drive on the Live "
                "page first."
            ),
            tr("Open a recording …  Ctrl+O"),
            parent,
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
        self.demo_buttons = [QPushButton(f"{title}  {key}") for _, title, key in _DEMO]
        row = QHBoxLayout()
        for button, (name, title, _) in zip(self.demo_buttons, _DEMO, strict=True):
            button.setAccessibleName(tr("Open the demo drive {which}", which=inside(title)))
            button.clicked.connect(partial(self._want_demo, name))
            row.addWidget(button)
        row.addStretch(1)
        self.progress = QProgressBar()
        self.progress.setMaximum(1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedHeight(14)
        self.doing = QLabel()
        self.doing.setObjectName("muted")
        layout = self.layout()
        assert isinstance(layout, QVBoxLayout)
        layout.addWidget(self.demo_text)
        layout.addLayout(row)
        layout.addWidget(self.doing)
        layout.addWidget(self.progress)
        self.busy(False)

    def add_commands(self, owner: QWidget) -> None:
        """The demo drives can be opened at any time."""
        for name, title, key in _DEMO:
            run = partial(self._want_demo, name)
            add_command(owner, tr("Open the demo drive {which}", which=inside(title)), key, run)

    def showEvent(self, event: QShowEvent) -> None:
        """What was open lately may have changed."""
        while (item := self.lately.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.deleteLater()
        for path in self._recent()[:_MOST_RECENT]:
            button = QPushButton(path.name)
            button.setToolTip(str(path))
            button.setAccessibleName(tr("Open {name} again", name=path.name))
            button.clicked.connect(partial(self._want_path, path))
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

    def _want_path(self, path: Path, _: bool = False) -> None:
        self.path_wanted.emit(path)

    def _want_demo(self, name: str, _: bool = False) -> None:
        self.demo_wanted.emit(name)
