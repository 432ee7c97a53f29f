"""The right side of the Review page: ribbon, strips or scatter, the line that finds the next time a
condition holds, numbers from A to B."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from PySide6.QtCore import QMargins, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.expression.grammar import EXAMPLE
from logbench.analysis.model import Span
from logbench.app.commands import add_command
from logbench.app.expression_line import ExpressionLine
from logbench.app.flow import Flow
from logbench.app.parts import Elided, lay, named, styled, text_button
from logbench.app.plain import Label, plain_tip
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.review.cross_view import CrossView
from logbench.app.review.opening import OpeningProgress
from logbench.app.review.values import SpanPanel
from logbench.app.theme import Look
from logbench.errors import LogbenchError
from logbench.plot.bands import Ends
from logbench.plot.trace import StripTrace
from logbench.signals.units import Units, unit_text
from logbench.words import tr

Search = Callable[[str], tuple[Span, ...]]


class FindBar(QWidget):
    """A line to type the condition in; Enter goes on to the next place."""

    found = Signal(object)
    """All places (spans) that were found."""
    chosen = Signal(object)
    """The place (span) to show."""
    closed = Signal()

    def __init__(self, search: Search, now_ns: Callable[[], int], look: Look) -> None:
        super().__init__()
        self._search = search
        self._now_ns = now_ns
        self._spans: Sequence[Span] = ()
        self._searched = ""
        hint = tr("Find the next time …   {example}", example=EXAMPLE)
        self.line = named(ExpressionLine(hint, clears=True), tr("Condition to find"))
        self.line.returnPressed.connect(lambda: self.step(1))
        previous = text_button(tr("Previous"), partial(self.step, -1), tr("Find the previous time"))
        following = text_button(tr("Next"), partial(self.step, 1), tr("Find the next time"))
        close = text_button(tr("Close"), self.leave, tr("Close the find line"))
        add_command(self, tr("Close the find line"), "Esc", self.leave)
        self.said = Label()
        parts = (self.line, 1), previous, following, self.said, close
        lay(QHBoxLayout(self), *parts, margins=(6, 0, 12, 2))
        self._show_units(look.units)
        look.units_changed.connect(self._show_units)
        self.hide()

    def open(self) -> None:
        """Show it and take the keyboard."""
        self.show()
        self.line.setFocus()
        self.line.selectAll()

    def leave(self) -> None:
        """Hide it; what was found stays shaded."""
        self.hide()
        self.closed.emit()

    def _show_units(self, units: Units) -> None:
        """The numbers of a condition are in these units from now on."""
        said = ", ".join(unit_text(units.unit(u)) for u in ("km/h", "degC", "kPa", "g/s"))
        tip = tr("Numbers are in the units shown: {units} …", units=said)
        self.line.setToolTip(plain_tip(tip))
        self.forget()

    def forget(self) -> None:
        """Another recording: what was found no longer counts."""
        self._searched, self._spans = "", ()
        self.said.clear()

    def step(self, by: int) -> None:
        """To the next place after the cursor, or the previous one; round at the ends."""
        text = self.line.text().strip()
        if not text:
            self.open()
            return
        if text != self._searched:
            try:
                self._spans = self._search(text)
            except LogbenchError as error:
                self._tell(str(error), trouble=True)
                return
            self._searched = text
            self.found.emit(self._spans)
        if not self._spans:
            self._tell(tr("It never holds in this drive."))
            return
        starts, now = [span.start_ns for span in self._spans], self._now_ns()
        place = bisect_right(starts, now) if by > 0 else bisect_left(starts, now) - 1
        place %= len(starts)
        span = self._spans[place]
        self._tell(
            tr(
                "{number} of {n}, for {seconds:.1f} s",
                number=place + 1,
                n=len(self._spans),
                seconds=span.duration_s,
            )
        )
        self.chosen.emit(span)

    def _tell(self, text: str, trouble: bool = False) -> None:
        styled(self.said, "trouble" if trouble else "").style().polish(self.said)
        self.said.setText(text)
        self.said.setToolTip(plain_tip(text))


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
