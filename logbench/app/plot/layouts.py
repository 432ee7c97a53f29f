"""Layouts of a page's strips: what is shown is changed here, so that it is undone and kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QInputDialog, QMenu, QPushButton, QWidget

from logbench.app.commands import add_command
from logbench.app.parts import named
from logbench.app.plot.dragging import Dragging, Place
from logbench.app.plot.stack import StripStack
from logbench.cases.settings import Settings
from logbench.plot.layout import Layout, StripPlan, layout_from_json
from logbench.plot.trace import Key, StripTrace
from logbench.system.history import History
from logbench.words import tr

HEIGHTS = tr("Heights of the strips")
_LONGEST_NAME = 60


def layout_of(stack: StripStack) -> Layout:
    """What a stack shows now."""
    sizes = stack.splitter.sizes()
    whole = sum(sizes) or 1
    return Layout(
        tuple(
            StripPlan(tuple(t.key for t in strip.traces), size / whole)
            for strip, size in zip(stack.strips, sizes, strict=True)
        )
    )


def apply_layout(stack: StripStack, layout: Layout, traces: Sequence[StripTrace]) -> int:
    """Show a layout made of these traces; how many of its traces were found among them. What is
    shown stays where nothing is found."""
    found = layout.among(traces)
    if not found:
        return 0
    focused = stack.focused()
    at = stack.strips.index(focused) if focused is not None else -1
    stack.clear()
    shares = []
    for plan in layout.strips:
        mine = [found[key] for key in plan.keys if key in found]
        if not mine:
            continue
        strip = stack.add_strip(mine[0].unit, mine[0].group)
        for trace in mine:
            strip.add(trace)
        shares.append(plan.share)
    stack.splitter.share_out([max(1, round(share * 10_000)) for share in shares])
    if at >= 0:
        stack.strips[min(at, len(stack.strips) - 1)].setFocus()
    return len(found)


class Layouts(QObject):
    """What is done to the strips goes through here, so that it can be undone.

    `traces` gives all that could be shown, `first` those shown without being asked.
    """

    changed = Signal()
    """The user changed what is shown."""
    notified = Signal(str)
    """A sentence for the user."""

    def __init__(
        self,
        stack: StripStack,
        settings: Settings,
        traces: Callable[[], Sequence[StripTrace]],
        first: Callable[[], Sequence[StripTrace]],
        owner: QWidget,
    ) -> None:
        super().__init__(owner)
        self.stack = stack
        self._settings = settings
        self._traces, self._first = traces, first
        self._kept_as = ""
        """Under what the last layout is kept in the settings; empty: it is not."""
        self.history = History[Layout]()
        self._now = Layout()
        """What the strips show, as far as is known here."""
        self.dragging = Dragging(stack)
        self.dragging.trace_dropped.connect(self.put)
        self.dragging.strip_dropped.connect(self.move_strip)
        stack.splitter.resized.connect(lambda: self.note(HEIGHTS))
        redo = partial(self.undo, redo=True)
        for title, keys, run in (
            (tr("Undo the change of layout"), "Ctrl+Z", self.undo),
            (tr("Redo the change of layout"), ["Ctrl+Shift+Z", "Ctrl+Y"], redo),
            (tr("Reset strips"), "Shift+L", self.reset),
        ):
            add_command(owner, title, keys, run)

    # --- keeping track ---

    def start(self, kept_as: str = "", *, whole: bool = False) -> None:
        """Another drive, or more of its traces: what was done before cannot be undone any more,
        and the layout kept last is used (`whole`: only if all its traces are there)."""
        self._kept_as = kept_as
        self.history.clear()
        kept = (
            layout_from_json(self._settings.last_layouts.get(kept_as, "")) if kept_as else Layout()
        )
        there = {t.key for t in self._traces()}
        if kept.keys and (not whole or set(kept.keys) <= there):
            apply_layout(self.stack, kept, self._traces())
        self.rebase()

    def rebase(self) -> None:
        """The strips show something else that the user did not ask for."""
        self._now = layout_of(self.stack)

    def note(self, title: str, *, merge: bool = False) -> None:
        """The user changed the strips; `merge`: as part of the last change of that title."""
        fresh = layout_of(self.stack)
        if fresh.same_as(self._now):
            return
        self.history.done(title, self._now, merge=merge)
        self._now_is(fresh)

    def _now_is(self, layout: Layout) -> None:
        self._now = layout
        if self._kept_as:
            self._settings.keep_layout(self._kept_as, layout.to_json())
        self.changed.emit()

    def undo(self, *, redo: bool = False) -> None:
        """Go back by one change, or forward again."""
        said, layout = self.history.undo(self._now, redo=redo)
        if layout is not None:
            if layout.keys:
                apply_layout(self.stack, layout, self._traces())
            else:
                self.stack.clear()
            self._now_is(layout_of(self.stack))
        self.notified.emit(said)

    # --- changes ---

    def show(self, trace: StripTrace, on: bool) -> None:
        """Plot a trace, or no longer."""
        if on == (trace.key in self.stack.keys):
            return
        if on:
            self.stack.add(trace)
        else:
            self.stack.remove(trace.key)
        plotted = tr("Plot {name}", name=trace.name)
        self.note(plotted if on else tr("Remove {name}", name=trace.name))

    def put(self, key: Key, place: Place) -> None:
        """Put a trace into a strip, or into one of its own."""
        trace = next((t for t in self._traces() if t.key == key), None)
        if trace is None:
            return
        stack = self.stack
        if place.how == "into":
            strip = stack.strips[place.index]
            if trace in strip.traces:
                return
            strip.add(trace)
        else:
            strip = stack.add_strip(trace.unit, trace.group, min(place.index, len(stack.strips)))
            strip.add(trace)
        stack.remove(key, but=strip)
        strip.choose(strip.traces.index(trace))
        strip.setFocus()
        self.note(tr("Move {name}", name=trace.name))

    def move_strip(self, index: int, before: int) -> None:
        """Put a strip in front of another place."""
        at = before - 1 if before > index else before
        if at != index:
            self.stack.move_strip(self.stack.strips[index], at)
            self.note(tr("Move the strip"))

    def use(self, layout: Layout, title: str) -> bool:
        """Show another layout; False when none of its traces is there."""
        if not apply_layout(self.stack, layout, self._traces()):
            return False
        self.note(title)
        return True

    def reset(self) -> None:
        """Back to what was shown at first."""
        self.stack.show_traces(self._first())
        self.note(tr("Reset strips"))


class SavedLayouts:
    """Saves what the strips show, and shows it again for this drive or another."""

    def __init__(self, layouts: Layouts, settings: Settings, owner: QWidget) -> None:
        self.layouts, self._settings, self._owner = layouts, settings, owner
        self.button = named(QPushButton(tr("Layout")), tr("Layouts: undo, save, choose"))
        self._menu = QMenu(self.button)
        self._menu.aboutToShow.connect(self.fill_menu)
        self.button.setMenu(self._menu)
        for title, keys, run in (
            (tr("Save this layout"), "Ctrl+S", self.ask_to_save),
            (tr("Use a saved layout"), "Ctrl+L", self.ask_which),
            (tr("Delete a saved layout"), "Ctrl+Shift+L", self.ask_to_delete),
        ):
            add_command(owner, title, keys, run)

    def save(self, name: str) -> None:
        """Save what is shown under a name; a layout of that name is replaced."""
        name = " ".join(name.split())[:_LONGEST_NAME]
        layout = layout_of(self.layouts.stack)
        if name and layout.keys:
            self._settings.layouts = {**self._settings.layouts, name: layout.to_json()}
            self.layouts.notified.emit(tr("Saved as the layout “{name}”.", name=name))

    def choose(self, name: str) -> None:
        """Use the layout of that name."""
        layout = layout_from_json(self._settings.layouts.get(name, ""))
        if not self.layouts.use(layout, tr("Layout {name}", name=name)):
            said = tr("None of the signals of the layout “{name}” is there.", name=name)
            self.layouts.notified.emit(said)

    def delete(self, name: str) -> None:
        """Delete a saved layout."""
        kept = self._settings.layouts
        if kept.pop(name, None) is not None:
            self._settings.layouts = kept
            self.layouts.notified.emit(tr("Deleted the layout “{name}”.", name=name))

    def ask_to_save(self) -> None:
        """Ask for a name, then save."""
        if not self.layouts.stack.strips:
            self.layouts.notified.emit(tr("There are no strips to save."))
            return
        names = list(self._settings.layouts)
        name, given = QInputDialog.getItem(
            self._owner, tr("Save the layout"), tr("Name of the layout"), names
        )
        if given:
            self.save(name)

    def ask_which(self) -> None:
        """Ask which saved layout to use."""
        name = self._ask(tr("Use a saved layout"))
        if name:
            self.choose(name)

    def ask_to_delete(self) -> None:
        """Ask which saved layout to delete."""
        name = self._ask(tr("Delete a saved layout"))
        if name:
            self.delete(name)

    def _ask(self, title: str) -> str:
        names = list(self._settings.layouts)
        if not names:
            self.layouts.notified.emit(tr("No layout is saved yet: save this one with Ctrl+S."))
            return ""
        name, given = QInputDialog.getItem(self._owner, title, tr("Layout"), names, 0, False)
        return name if given else ""

    def fill_menu(self) -> None:
        """What can be undone and redone, and the saved layouts, as they are now."""
        menu, layouts = self._menu, self.layouts
        menu.clear()
        for word, keys, steps, run in (
            (tr("Undo"), "Ctrl+Z", layouts.history.past, layouts.undo),
            (tr("Redo"), "Ctrl+Shift+Z", layouts.history.future, partial(layouts.undo, redo=True)),
        ):
            title = f"{word}: {steps[-1][0]}" if steps else word
            action = menu.addAction(f"{title}\t{keys}", run)
            action.setEnabled(bool(steps))
        menu.addAction(tr("Reset strips\tShift+L"), layouts.reset)
        menu.addSeparator()
        for name in self._settings.layouts:
            menu.addAction(name, partial(self.choose, name))
        menu.addSeparator()
        menu.addAction(tr("Save this layout …\tCtrl+S"), self.ask_to_save)
        menu.addAction(tr("Delete a layout …\tCtrl+Shift+L"), self.ask_to_delete)
