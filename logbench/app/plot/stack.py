"""A stack of strips on one time axis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from PySide6.QtCore import QEvent, QObject, QPointF, Qt, Signal
from PySide6.QtWidgets import QFrame, QScrollArea, QVBoxLayout, QWidget

from logbench.analysis.model import Span
from logbench.app.parts import lay
from logbench.app.plot.axis import TimeAxis
from logbench.app.plot.canvas import GUTTER, HEADER, RIGHT, StripLook
from logbench.app.plot.gestures import Gestures
from logbench.app.plot.handles import StripSplitter
from logbench.app.plot.strip import Strip
from logbench.app.plot.touch import Touch
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.app.touch import OWN_TOUCH
from logbench.plot.time_scale import reads_at
from logbench.plot.trace import Key, StripTrace
from logbench.signals.catalog import rank_of
from logbench.words import tr

MOST_IN_A_STRIP = 4
"""Traces put into one strip without being asked: more are hard to tell apart."""


class StripStack(QWidget):
    """Strips above each other, resizable, with one time axis below and shared cursors."""

    strip_made = Signal(object)
    menu_wanted = Signal(object, object)
    """What can be done to this strip, None on the time axis, is wanted at a place of the screen."""
    narrowed = Signal(int)
    """Strips have so many pixels less than the stack is wide: a scroll bar's."""

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self.view = view
        self._window_look = look
        self.look = StripLook(look.theme, look.units)
        self.strips: list[Strip] = []
        self._cursor_read = False
        self.gestures = Gestures(view, GUTTER, self)
        self.splitter = StripSplitter()
        self.splitter.hovered.connect(self.gestures.point_at)
        self.axis = TimeAxis(view, look)
        self._scroll = scroll = QScrollArea(widgetResizable=True)
        scroll.setProperty(OWN_TOUCH, True)
        self.touch = Touch(view, GUTTER, scroll.verticalScrollBar(), self)
        self.touch.by_hand.connect(self.gestures.by_hand)
        self.touch.tapped.connect(self._tapped)
        for asks in (self.touch.held, self.gestures.menu_wanted):
            asks.connect(self._ask_menu)
        self._watch(self.axis)
        scroll.setWidget(self.splitter)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.viewport().installEventFilter(self)
        lay(QVBoxLayout(self), (scroll, 1), self.axis, margins=(0, 0, 0, 0), spacing=0)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(tr("Strips"))
        view.changed.connect(self.refresh)
        view.cursor_moved.connect(self._move_cursor)
        look.follow(self._look_changed)

    # --- what is shown ---

    @property
    def keys(self) -> tuple[Key, ...]:
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
        strip = Strip(self.view, self.look, unit, group)
        self._watch(strip, HEADER)
        at = len(self.strips) if at is None else at
        self.strips.insert(at, strip)
        self.splitter.insertWidget(at, strip)
        self.splitter.setStretchFactor(at, 1)
        self.strip_made.emit(strip)
        return strip

    def _watch(self, widget: QWidget, top: int = 0) -> None:
        self.gestures.watch(widget, top)
        self.touch.watch(widget)
        widget.setProperty(OWN_TOUCH, True)

    def _tapped(self, widget: QWidget, at: QPointF) -> None:
        """A finger does what a click does: the strip has the focus, its trace is chosen."""
        if isinstance(widget, Strip):
            widget.setFocus()
            label = widget.header.label_at(at.toPoint())
            if label is not None:
                widget.choose(label)

    def _ask_menu(self, widget: QWidget, at: QPointF) -> None:
        self._tapped(widget, at)
        strip = widget if isinstance(widget, Strip) else None
        self.menu_wanted.emit(strip, widget.mapToGlobal(at.toPoint()))

    def remove(self, key: Key, but: Strip | None = None) -> None:
        """Show a trace no longer, except in the strip `but`; a strip left empty goes too."""
        for strip in [s for s in self.strips if any(t.key == key for t in s.traces)]:
            if strip is not but:
                strip.remove(key)
            if not strip.traces:
                self.remove_strip(strip)

    def focused(self) -> Strip | None:
        """The strip with the keyboard's focus, or None; a dialog in front does not count."""
        held = self.window().focusWidget()
        return next((s for s in self.strips if s is held), None)

    def move_strip(self, strip: Strip, at: int) -> None:
        """Give a strip another place."""
        sizes = dict(zip(self.strips, self.splitter.sizes(), strict=True))
        self.strips.remove(strip)
        self.strips.insert(at, strip)
        self.splitter.insertWidget(at, strip)
        self.splitter.setSizes([sizes[s] for s in self.strips])

    def reveal(self, key: Key) -> None:
        """Scroll to the strip of a trace."""
        strip = next((s for s in self.strips if any(t.key == key for t in s.traces)), None)
        if strip is not None:
            self._scroll.ensureWidgetVisible(strip, 0, 0)

    def clear(self) -> None:
        """Show nothing."""
        for strip in list(self.strips):
            self.remove_strip(strip)

    def remove_strip(self, strip: Strip) -> None:
        """Take a strip away, with its traces."""
        self.splitter.setMinimumHeight(0)
        if strip is self.focused():
            self.setFocus()  # or else it would go to some control far away
        self.strips.remove(strip)
        strip.hide()
        strip.setParent(None)
        strip.deleteLater()

    def _look_changed(self) -> None:
        fresh = self._window_look
        self.set_look(replace(self.look, theme=fresh.theme, units=fresh.units))

    def mark(
        self, *, shades: Sequence[Span] | None = None, event_times: Sequence[int] | None = None
    ) -> None:
        """Shade other spans in every strip, or draw lines at other times."""
        look = self.look
        if shades is not None:
            look = replace(look, shades=tuple(shades))
        if event_times is not None:
            look = replace(look, event_times=tuple(event_times))
        self.set_look(look)

    def set_look(self, look: StripLook) -> None:
        """Draw every strip otherwise."""
        self.look = look
        for strip in self.strips:
            strip.set_look(look)

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        for strip in self.strips:
            strip.renew()

    # --- painting again ---

    def refresh(self) -> None:
        """The view moved or samples came."""
        for strip in self.strips:
            strip.refresh()
        read = isinstance(reads_at(self.view), int)
        if read != self._cursor_read:  # it has come into view, or left it
            self._cursor_read = read
            self.refresh_values()

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
