"""What is done while connecting, step by step, and where it failed."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QLabel, QScrollArea, QVBoxLayout, QWidget

from logbench.app.parts import lay
from logbench.words import tr

_MOST_STEPS = 40


class ConnectingCard(QFrame):
    """A list of sentences: done ones are ticked, the last is under way, or says what failed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("card")
        self.setMaximumWidth(700)
        self.title = QLabel(tr("Connecting"))
        self.title.setObjectName("title")
        self._list = QLabel()
        self._list.setWordWrap(True)
        self._list.setTextFormat(Qt.TextFormat.PlainText)
        self._list.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._list.setAccessibleName(tr("Steps of connecting"))
        self._list.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._scroll = QScrollArea()
        self._scroll.setWidget(self._list)
        self._scroll.setWidgetResizable(True)
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setMinimumHeight(280)
        self._scroll.viewport().setAutoFillBackground(False)
        self._list.setAutoFillBackground(False)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        lay(QVBoxLayout(self), self.title, (self._scroll, 1), margins=(24, 20, 24, 20), spacing=12)
        self.steps: list[str] = []
        self._link = ""

    def begin(self, link: str) -> None:
        """A new attempt over this link."""
        self._link = link
        self.title.setText(tr("Connecting: {link}", link=link))
        self.steps = []
        self.step(tr("Opening the link"))

    def waits(self) -> None:
        """What is waited for is not the link: an unattended run records once the engine runs."""
        self.title.setText(tr("Waiting for the engine: {link}", link=self._link))

    def step(self, sentence: str) -> None:
        """The last step is done; this one is under way."""
        self.steps = [*self.steps, sentence][-_MOST_STEPS:]
        self._show("…")

    def fail(self, sentence: str) -> None:
        """The last step failed, for this reason."""
        self.title.setText(tr("Not connected"))
        self._show("–")
        self._list.setText(f"{self._list.text()}\n■  {sentence}")
        self._to_end()

    def lines(self) -> list[str]:
        """What is shown, line by line."""
        return self._list.text().splitlines()

    def _show(self, mark: str) -> None:
        *done, last = self.steps
        self._list.setText("\n".join([*(f"✔  {text}" for text in done), f"{mark}  {last}"]))
        self._to_end()

    def _to_end(self) -> None:
        bar = self._scroll.verticalScrollBar()
        bar.setValue(bar.maximum())
