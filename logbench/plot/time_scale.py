"""The time axis of a stack of strips: what is shown, what there is, where the cursors stand."""

from __future__ import annotations

import math

from logbench.plot.trace import SECOND
from logbench.recording.even import MOST_T_NS
from logbench.signals.values import Clock

_NARROWEST_NS = SECOND // 100
_WIDEST_NS = 4 * MOST_T_NS


class TimeScale:
    """Times and pixels of one time axis.

    Pixel columns are counted from the recording's start (`column = t / ns_per_px`), so that a
    column covers the same samples while the view pans. What changes is passed on by `_on_change`
    (the shown stretch or its width in pixels), `_on_limits` and `_on_cursor`.
    """

    def __init__(self) -> None:
        self.start_ns: float = 0.0
        self.end_ns: float = 60.0 * SECOND
        self.low_ns = 0
        self.high_ns = 60 * SECOND
        self.pixels = 800
        self.ns_per_px = 1.0
        """Scale of the time axis."""
        self.first_column = 0
        """Column number at the left edge."""
        self.cursor_ns: int | None = None
        self.clock: Clock | None = None
        """Of a drive under way, None when it is over."""
        self.marks: dict[str, int] = {}
        """Cursors that stay where they were put: `A` and `B`."""
        self._scale()

    def _on_change(self) -> None:
        return

    def _on_limits(self) -> None:
        return

    def _on_cursor(self) -> None:
        return

    @property
    def width_ns(self) -> float:
        """Length of the shown stretch."""
        return self.end_ns - self.start_ns

    def x_of(self, t_ns: float) -> float:
        """Pixels from the left edge of the plot."""
        return t_ns / self.ns_per_px - self.first_column

    def t_of(self, x: float) -> int:
        """The time at a pixel from the left edge of the plot."""
        return round((x + self.first_column) * self.ns_per_px)

    def set_pixels(self, pixels: int) -> None:
        """Of the plot, when its width changes."""
        if pixels > 0 and pixels != self.pixels:
            self.pixels = pixels
            self._scale()
            self._on_change()

    def set_limits(self, low_ns: int, high_ns: int) -> None:
        """What there is to show; the shown stretch is left alone."""
        high_ns = max(high_ns, low_ns + _NARROWEST_NS)
        if (low_ns, high_ns) != (self.low_ns, self.high_ns):
            self.low_ns, self.high_ns = low_ns, high_ns
            self._on_limits()

    def show_span(self, start_ns: float, end_ns: float) -> None:
        """Show this stretch; too narrow ones are widened about their middle."""
        width = min(max(end_ns - start_ns, _NARROWEST_NS), _WIDEST_NS)
        if abs(width - self.width_ns) < 1e-9 * width:
            width = self.width_ns  # the same scale to the last bit, so that pixels can be shifted
        start_ns += (end_ns - start_ns - width) / 2
        fresh = (start_ns, start_ns + width)
        if fresh != (self.start_ns, self.end_ns):
            self.start_ns, self.end_ns = fresh
            self._scale()
            self._on_change()

    def show_all(self) -> None:
        """Show everything there is."""
        self.show_span(self.low_ns, self.high_ns)

    def show_around(self, start_ns: float, end_ns: float) -> None:
        """Show a span with as much again on either side, within what there is."""
        pad = max((end_ns - start_ns) * 0.5, 2 * SECOND)
        self.show_span(max(start_ns - pad, self.low_ns), min(end_ns + pad, self.high_ns))

    def zoom(self, factor: float, about_ns: float | None = None) -> None:
        """Show `factor` times as much time, keeping `about_ns` (the middle) where it is."""
        if about_ns is None:
            about_ns = (self.start_ns + self.end_ns) / 2
        whole = self.high_ns - self.low_ns
        factor = min(factor, max(1.0, whole * 1.02 / self.width_ns)) if factor > 1 else factor
        factor = max(factor, _NARROWEST_NS / self.width_ns)
        left = about_ns - (about_ns - self.start_ns) * factor
        self._show_within(left, left + self.width_ns * factor)

    def pan(self, fraction: float) -> None:
        """Move by a fraction of the shown width; positive goes later."""
        self.pan_ns(self.width_ns * fraction)

    def pan_ns(self, by_ns: float) -> None:
        """Move by this much time, within what there is."""
        self._show_within(self.start_ns + by_ns, self.end_ns + by_ns)

    def set_cursor(self, t_ns: int | None) -> None:
        """Put the moving cursor somewhere, or hide it."""
        if t_ns != self.cursor_ns:
            self.cursor_ns = t_ns
            self._on_cursor()

    def set_mark(self, name: str, t_ns: int | None) -> None:
        """Put cursor `A` or `B` down, or hide it."""
        if t_ns is None:
            self.marks.pop(name, None)
        else:
            self.marks[name] = t_ns
        self._on_cursor()

    def step_cursor(self, pixels: int) -> None:
        """Move the cursor by pixels; it enters in the middle and the view follows it."""
        at = self.cursor_ns
        if at is None:
            at = round((self.start_ns + self.end_ns) / 2)
        at = round(min(max(at + pixels * self.ns_per_px, self.low_ns), self.high_ns))
        if at < self.start_ns or at > self.end_ns:
            self._show_within(at - self.width_ns / 2, at + self.width_ns / 2)
        self.set_cursor(at)

    def _scale(self) -> None:
        self.ns_per_px = self.width_ns / self.pixels
        self.first_column = math.floor(self.start_ns / self.ns_per_px + 0.5)

    def _show_within(self, start_ns: float, end_ns: float) -> None:
        width = end_ns - start_ns
        if width >= self.high_ns - self.low_ns:
            middle = (self.low_ns + self.high_ns) / 2
            start_ns = middle - width / 2
        else:
            start_ns = min(max(start_ns, self.low_ns), self.high_ns - width)
        self.show_span(start_ns, start_ns + width)


def reads_at(view: TimeScale) -> int | Clock | None:
    """When a view's values are read: at the cursor where it is in view, else now; None when there
    is neither."""
    at = view.cursor_ns
    return at if at is not None and view.start_ns <= at <= view.end_ns else view.clock
