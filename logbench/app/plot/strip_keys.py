"""Strips and their traces from the keyboard: what is done to the strip that has the focus."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtGui import QAction

from logbench.app.commands import add_command
from logbench.app.plot.dragging import Place
from logbench.app.plot.layouts import HEIGHTS, Layouts
from logbench.app.plot.strip import Strip
from logbench.plot.trace import StripTrace
from logbench.words import tr

_TALLER = 1.25


class StripKeys:
    """Commands of the stack; each change is one of the layouts' and undone there."""

    def __init__(self, layouts: Layouts) -> None:
        self._layouts, self._stack = layouts, layouts.stack
        self.of_strip = self._add(
            (tr("Next strip"), "J", lambda: self._focus_step(1)),
            (tr("Previous strip"), "Shift+J", lambda: self._focus_step(-1)),
            (tr("Move the strip down"), "Ctrl+Down", lambda: self._move_strip(1)),
            (tr("Move the strip up"), "Ctrl+Up", lambda: self._move_strip(-1)),
            (tr("Remove the strip"), "Del", self.remove_strip),
            (tr("Taller strip"), ["]", "Alt+Up"], lambda: self._stretch(_TALLER)),
            (tr("Lower strip"), ["[", "Alt+Down"], lambda: self._stretch(1 / _TALLER)),
            (tr("All strips equally high"), "Alt+0", self._stack.splitter.level),
        )
        move = self._move_trace
        self.of_trace = self._add(
            (tr("Next trace of the strip"), "K", lambda: self._choose(1)),
            (tr("Previous trace of the strip"), "Shift+K", lambda: self._choose(-1)),
            (tr("Move the trace to the strip below"), "Ctrl+Shift+Down", lambda: move(1)),
            (tr("Move the trace to the strip above"), "Ctrl+Shift+Up", lambda: move(-1)),
            (tr("Give the trace a strip of its own"), "O", self._alone),
            (tr("Remove the trace"), "Shift+Del", self.remove_trace),
        )

    def _add(self, *commands: tuple[str, str | list[str], Callable[[], object]]) -> list[QAction]:
        return [add_command(self._stack, *command) for command in commands]

    # --- the strip ---

    def _focus_step(self, by: int) -> None:
        stack = self._stack
        if stack.strips:
            strip = stack.focused()
            at = -1 if strip is None else stack.strips.index(strip)
            fresh = stack.strips[(at + by) % len(stack.strips)]
            fresh.setFocus()
            stack.reveal(fresh.traces[0].key)

    def _move_strip(self, by: int) -> None:
        stack, strip = self._stack, self._stack.focused()
        if strip is not None:
            at = min(max(stack.strips.index(strip) + by, 0), len(stack.strips) - 1)
            stack.move_strip(strip, at)
            strip.setFocus()
            self._layouts.note(tr("Move the strip"))

    def remove_strip(self) -> None:
        """Take the focused strip away, with its traces."""
        strip = self._stack.focused()
        if strip is not None:
            at = self._stack.strips.index(strip)
            self._stack.remove_strip(strip)
            self._focus_at(at)
            self._layouts.note(tr("Remove the strip"))

    def _stretch(self, factor: float) -> None:
        strip, splitter = self._stack.focused(), self._stack.splitter
        if strip is not None:
            heights = splitter.sizes()
            place = self._stack.strips.index(strip)
            heights[place] = round(heights[place] * factor)
            splitter.share_out(heights)
            self._layouts.note(HEIGHTS, merge=True)

    def _focus_at(self, place: int) -> None:
        if self._stack.strips:
            self._stack.strips[min(place, len(self._stack.strips) - 1)].setFocus()

    # --- the chosen trace ---

    def _choose(self, by: int) -> None:
        strip = self._stack.focused()
        if strip is not None:
            strip.choose(strip.canvas.chosen + by)

    def _move_trace(self, by: int) -> None:
        found = self._focused_trace()
        if found is None:
            return
        strip, trace = found
        at = self._stack.strips.index(strip) + by
        if 0 <= at < len(self._stack.strips):
            self._layouts.put(trace.key, Place("into", at))
        elif len(strip.traces) > 1:
            self._layouts.put(trace.key, Place("at", max(0, at)))

    def _alone(self) -> None:
        found = self._focused_trace()
        if found is not None and len(found[0].traces) > 1:
            strip, trace = found
            self._layouts.put(trace.key, Place("at", self._stack.strips.index(strip) + 1))

    def remove_trace(self) -> None:
        """Take the chosen trace of the focused strip away."""
        found = self._focused_trace()
        if found is not None:
            strip, trace = found
            at = self._stack.strips.index(strip)
            self._stack.remove(trace.key)
            self._layouts.note(tr("Remove {name}", name=trace.name))
            self._focus_at(at)

    def _focused_trace(self) -> tuple[Strip, StripTrace] | None:
        strip = self._stack.focused()
        if strip is None or strip.chosen is None:
            self._layouts.notified.emit(tr("Choose a strip first: press J."))
            return None
        return strip, strip.chosen
