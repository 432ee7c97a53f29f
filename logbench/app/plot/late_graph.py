"""A widget with a plot by pyqtgraph that is made when it is first seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from logbench.app.theme import Look

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph


class LateGraph(QWidget):
    """A subclass fills the graph with what it shows; mouse and keys are the widget's own."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.look = look
        self.graph: Graph | None = None
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        look.follow(self._set_look)

    def fill(self, graph: Graph) -> None:
        """Draw everything on an empty graph, as the look says."""
        raise NotImplementedError

    def draw(self) -> None:
        """What is shown has changed; while it is not seen, that can wait."""
        if not self.isVisible():
            return
        if self.graph is None:
            from logbench.app.plot.graph import Graph  # it takes its time to import

            self.graph = Graph(self.look.theme)
            self.graph.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            self.graph.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
            self._layout.addWidget(self.graph)
        self.graph.clear()
        self.fill(self.graph)

    def _set_look(self, _: object) -> None:
        if self.graph is not None:
            self.graph.set_theme(self.look.theme)
        self.draw()

    def showEvent(self, event: QShowEvent) -> None:
        """Draw what was left undrawn while hidden."""
        super().showEvent(event)
        self.draw()
