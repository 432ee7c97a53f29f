"""Find: to the next time a condition holds."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QWidget

from logbench.analysis.expressions import EXAMPLE
from logbench.analysis.model import Span
from logbench.app.commands import add_command
from logbench.app.parts import lay, named, styled, text_button
from logbench.app.theme import Look
from logbench.errors import LogbenchError
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
        self.line = named(QLineEdit(), tr("Condition to find"))
        self.line.setPlaceholderText(tr("Find the next time …   {example}", example=EXAMPLE))
        self.line.setClearButtonEnabled(True)
        self.line.returnPressed.connect(lambda: self.step(1))
        previous = text_button(tr("Previous"), partial(self.step, -1), tr("Find the previous time"))
        following = text_button(tr("Next"), partial(self.step, 1), tr("Find the next time"))
        close = text_button(tr("Close"), self.leave, tr("Close the find line"))
        add_command(self, tr("Close the find line"), "Esc", self.leave)
        self.said = QLabel()
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
        self.line.setToolTip(tr("Numbers are in the units shown: {units} …", units=said))
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
        self.said.setToolTip(text)
