"""Scatter and grid of the recording's signals, over the stretch of time that is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QMargins, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QStackedLayout,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.model import Condition, ConditionSpan
from logbench.app.commands import add_command
from logbench.app.flow import Flow
from logbench.app.parts import chooser, delayed, lay, muted, text_button
from logbench.app.plain import Label, RichLabel
from logbench.app.plot.view import TimeView
from logbench.app.theme import BLUE, GREEN, ORANGE, PURPLE, SKY, VERMILION, YELLOW, Look, Theme
from logbench.foreign import in_html
from logbench.plot.cross import Pairs, cells, condition_of, pair, spans_of
from logbench.plot.trace import StripTrace
from logbench.signals.numbers import count_text, value_text
from logbench.signals.units import unit_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.app.review.cross_plot import CrossPlot

POINTS, MEDIAN, COUNT, SPREAD = range(4)
_SHAPES = (tr("Points"), tr("Median"), tr("Count"), tr("Spread"))
_BY_CONDITION, _PLAIN = tr("driving condition"), tr("one color")
_JOIN_NS = 1_500_000_000
_WAIT_MS = 60
_FRAME_STEP = 0.02
_SHAPE_CHARS, _BOX_CHARS = 7, 13
_LIST_PAD_PX = 30
_SHADES = 48
"""More are not told apart, and each costs the plot a brush."""


class CrossView(QWidget):
    """Choose two signals and a third; zoom in time on the ribbon; mark points to find them."""

    marked = Signal(object)
    """Spans of the points that were marked."""

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self._view = view
        self._traces: Sequence[StripTrace] = ()
        self._conditions: Sequence[ConditionSpan] = ()
        self._pairs: Pairs | None = None
        self._look = look
        self._plot: CrossPlot | None = None
        shape = tr("Points, or a number in each cell")
        self.shape_box = chooser(shape, _SHAPE_CHARS)
        self.shape_box.addItems(_SHAPES)
        names = (
            tr("Signal in the cells, or color of the points"),
            tr("Signal on the y axis"),
            tr("Signal on the x axis"),
        )
        self.z_box, self.y_box, self.x_box = (chooser(name, _BOX_CHARS) for name in names)
        self.said = muted(wrap=False)
        self.legend = RichLabel(wordWrap=True)
        self.legend.setContentsMargins(8, 0, 12, 0)
        row = Flow(QMargins(6, 0, 12, 0))
        for text, box in (
            ("", self.shape_box),
            (tr("of"), self.z_box),
            (tr("y axis"), self.y_box),
            (tr("x axis"), self.x_box),
        ):
            box.activated.connect(self.draw)
            row.add(_together(text, box))
        zoom = text_button(
            tr("Zoom to the frame  Z"),
            self._zoom_to_frame,
            tip=tr("To the points that are marked; a double click or tap shows all"),
        )
        row.add(zoom, self.said)
        self._room = QStackedLayout()
        parts = row, self.legend, (self._room, 1)
        self._layout = lay(QVBoxLayout(self), *parts, margins=(0, 2, 0, 6))
        self._soon = delayed(self, _WAIT_MS, self.draw)
        view.changed.connect(self._draw_soon)
        look.changed.connect(self._repaint)
        look.units_changed.connect(self._draw_soon)
        self._add_commands()

    def _add_commands(self) -> None:
        step = _FRAME_STEP
        for title, key, change in (
            (tr("Mark points: frame to the left"), "Ctrl+Left", (-step, 0, 0, 0)),
            (tr("Mark points: frame to the right"), "Ctrl+Right", (step, 0, 0, 0)),
            (tr("Mark points: frame up"), "Ctrl+Up", (0, step, 0, 0)),
            (tr("Mark points: frame down"), "Ctrl+Down", (0, -step, 0, 0)),
            (tr("Mark points: wider frame"), "Ctrl+Shift+Right", (0, 0, step, 0)),
            (tr("Mark points: narrower frame"), "Ctrl+Shift+Left", (0, 0, -step, 0)),
            (tr("Mark points: taller frame"), "Ctrl+Shift+Up", (0, 0, 0, step)),
            (tr("Mark points: lower frame"), "Ctrl+Shift+Down", (0, 0, 0, -step)),
        ):
            add_command(self, title, key, partial(self._change_frame, change))
        add_command(self, tr("Zoom to the frame of the marked points"), "Z", self._zoom_to_frame)
        add_command(self, tr("Clear selection"), "Backspace", self._clear_frame)

    def _change_frame(self, change: tuple[float, float, float, float]) -> None:
        self.plot.change_frame(*change)

    def _zoom_to_frame(self) -> None:
        self.plot.zoom_to_frame()

    def _clear_frame(self) -> None:
        self.plot.clear_frame()

    @property
    def plot(self) -> CrossPlot:
        """The plot, made when first asked for: pyqtgraph takes its time to import."""
        if self._plot is None:
            from logbench.app.review.cross_plot import CrossPlot

            self._plot = CrossPlot(self._look.theme)
            self._plot.marked.connect(self._marked)
            self._room.addWidget(self._plot)
            self.setFocusProxy(self._plot)
        return self._plot

    def show_traces(
        self, traces: Sequence[StripTrace], conditions: Sequence[ConditionSpan]
    ) -> None:
        """Another recording, or its driving conditions have come."""
        numbers = [t for t in traces if t.plottable and len(t.pyramid)]
        fresh = [t.name for t in numbers] != [t.name for t in self._traces]
        self._traces, self._conditions = numbers, conditions
        if fresh:
            names = [t.name for t in numbers]
            for box, first in ((self.x_box, "RPM"), (self.y_box, "LOAD_PCT"), (self.z_box, "")):
                box.clear()
                if box is self.z_box:
                    box.addItems([_BY_CONDITION, _PLAIN])
                box.addItems(names)
                box.setCurrentIndex(max(0, box.findText(first)))
                box.view().setMinimumWidth(box.view().sizeHintForColumn(0) + _LIST_PAD_PX)
            if self.y_box.currentIndex() == self.x_box.currentIndex() and len(names) > 1:
                self.y_box.setCurrentIndex(1)
        self._draw_soon()

    def _repaint(self, theme: Theme) -> None:
        if self._plot is not None:
            self._plot.set_theme(theme)
            self.draw()

    def draw(self) -> None:
        """Pair the values anew and show them."""
        x, y, z = (self._chosen(box) for box in (self.x_box, self.y_box, self.z_box))
        if not self.isVisible() or x is None or y is None:
            return
        found_pairs = pair(x, y, z, self._view.start_ns, self._view.end_ns)
        units = self._look.units
        self._pairs = pairs = replace(
            found_pairs,
            x=units.array(found_pairs.x, x.unit),
            y=units.array(found_pairs.y, y.unit),
            z=None if found_pairs.z is None or z is None else units.array(found_pairs.z, z.unit),
        )
        titles = (title_of(x.name, units.unit(x.unit)), title_of(y.name, units.unit(y.unit)))
        shape = self.shape_box.currentIndex()
        self.legend.setVisible(shape == POINTS)
        if shape == POINTS:
            self.legend.setText(self._legend(pairs, z))
            self.plot.show_points(pairs, self._colors(pairs), titles)
        else:
            found = cells(pairs)
            counted = np.where(found.count > 0, found.count, np.nan).astype(np.float64)
            number = {MEDIAN: found.median, SPREAD: found.spread}.get(shape, counted)
            unit = "" if shape == COUNT else units.unit((z or y).unit)
            self.plot.show_cells(found, number, titles, unit)
        self.said.setText(tr("{n} points", n=count_text(len(pairs.x))))
        self._layout.activate()  # the plot, when made just now, leaves the layout as it was

    def _colors(self, pairs: Pairs) -> npt.NDArray[np.uint32]:
        theme = self._look.theme
        if pairs.z is not None:
            return _shaded(pairs.z, theme)
        y = self._chosen(self.y_box)
        plain = np.uint32(theme.trace(y.slot if y else 0).rgb())
        if self.z_box.currentText() == _PLAIN or not self._conditions:
            return np.full(len(pairs.x), plain, np.uint32)
        palette = np.array([point_ink(c.condition, theme) for c in self._conditions] + [plain])
        return palette.astype(np.uint32)[condition_of(pairs.t_ns, self._conditions)]

    def _legend(self, pairs: Pairs, z: StripTrace | None) -> str:
        """What the colors mean, as rich text; its words are ours or escaped."""
        theme = self._look.theme
        if z is not None and pairs.z is not None:
            unit = self._look.units.unit(z.unit)
            low, high = (f"{value_text(v, unit)} {unit_text(unit)}" for v in _ends(pairs.z))
            marks = (
                (theme.trace(0), tr("{low} or less", low=low)),
                (theme.trace(1), tr("{high} or more", high=high)),
            )
            shown = " ".join(_mark(color, text) for color, text in marks)
            return f"{in_html(z.name)}: {shown}"
        if self.z_box.currentText() == _PLAIN or not self._conditions:
            return ""
        places = set(condition_of(pairs.t_ns, self._conditions).tolist()) - {-1}
        found = {self._conditions[n].condition for n in places}
        inks = [(point_ink(c, theme), word(c.value)) for c in Condition if c in found]
        return " ".join(_mark(QColor.fromRgb(ink), text) for ink, text in inks)

    def _chosen(self, box: QComboBox) -> StripTrace | None:
        name = box.currentText()
        return next((t for t in self._traces if t.name == name), None)

    def _marked(self, inside: npt.NDArray[np.bool_]) -> None:
        if self._pairs is not None:
            self.marked.emit(spans_of(self._pairs.t_ns, inside, _JOIN_NS))
            count = int(inside.sum())
            if count:
                self.said.setText(
                    tr("{n} points marked; the strips show when", n=count_text(count))
                )

    def _draw_soon(self, _: object = None) -> None:
        if self.isVisible():
            self._soon.start()

    def showEvent(self, event: object) -> None:
        """Draw what was left undrawn while hidden."""
        self._soon.start()


def _together(text: str, box: QComboBox) -> QWidget:
    """A box with the word before it, which stays with it where the row wraps."""
    pair = QWidget()
    lay(QHBoxLayout(pair), *([Label(text)] if text else []), box, margins=(0, 0, 0, 0))
    return pair


def _mark(color: QColor, text: str) -> str:
    return f'<span style="color: {color.name()}">■</span>&nbsp;{in_html(text)}&nbsp;&nbsp;'


def _ends(values: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Between which values colors differ; beyond, stray values would use them up."""
    known = values[np.isfinite(values)]
    low, high = np.percentile(known, (2, 98)) if len(known) else (0.0, 1.0)
    return float(low), float(high)


def title_of(name: str, unit: str) -> str:
    """An axis title."""
    return f"{name} ({unit_text(unit)})" if unit else name


def point_ink(condition: Condition, theme: Theme) -> int:
    """A condition's color, strong enough for a point and unlike every other's; Okabe-Ito, yellow
    darker on light ground."""
    light = theme.name == "light"
    inks = {
        Condition.CRANKING: theme.text,
        Condition.COLD_IDLE: SKY,
        Condition.WARM_IDLE: GREEN,
        Condition.FAST_IDLE: "#A89B00" if light else YELLOW,
        Condition.CRUISE: BLUE if light else "#2F6FE0",
        Condition.ACCELERATION: ORANGE,
        Condition.FULL_THROTTLE: VERMILION,
        Condition.FUEL_CUT: PURPLE,
        Condition.KEY_ON: theme.muted,
        Condition.GLOW: "#FF9E9E",
        Condition.REGENERATION: "#8A1F1F" if light else "#B03A3A",
        Condition.ELECTRIC: "#6FBF1F",
        Condition.HALT: "#6A4FB0",
    }
    return int(QColor(inks.get(condition, "#B9C0C8" if light else "#5A636E")).rgb())


def _shaded(values: npt.NDArray[np.float64], theme: Theme) -> npt.NDArray[np.uint32]:
    """From blue (low) over the middle to vermilion or yellow (high); unknown is muted."""
    low, high = _ends(values)
    share = np.clip((values - low) / max(high - low, 1e-12), 0, 1)
    share = np.round(share * _SHADES) / _SHADES
    ends = [theme.trace(0), theme.trace(1)]
    channels = [
        np.nan_to_num(getattr(ends[0], c)() * (1 - share) + getattr(ends[1], c)() * share)
        for c in ("red", "green", "blue")
    ]
    red, green, blue = (c.astype(np.uint32) for c in channels)
    colors = (np.uint32(0xFF) << 24) | (red << 16) | (green << 8) | blue
    colors[~np.isfinite(values)] = np.uint32(0xFF808080)
    return np.asarray(colors, np.uint32)
