"""The right side of the Review page: ribbon, strips or scatter, finding, numbers from A to B."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QMargins
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from logbench.analysis.model import Span
from logbench.app.flow import Flow
from logbench.app.parts import Elided, lay, text_button
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.review.cross_view import CrossView
from logbench.app.review.find_bar import FindBar, Search
from logbench.app.review.opening import OpeningProgress
from logbench.app.review.values import SpanPanel
from logbench.app.theme import Look
from logbench.plot.bands import Ends
from logbench.plot.trace import StripTrace
from logbench.words import tr


class ReviewPlots(QWidget):
    """One recording over time, or one signal over another."""

    def __init__(self, look: Look, search: Search) -> None:
        super().__init__()
        self.view = TimeView(self)
        self.stack = StripStack(self.view, look)
        self.ribbon = Ribbon(self.view, look)
        self.cross = CrossView(self.view, look)
        self.find_bar = FindBar(search, self._find_from, look)
        self.span_panel = SpanPanel(self.view, look)
        self.title = Elided()
        self.progress = OpeningProgress()
        self.tools = Flow(QMargins(6, 8, 12, 4))
        self.cross_button = text_button(
            tr("Scatter  X"),
            lambda: self.show_cross(not self.shows_cross),
            tr("Scatter and grid instead of strips"),
            checkable=True,
        )
        self.shapes = QStackedWidget()
        self.shapes.addWidget(self.stack)
        self.shapes.addWidget(self.cross)
        head = lay(QHBoxLayout(), (self.title, 1), self.progress, margins=(10, 0, 12, 2))
        parts = self.tools, head, self.find_bar, self.ribbon, (self.shapes, 1), self.span_panel
        lay(QVBoxLayout(self), *parts, margins=(0, 0, 0, 0), spacing=2)
        self.stack.narrowed.connect(self.ribbon.set_inset)
        self.cross.marked.connect(self.shade)
        self.find_bar.found.connect(self.shade)
        self.find_bar.closed.connect(lambda: self.show_cross(self.shows_cross))
        self.find_bar.chosen.connect(self._found)

    @property
    def shows_cross(self) -> bool:
        """Scatter and grid are shown, not strips."""
        return self.shapes.currentIndex() == 1

    @property
    def shown(self) -> StripStack | CrossView:
        """What is shown below the ribbon."""
        return self.cross if self.shows_cross else self.stack

    def show_cross(self, on: bool) -> None:
        """Show scatter and grid (True) or the strips."""
        self.show_strips(not on)
        self.shown.setFocus()

    def show_strips(self, on: bool = True) -> None:
        """The same; the keyboard stays where it is, in a list for one."""
        self.cross_button.setChecked(not on)
        self.shapes.setCurrentIndex(0 if on else 1)

    def shade(self, spans: Sequence[Span]) -> None:
        """Shade spans in the strips and on the ribbon."""
        self.stack.mark(shades=spans)
        self.ribbon.change(shades=spans)

    def show_spans(
        self,
        spans: Sequence[Span],
        traces: Sequence[StripTrace],
        bands: Mapping[tuple[str, str], Ends] | None = None,
    ) -> None:
        """Zoom to spans and shade them; `bands`: drawn behind those of the traces."""
        self.show_strips()
        self.highlight(spans, traces, bands or {})
        if spans:
            start, end = min(s.start_ns for s in spans), max(s.end_ns for s in spans)
            self.view.show_around(start, end)
        else:
            self.view.show_all()

    def highlight(
        self,
        spans: Sequence[Span],
        traces: Sequence[StripTrace],
        bands: Mapping[tuple[str, str], Ends],
    ) -> None:
        """Shade these spans and draw these bands, and no others."""
        for trace in traces:
            trace.band = bands.get(trace.key)
        self.stack.renew()
        self.shade(spans)

    def _find_from(self) -> int:
        """Where 'next' begins: at the cursor, else before what is shown."""
        at = self.view.cursor_ns
        return round(self.view.start_ns) - 1 if at is None else at

    def _found(self, span: Span) -> None:
        self.view.show_around(span.start_ns, span.end_ns)
        self.view.set_cursor(span.start_ns)
