"""The strips of a drive under way: their layouts and bands."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QWidget

from logbench.app.live.session import LiveSession
from logbench.app.live.values import ValuesModel
from logbench.app.plot.layouts import Layouts
from logbench.app.plot.saved_layouts import SavedLayouts
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip_keys import StripKeys
from logbench.cases.settings import Settings
from logbench.plot.live_bands import BandWatch
from logbench.plot.trace import StripTrace
from logbench.recording.model import Vehicle


def live_layouts(
    owner: QWidget,
    settings: Settings,
    stack: StripStack,
    session: LiveSession,
    model: ValuesModel,
    first: Callable[[], frozenset[str]],
) -> SavedLayouts:
    """Layouts of the Live page with their commands; `first`: signals shown without being asked."""

    def traces() -> list[StripTrace]:
        return [*session.traces.values()]

    def shown_first() -> list[StripTrace]:
        return [trace for trace in traces() if trace.signal in first()]

    layouts = Layouts(stack, settings, traces, shown_first, owner)
    stack.strip_made.connect(lambda strip: setattr(strip.header, "shows_newest", True))
    layouts.changed.connect(lambda: model.set_plotted(stack.keys))
    StripKeys(layouts)
    return SavedLayouts(layouts, settings, owner)


def shade_bands(stack: StripStack, session: LiveSession, bands: BandWatch, car: Vehicle) -> None:
    """Shade what is looked for now, where that has changed."""
    if not bands.look(session.traces, session.now_ns, car):
        return
    for trace in session.traces.values():
        trace.band = bands.now.get(trace.signal)
    stack.renew()
