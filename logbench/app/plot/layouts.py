"""Layouts of a page's strips: changed by mouse and keyboard, undone, saved by name, kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QInputDialog, QMenu, QPushButton, QWidget

from logbench.app.commands import add_command
from logbench.app.plot.dragging import Dragging, Place
from logbench.app.plot.layout import (
    History,
    Key,
    Layout,
    apply_layout,
    layout_from_json,
    layout_of,
)
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip import Strip
from logbench.cases.settings import Settings
from logbench.plot.trace import StripTrace
from logbench.words import inside, tr

_HEIGHTS = tr("Heights of the strips")
_TALLER = 1.25


class Layouts(QObject):
    """What is done to the strips goes through here, so that it can be undone.

    `traces` gives all that could be shown, `first` those shown without being asked. `changed` is
    sent after the user changed what is shown; `told` brings a sentence for the user.
    """

    changed = Signal()
    told = Signal(str)

    def __init__(
        self,
        stack: StripStack,
        settings: Settings,
        traces: Callable[[], Sequence[StripTrace]],
        first: Callable[[], Sequence[StripTrace]],
        owner: QWidget,
    ) -> None:
        super().__init__(owner)
        self._stack, self._settings, self._owner = stack, settings, owner
        self._traces, self._first = traces, first
        self.kept_as = ""
        """Under what the last layout is kept in the settings; empty: it is not."""
        self.history = History()
        self.now = Layout()
        """What the strips show, as far as is known here."""
        self.button = QPushButton(tr("Layout"))
        self.button.setAccessibleName(tr("Layouts: undo, save, choose"))
        self._menu = QMenu(self.button)
        self._menu.aboutToShow.connect(self._fill_menu)
        self.button.setMenu(self._menu)
        self.dragging = Dragging(stack)
        self.dragging.trace_dropped.connect(self.put)
        self.dragging.strip_dropped.connect(self.move_strip)
        stack.resized.connect(lambda: self.note(_HEIGHTS))
        self._add_commands()

    def _add_commands(self) -> None:
        owner, stack = self._owner, self._stack
        for title, keys, run in (
            (tr("Undo the change of layout"), "Ctrl+Z", self.undo),
            (tr("Redo the change of layout"), ["Ctrl+Shift+Z", "Ctrl+Y"], self.redo),
            (tr("Save this layout"), "Ctrl+S", self.ask_to_save),
            (tr("Use a saved layout"), "Ctrl+L", self.ask_which),
            (tr("Delete a saved layout"), "Ctrl+Shift+L", self.ask_to_forget),
            (tr("The strips as they were at first"), "Shift+L", self.reset),
        ):
            add_command(owner, title, keys, run)
        for title, keys, run in (
            (tr("Next strip"), "J", lambda: stack.focus_step(1)),
            (tr("Strip before"), "Shift+J", lambda: stack.focus_step(-1)),
            (tr("Move the strip down"), "Ctrl+Down", lambda: self._step_strip(1)),
            (tr("Move the strip up"), "Ctrl+Up", lambda: self._step_strip(-1)),
            (tr("Remove the strip"), "Del", self._remove_strip),
            (tr("Taller strip"), ["]", "Alt+Up"], lambda: self._stretch(_TALLER)),
            (tr("Lower strip"), ["[", "Alt+Down"], lambda: self._stretch(1 / _TALLER)),
            (tr("All strips equally high"), "Alt+0", stack.level),
            (tr("Next trace of the strip"), "K", lambda: self._choose(1)),
            (tr("Trace before in the strip"), "Shift+K", lambda: self._choose(-1)),
            (
                tr("Move the trace to the strip below"),
                "Ctrl+Shift+Down",
                lambda: self._step_trace(1),
            ),
            (
                tr("Move the trace to the strip above"),
                "Ctrl+Shift+Up",
                lambda: self._step_trace(-1),
            ),
            (tr("Give the trace a strip of its own"), "O", self._alone),
            (tr("Remove the trace"), "Shift+Del", self._remove_trace),
        ):
            add_command(stack, title, keys, run)

    # --- keeping track ---

    def begin(self, kept_as: str = "", *, whole: bool = False) -> None:
        """Another drive, or more of its traces: what was done before cannot be undone any more,
        and the layout kept last is used (`whole`: only if all its traces are there)."""
        self.kept_as = kept_as
        self.history.clear()
        kept = (
            layout_from_json(self._settings.last_layouts.get(kept_as, "")) if kept_as else Layout()
        )
        there = {t.key for t in self._traces()}
        if kept.keys and (not whole or set(kept.keys) <= there):
            apply_layout(self._stack, kept, self._traces())
        self.rebase()

    def rebase(self) -> None:
        """The strips show something else that the user did not ask for."""
        self.now = layout_of(self._stack)

    def note(self, title: str, *, merge: bool = False) -> None:
        """The user changed the strips; `merge`: as part of the last change of that title."""
        fresh = layout_of(self._stack)
        if fresh.same_as(self.now):
            return
        self.history.done(title, self.now, merge=merge)
        self._now_is(fresh)

    def _now_is(self, layout: Layout) -> None:
        self.now = layout
        if self.kept_as:
            self._settings.keep_layout(self.kept_as, layout.to_json())
        self.changed.emit()

    def undo(self) -> None:
        """Go back by one change."""
        self._go(self.history.undo(self.now), tr("Undone"), tr("There is nothing to undo."))

    def redo(self) -> None:
        """Go forward again."""
        self._go(self.history.redo(self.now), tr("Done again"), tr("There is nothing to do again."))

    def _go(self, step: tuple[str, Layout] | None, done: str, nothing: str) -> None:
        if step is None:
            self.told.emit(nothing)
            return
        title, layout = step
        if layout.keys:
            apply_layout(self._stack, layout, self._traces())
        else:
            self._stack.clear()
        self._now_is(layout_of(self._stack))
        self.told.emit(tr("{done}: {change}.", done=done, change=inside(title)))

    # --- traces and strips ---

    def show(self, trace: StripTrace, on: bool) -> None:
        """Plot a trace, or no longer."""
        if on == (trace.key in self._stack.keys):
            return
        if on:
            self._stack.add(trace)
        else:
            self._stack.remove(trace.key)
        plotted = tr("Plot {name}", name=trace.name)
        self.note(plotted if on else tr("Remove {name}", name=trace.name))

    def put(self, key: Key, place: Place) -> None:
        """Put a trace into a strip, or into one of its own."""
        trace = next((t for t in self._traces() if t.key == key), None)
        if trace is None:
            return
        stack = self._stack
        if place.how == "into":
            strip = stack.strips[place.index]
            if trace in strip.traces:
                return
            strip.add(trace)
        else:
            strip = stack.add_strip(trace.unit, trace.group, min(place.index, len(stack.strips)))
            strip.add(trace)
        for other in [s for s in stack.strips if s is not strip and trace in s.traces]:
            stack.remove_from(other, key)
        strip.choose(strip.traces.index(trace))
        strip.setFocus()
        self.note(tr("Move {name}", name=trace.name))

    def move_strip(self, index: int, before: int) -> None:
        """Put a strip in front of another place."""
        at = before - 1 if before > index else before
        if at != index:
            self._stack.move_strip(self._stack.strips[index], at)
            self.note(tr("Move the strip"))

    def _step_strip(self, by: int) -> None:
        self._stack.move_focused(by)
        self.note(tr("Move the strip"))

    def _remove_strip(self) -> None:
        self._stack.remove_focused()
        self.note(tr("Remove the strip"))

    def _stretch(self, factor: float) -> None:
        strip = self._stack.focused()
        if strip is not None:
            heights = self._stack.heights()
            place = self._stack.strips.index(strip)
            heights[place] = round(heights[place] * factor)
            self._stack.set_heights(heights)
            self.note(_HEIGHTS, merge=True)

    def _choose(self, by: int) -> None:
        strip = self._stack.focused()
        if strip is not None:
            strip.choose_next(by)

    def _step_trace(self, by: int) -> None:
        found = self._focused_trace()
        if found is None:
            return
        strip, trace = found
        at = self._stack.strips.index(strip) + by
        if 0 <= at < len(self._stack.strips):
            self.put(trace.key, Place("into", at))
        elif len(strip.traces) > 1:
            self.put(trace.key, Place("at", max(0, at)))

    def _alone(self) -> None:
        found = self._focused_trace()
        if found is not None and len(found[0].traces) > 1:
            strip, trace = found
            self.put(trace.key, Place("at", self._stack.strips.index(strip) + 1))

    def _remove_trace(self) -> None:
        found = self._focused_trace()
        if found is not None:
            at = self._stack.strips.index(found[0])
            self._stack.remove_from(found[0], found[1].key)
            self.note(tr("Remove {name}", name=found[1].name))
            if self._stack.strips:
                self._stack.strips[min(at, len(self._stack.strips) - 1)].setFocus()

    def _focused_trace(self) -> tuple[Strip, StripTrace] | None:
        strip = self._stack.focused()
        if strip is None or strip.chosen is None:
            self.told.emit(tr("Choose a strip first: press J."))
            return None
        return strip, strip.chosen

    # --- whole layouts ---

    def use(self, layout: Layout, title: str) -> bool:
        """Show another layout; False when none of its traces is there."""
        if not apply_layout(self._stack, layout, self._traces()):
            return False
        self.note(title)
        return True

    def reset(self) -> None:
        """Back to what was shown at first."""
        self._stack.show_traces(self._first())
        self.note(tr("Strips as at first"))

    def save(self, name: str) -> None:
        """Save what is shown under a name; a layout of that name is replaced."""
        name = " ".join(name.split())[:60]
        layout = layout_of(self._stack)
        if name and layout.keys:
            self._settings.layouts = {**self._settings.layouts, name: layout.to_json()}
            self.told.emit(tr("Saved as the layout “{name}”.", name=name))

    def choose(self, name: str) -> None:
        """Use the layout of that name."""
        layout = layout_from_json(self._settings.layouts.get(name, ""))
        if not self.use(layout, tr("Layout {name}", name=name)):
            self.told.emit(tr("None of the signals of the layout “{name}” is there.", name=name))

    def forget(self, name: str) -> None:
        """Delete a saved layout."""
        kept = self._settings.layouts
        if kept.pop(name, None) is not None:
            self._settings.layouts = kept
            self.told.emit(tr("Deleted the layout “{name}”.", name=name))

    def ask_to_save(self) -> None:
        """Ask for a name, then save."""
        if not self._stack.strips:
            self.told.emit(tr("There are no strips to save."))
            return
        name, given = QInputDialog.getItem(
            self._owner,
            tr("Save the layout"),
            tr("Name of the layout"),
            list(self._settings.layouts),
        )
        if given:
            self.save(name)

    def ask_which(self) -> None:
        """Ask which saved layout to use."""
        name = self._ask(tr("Use a saved layout"))
        if name:
            self.choose(name)

    def ask_to_forget(self) -> None:
        """Ask which saved layout to delete."""
        name = self._ask(tr("Delete a saved layout"))
        if name:
            self.forget(name)

    def _ask(self, title: str) -> str:
        names = list(self._settings.layouts)
        if not names:
            self.told.emit(tr("No layout is saved yet: save this one with Ctrl+S."))
            return ""
        name, given = QInputDialog.getItem(self._owner, title, tr("Layout"), names, 0, False)
        return name if given else ""

    def _fill_menu(self) -> None:
        menu, history = self._menu, self.history
        menu.clear()
        for word, keys, steps, run in (
            (tr("Undo"), "Ctrl+Z", history.past, self.undo),
            (tr("Redo"), "Ctrl+Shift+Z", history.future, self.redo),
        ):
            title = f"{word}: {steps[-1][0]}" if steps else word
            action = menu.addAction(f"{title}\t{keys}", run)
            action.setEnabled(bool(steps))
        menu.addAction(tr("Strips as at first\tShift+L"), self.reset)
        menu.addSeparator()
        for name in self._settings.layouts:
            menu.addAction(name, partial(self.choose, name))
        menu.addSeparator()
        menu.addAction(tr("Save this layout …\tCtrl+S"), self.ask_to_save)
        menu.addAction(tr("Delete a layout …\tCtrl+Shift+L"), self.ask_to_forget)
