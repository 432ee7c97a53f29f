"""A widget with a plot by pyqtgraph that is made when it is first seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QKeyEvent, QMouseEvent, QShowEvent
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


class PointedGraph(LateGraph):
    """One with marks that the pointer, the arrow keys and Enter reach."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        self.at = -1
        """Number of the mark that is pointed at; -1: none."""

    def nearest(self, at: QPointF) -> int:
        """Number of the mark there; -1 where none is near."""
        raise NotImplementedError

    def point_at(self, number: int) -> None:
        """Show this mark, or the nearest to it that there is."""
        raise NotImplementedError

    def choose(self) -> None:
        """Say what stands behind the mark."""
        raise NotImplementedError

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Say what is under the pointer."""
        number = self.nearest(event.position())
        if number >= 0 and number != self.at:
            self.point_at(number)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose the mark under the pointer."""
        self.setFocus()
        number = self.nearest(event.position())
        if number >= 0:
            self.point_at(number)
            self.choose()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Along the marks, and Enter."""
        step = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}.get(Qt.Key(event.key()))
        if step is not None:
            self.point_at(self.at + step)
        elif event.key() in {Qt.Key.Key_Return, Qt.Key.Key_Enter}:
            self.choose()
        else:
            super().keyPressEvent(event)
