"""A widget with a plot by pyqtgraph that is made when it is first seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from logbench.app.theme import Theme
from logbench.signals.units import METRIC, Units

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph


class LateGraph(QWidget):
    """A subclass fills the graph with what it shows; mouse and keys are the widget's own."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.units: Units = METRIC
        self.graph: Graph | None = None
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def fill(self, graph: Graph) -> None:
        """Draw everything on an empty graph, in `theme` and `units`."""
        raise NotImplementedError

    def draw(self) -> None:
        """What is shown has changed; while it is not seen, that can wait."""
        if not self.isVisible():
            return
        if self.graph is None:
            from logbench.app.plot.graph import Graph  # it takes its time to import

            self.graph = Graph(self.theme)
            self.graph.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            self.graph.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
            self._layout.addWidget(self.graph)
        self.graph.clear()
        self.fill(self.graph)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.theme = theme
        if self.graph is not None:
            self.graph.set_theme(theme)
        self.draw()

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.units = units
        self.draw()

    def showEvent(self, event: QShowEvent) -> None:
        """Draw what was left undrawn while hidden."""
        super().showEvent(event)
        self.draw()
