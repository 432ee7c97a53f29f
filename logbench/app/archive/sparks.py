"""Small pictures of a signal, read off the window's thread and kept while the window is open."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QObject, QRectF, Signal
from PySide6.QtGui import QColor, QPainter, QPen

from logbench.app.plot.painting import draw_rows
from logbench.cases.archive import make_previews
from logbench.cases.runner import Owner, Running
from logbench.signals.units import Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.recording.preview import Preview

_MOST_KEPT = 6000
_AT_ONCE = 6


class Sparks(QObject):
    """Hands out what it has, and reads what is wanted, the last wanted first."""

    ready = Signal()

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._owner: Owner | None = None
        self._archive: Archive | None = None
        self.signal = "RPM"
        self._kept: OrderedDict[tuple[str, str], Preview | None] = OrderedDict()
        self._wanted: list[str] = []
        self._task: Running | None = None

    def forget(self, owner: Owner, archive: Archive) -> None:
        """Another archive, or other files in it; its owner has the previews read."""
        self._drop_task()
        self._owner, self._archive = owner, archive
        self._kept.clear()
        self._wanted = []

    def show_signal(self, signal: str) -> None:
        """Another signal from now on."""
        self.signal = signal
        self._wanted = []
        self._drop_task()
        self.ready.emit()

    def known(self, recording: str) -> bool:
        """Whether it has been read (it may be that nothing can be drawn)."""
        return (recording, self.signal) in self._kept

    def get(self, recording: str) -> Preview | None:
        """The picture; None when it is not read yet or cannot be."""
        return self._kept.get((recording, self.signal))

    def want(self, recordings: Sequence[str]) -> None:
        """Those that are in sight now; others that were wanted are not any more."""
        self._wanted = [name for name in recordings if not self.known(name)]
        self._go_on()

    def _go_on(self) -> None:
        owner, archive = self._owner, self._archive
        if self._task is not None or not self._wanted or archive is None or owner is None:
            return
        signal, some = self.signal, tuple(self._wanted[:_AT_ONCE])
        self._task = owner.start(
            make_previews(archive, some, signal),
            lambda made: self._read(signal, made),
            lambda _: self._read(signal, dict.fromkeys(some)),
        )

    def _read(self, signal: str, made: dict[str, Preview | None]) -> None:
        self._task = None
        for name, preview in made.items():
            self._kept[name, signal] = preview
        while len(self._kept) > _MOST_KEPT:
            self._kept.popitem(last=False)
        self._wanted = [name for name in self._wanted if not self.known(name)]
        self.ready.emit()
        self._go_on()

    def _drop_task(self) -> None:
        if self._task is not None:
            self._task.cancel()
            self._task = None


def paint_spark(painter: QPainter, area: QRectF, preview: Preview, pen: QColor) -> None:
    """One upright line a column, from its lowest to its highest value, each touching the next."""
    low, high = preview.low.astype(float), preview.high.astype(float)
    bottom, top = np.nanmin(low), np.nanmax(high)
    span = max(top - bottom, 1e-9 * max(1.0, abs(top)))
    n = len(low)
    x = area.left() + (np.arange(n) + 0.5) * area.width() / n
    flat = top - bottom <= 1e-9 * max(1.0, abs(top))
    middle = area.center().y()
    scale = 0.0 if flat else area.height() / span
    base = middle if flat else area.bottom()
    y_low = base - (low - bottom) * scale
    y_high = base - (high - bottom) * scale
    known = np.isfinite(low)
    x, y_low, y_high = x[known], y_low[known], y_high[known]
    middles = (y_low + y_high) / 2
    columns = np.column_stack([x, y_low, x, np.minimum(y_high, y_low - 0.5)])
    joins = np.column_stack([x[:-1], middles[:-1], x[1:], middles[1:]])
    painter.setPen(QPen(pen, 1.5))
    draw_rows(painter, np.concatenate([columns, joins]))


def spark_text(preview: Preview | None, units: Units) -> str:
    """The same in words: `RPM 650 rpm to 3,200 rpm`."""
    if preview is None or preview.is_empty:
        return tr("nothing to draw")
    ends = (float(np.nanmin(preview.low)), float(np.nanmax(preview.high)))
    low, high = (units.text(v, preview.unit) for v in ends)
    return tr("{signal} {low} to {high}", signal=preview.signal, low=low, high=high)
