"""A stack of strips on one time axis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QFrame, QScrollArea, QVBoxLayout, QWidget

from logbench.analysis.model import Span
from logbench.app.plot.axis import TimeAxis
from logbench.app.plot.gestures import Gestures
from logbench.app.plot.handles import StripSplitter, dragged
from logbench.app.plot.strip import GUTTER, HEADER, LEAST_HEIGHT, RIGHT, Strip
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot.grouping import rank_of
from logbench.plot.trace import StripTrace
from logbench.signals.units import METRIC, Units
from logbench.words import tr

_MOST_SCREENS = 4
MOST_IN_A_STRIP = 4
"""Traces put into one strip without being asked: more are hard to tell apart."""


class StripStack(QWidget):
    """Strips above each other, resizable, with one time axis below and shared cursors."""

    by_hand = Signal()
    """The user zoomed or panned with the mouse (a live page then stops following)."""
    clicked = Signal(object)
    removed = Signal()
    """The user took a strip away."""
    strip_made = Signal(object)
    narrowed = Signal(int)
    """Strips have so many pixels less than the stack is wide: a scroll bar's."""
    resized = Signal()
    """The user gave strips other heights."""

    def __init__(self, view: TimeView, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.view = view
        self.theme = theme
        self.units = METRIC
        self.strips: list[Strip] = []
        self._shades: tuple[Span, ...] = ()
        self._events: list[int] = []
        self.gestures = Gestures(view, GUTTER, self)
        self.gestures.by_hand.connect(self.by_hand)
        self.gestures.clicked.connect(self.clicked)
        self._splitter = StripSplitter()
        self._splitter.grip = QColor(theme.line)
        self._splitter.handle_moved.connect(self._drag_handle)
        self._splitter.handle_left.connect(self.resized)
        self._splitter.handle_clicked_twice.connect(self.level)
        self._splitter.hovered.connect(self._hover)
        self.axis = TimeAxis(view, theme)
        self.gestures.watch(self.axis)
        scroll = QScrollArea()
        scroll.setWidget(self._splitter)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.viewport().installEventFilter(self)
        self._scroll = scroll
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(scroll, 1)
        layout.addWidget(self.axis)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(tr("Strips"))
        view.changed.connect(self.refresh)
        view.cursor_moved.connect(self._move_cursor)

    # --- what is shown ---

    @property
    def keys(self) -> tuple[tuple[str, str], ...]:
        """Signal and ECU of every trace shown, from the top."""
        return tuple(t.key for s in self.strips for t in s.traces)

    def show_traces(self, traces: Iterable[StripTrace]) -> None:
        """Show these instead: those of one unit share a strip, up to `MOST_IN_A_STRIP`."""
        self.setUpdatesEnabled(False)
        self.clear()
        for trace in traces:
            self.add(trace)
        self.setUpdatesEnabled(True)

    def add(self, trace: StripTrace) -> Strip:
        """Show one more trace, in the last strip of its group that has room, or in a new one
        where its group belongs."""
        with_room = [
            s
            for s in self.strips
            if (s.unit, s.group) == (trace.unit, trace.group) and len(s.traces) < MOST_IN_A_STRIP
        ]
        if with_room:
            strip = with_room[-1]
        else:
            rank = rank_of(trace.group or trace.unit)
            above = [n for n, s in enumerate(self.strips) if rank_of(s.group or s.unit) <= rank]
            strip = self.add_strip(trace.unit, trace.group, above[-1] + 1 if above else 0)
        strip.add(trace)
        return strip

    def add_strip(self, unit: str, group: str = "", at: int | None = None) -> Strip:
        """A new empty strip, at the bottom or at a place."""
        strip = Strip(self.view, self.theme, unit, group)
        strip.set_units(self.units)
        strip.set_shades(self._shades)
        strip.set_event_times(self._events)
        self.gestures.watch(strip, top=HEADER)
        at = len(self.strips) if at is None else at
        self.strips.insert(at, strip)
        self._splitter.insertWidget(at, strip)
        self._splitter.setStretchFactor(at, 1)
        self.strip_made.emit(strip)
        return strip

    def remove(self, key: tuple[str, str]) -> None:
        """Show a trace no longer; a strip left empty goes too."""
        for strip in [s for s in self.strips if any(t.key == key for t in s.traces)]:
            self.remove_from(strip, key)

    def remove_from(self, strip: Strip, key: tuple[str, str]) -> None:
        """Take a trace out of a strip; one left empty goes too."""
        strip.remove(key)
        if not strip.traces:
            self._drop(strip)

    def focused(self) -> Strip | None:
        """The strip with the keyboard's focus, or None; a dialog in front does not count."""
        held = self.window().focusWidget()
        return next((s for s in self.strips if s is held), None)

    def move_focused(self, by: int) -> None:
        """Move the focused strip down (`by` > 0) or up by places; it keeps the focus."""
        strip = self.focused()
        if strip is not None:
            at = min(max(self.strips.index(strip) + by, 0), len(self.strips) - 1)
            self.move_strip(strip, at)
            strip.setFocus()

    def move_strip(self, strip: Strip, at: int) -> None:
        """Give a strip another place."""
        sizes = dict(zip(self.strips, self._splitter.sizes(), strict=True))
        self.strips.remove(strip)
        self.strips.insert(at, strip)
        self._splitter.insertWidget(at, strip)
        self._splitter.setSizes([sizes[s] for s in self.strips])

    def heights(self) -> list[int]:
        """Of the strips, from the top, pixels."""
        return self._splitter.sizes()

    def set_heights(self, heights: Sequence[int]) -> None:
        """Share the room among the strips like these numbers (> 0); where that would leave one
        too low to be read, the stack grows and scrolls."""
        self._share_out(heights, round(LEAST_HEIGHT * sum(heights) / min(heights)))

    def level(self) -> None:
        """Make all strips equally high."""
        if self.strips:
            self.set_heights([1] * len(self.strips))
            self.resized.emit()

    def _drag_handle(self, heights: list[int], above: int, by: int) -> None:
        room = self._scroll.viewport().height() - self._handles_px()
        fresh = dragged(heights, above, by, room, LEAST_HEIGHT)
        self._share_out(fresh, sum(fresh))

    def _hover(self, x: float) -> None:
        """The cursor stays with the mouse on its way from strip to strip."""
        if GUTTER <= x <= GUTTER + self.view.pixels:
            self.view.set_cursor(self.view.t_of(x - GUTTER))

    def _handles_px(self) -> int:
        return self._splitter.handleWidth() * (len(self.strips) - 1)

    def _share_out(self, heights: Sequence[int], strips_px: int) -> None:
        """Share the room among the strips; it grows where they need more pixels than it has."""
        room = self._scroll.viewport().height()
        needed = min(strips_px + self._handles_px(), _MOST_SCREENS * room)
        self._splitter.setMinimumHeight(needed if needed > room else 0)
        self._splitter.resize(self._splitter.width(), max(needed, room))
        self._splitter.setSizes(list(heights))

    def focus_step(self, by: int) -> None:
        """Give the focus to the next strip (`by` > 0) or the one before."""
        if self.strips:
            strip = self.focused()
            at = -1 if strip is None else self.strips.index(strip)
            fresh = self.strips[(at + by) % len(self.strips)]
            fresh.setFocus()
            self._scroll.ensureWidgetVisible(fresh, 0, 0)

    def reveal(self, key: tuple[str, str]) -> None:
        """Scroll to the strip of a trace."""
        strip = next((s for s in self.strips if any(t.key == key for t in s.traces)), None)
        if strip is not None:
            self._scroll.ensureWidgetVisible(strip, 0, 0)

    def remove_focused(self) -> None:
        """Take the focused strip away, with its traces."""
        strip = self.focused()
        if strip is not None:
            at = self.strips.index(strip)
            self._drop(strip)
            self.removed.emit()
            if self.strips:
                self.strips[min(at, len(self.strips) - 1)].setFocus()

    def clear(self) -> None:
        """Show nothing."""
        for strip in list(self.strips):
            self._drop(strip)

    def _drop(self, strip: Strip) -> None:
        self._splitter.setMinimumHeight(0)
        if strip is self.focused():
            self.setFocus()  # or else it would go to some control far away
        self.strips.remove(strip)
        strip.hide()
        strip.setParent(None)
        strip.deleteLater()

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.theme = theme
        self.axis.set_theme(theme)
        self._splitter.grip = QColor(theme.line)
        for strip in self.strips:
            strip.set_theme(theme)

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.units = units
        for strip in self.strips:
            strip.set_units(units)

    def set_shades(self, spans: Sequence[Span]) -> None:
        """Shade spans in every strip."""
        self._shades = tuple(spans)
        for strip in self.strips:
            strip.set_shades(self._shades)

    def set_event_times(self, times_ns: Sequence[int]) -> None:
        """Draw a thin line at each event."""
        self._events = list(times_ns)
        for strip in self.strips:
            strip.set_event_times(self._events)

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        for strip in self.strips:
            strip.renew()

    # --- painting again ---

    def refresh(self) -> None:
        """The view moved or samples came."""
        for strip in self.strips:
            strip.refresh()

    def refresh_values(self) -> None:
        """Write the values in the headers again."""
        for strip in self.strips:
            strip.refresh_values()

    def _move_cursor(self) -> None:
        for strip in self.strips:
            strip.move_cursor()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Keep the time axis as wide as the strips are."""
        if event.type() == QEvent.Type.Resize:
            width = self._scroll.viewport().width()
            self.view.set_pixels(max(50, width - GUTTER - RIGHT))
            self.narrowed.emit(self._scroll.width() - width)
            for strip in self.strips:
                strip.renew()
        return super().eventFilter(watched, event)
