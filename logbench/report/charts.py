"""Charts of documents as vectors: strips over time, bars with bands, margins, intervals, cells."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from reportlab.graphics.shapes import Drawing, Hatching, Line, PolyLine, Rect
from reportlab.lib.colors import HexColor, linearlyInterpolatedColor

from logbench.analysis.model import Condition, ConditionSpan, Span
from logbench.report import fonts
from logbench.report.drawing import (
    AREA,
    BLACK,
    BLUE,
    CONDITION_COLORS,
    FALLING,
    GRAY,
    GREEN,
    LEFT,
    LEVEL,
    LIGHT,
    ORANGE,
    RIGHT,
    RISING,
    SIZE,
    VERMILLION,
    WHITE,
    WIDTH,
    Floats,
    Place,
    block,
    bottom_axis,
    left_axis,
    line_between,
    padded,
    pale,
    pieces,
    rule,
    strokes,
    text,
)
from logbench.signals.numbers import Ends, decimal_text

STRIP, GAP = 58.0, 10.0


# --- strips ---


@dataclass(frozen=True, slots=True)
class Line2D:
    """One line of a strip: x and y, shape (n,) each, x rising; NaN breaks the line."""

    name: str
    x: Floats
    y: Floats
    slot: int = 0
    """Its color, as `Entry.slot`; of two drives: 0 before, 1 after, 2 the difference."""
    gap: float | None = None
    """Points further apart are not joined; None: by the usual distance of these."""


@dataclass(frozen=True, slots=True)
class Strip:
    """Lines on one scale. `height` in points; `zero`: with a line at 0."""

    unit: str
    lines: tuple[Line2D, ...]
    height: float = STRIP
    zero: bool = False

    def drawn(self) -> Iterable[tuple[Line2D, dict[str, object]]]:
        """The lines and how each is drawn."""
        return zip(self.lines, strokes(line.slot for line in self.lines), strict=True)


@dataclass(frozen=True, slots=True)
class Shade:
    """A stretch of time with a color behind it."""

    span: Span
    color: HexColor = ORANGE


def strips_chart(
    strips: Sequence[Strip],
    x_label: str,
    conditions: Sequence[ConditionSpan] = (),
    shades: Sequence[Shade] = (),
) -> Drawing:
    """Strips one above the other on one x axis; with `conditions`, a ribbon in minutes on top.
    Without strips, an empty drawing."""
    if not strips:
        return Drawing(WIDTH, 1.0)
    legend = _condition_legend(conditions)
    top = 14.0 + 11.0 * len(legend) if legend else 4.0
    height = top + sum(strip.height + GAP for strip in strips) + 22.0
    drawing = Drawing(WIDTH, height)
    low, high = _x_range(strips)
    place = line_between(low, high, LEFT, WIDTH - RIGHT)
    y = height - top
    if legend:
        _ribbon(drawing, height, conditions, legend, place)
    for strip in strips:
        y -= strip.height
        for shade in shades:
            a, b = place(shade.span.start_ns / 60e9), place(shade.span.end_ns / 60e9)
            drawing.add(block(a, y, max(b - a, 0.5), strip.height, pale(shade.color)))
        _strip(drawing, strip, y, place)
        y -= GAP
    bottom_axis(drawing, y + GAP, low, high, place, WIDTH - RIGHT)
    drawing.add(text(x_label, WIDTH - RIGHT, 2, anchor="end"))
    return drawing


def _x_range(strips: Sequence[Strip]) -> tuple[float, float]:
    x = np.concatenate([np.empty(0), *(line.x for strip in strips for line in strip.lines)])
    x = x[np.isfinite(x)]
    low, high = (float(x.min()), float(x.max())) if len(x) else (0.0, 1.0)
    return low, high if high > low else low + 1.0


def _strip(drawing: Drawing, strip: Strip, y: float, place: Place) -> None:
    found = [line.y[np.isfinite(line.y)] for line in strip.lines]
    joined = np.concatenate(found) if found else np.empty(0)
    least, most = (joined.min(), joined.max()) if len(joined) else (0.0, 1.0)
    low, high = padded(least, most, room=9.5 / strip.height)
    level = line_between(low, high, y, y + strip.height)
    left_axis(drawing, low, high, round(3 * strip.height / STRIP), level, WIDTH - RIGHT)
    if strip.zero and low < 0.0 < high:
        drawing.add(rule(LEFT, level(0.0), WIDTH - RIGHT, level(0.0)))
    for line, how in strip.drawn():
        for points in pieces(line.x, line.y, place, level, line.gap):
            drawing.add(PolyLine(points, strokeWidth=0.9, **how))
    drawing.add(rule(LEFT, y, LEFT, y + strip.height))
    _strip_names(drawing, strip, y + strip.height)


def _strip_names(drawing: Drawing, strip: Strip, top: float) -> None:
    """Unit at the left, names at the upper left inside, each with a piece of its line."""
    drawing.add(text(strip.unit, 0, top - 7))
    x = LEFT + 4
    for line, how in strip.drawn():
        wide = fonts.width_of(line.name, SIZE) + 22
        drawing.add(block(x - 2, top - 9, wide, 9, WHITE))
        drawing.add(Line(x, top - 4.5, x + 14, top - 4.5, strokeWidth=1.2, **how))
        drawing.add(text(line.name, x + 17, top - 7))
        x += wide + 4


def _ribbon(
    drawing: Drawing,
    y: float,
    conditions: Sequence[ConditionSpan],
    legend: list[list[Condition]],
    place: Place,
) -> None:
    """The legend and, under it, the ribbon; `y`: above both."""
    for row in legend:
        y -= 11
        x = LEFT
        for condition in row:
            drawing.add(block(x, y + 1, 8, 6, CONDITION_COLORS[condition]))
            drawing.add(text(condition.value, x + 11, y + 1.5))
            x += 20 + fonts.width_of(condition.value, SIZE)
    y -= 10
    for span in conditions:
        a, b = place(span.start_ns / 60e9), place(span.end_ns / 60e9)
        color = CONDITION_COLORS[span.condition]
        drawing.add(block(a, y, max(b - a, 0.1), 7, color))


def _condition_legend(conditions: Sequence[ConditionSpan]) -> list[list[Condition]]:
    """Conditions seen, in rows that fit the width."""
    seen = [c for c in dict.fromkeys(s.condition for s in conditions) if c is not Condition.OTHER]
    rows: list[list[Condition]] = []
    x = WIDTH
    for condition in seen:
        wide = 20 + fonts.width_of(condition.value, SIZE)
        if x + wide > WIDTH - RIGHT:
            rows.append([])
            x = LEFT
        rows[-1].append(condition)
        x += wide
    return rows


# --- bars ---


@dataclass(frozen=True, slots=True)
class Bar:
    """One subject of a bar chart: value and half width of its interval, before and after."""

    label: str
    sides: tuple[tuple[float | None, float | None], ...]


def bars_chart(bars: Sequence[Bar], unit: str, band: Ends | None) -> Drawing:
    """Before (solid) and after (open) side by side, with their 95 % intervals, over a band."""
    height, bottom = 150.0, 34.0
    drawing = Drawing(WIDTH, height)
    values = [0.0, *(edge for edge in band or () if edge is not None)]
    values += [
        value + sign * (half or 0.0)
        for bar in bars
        for value, half in bar.sides
        if value is not None
        for sign in (-1, 1)
    ]
    low, high = padded(min(values), max(values))
    level = line_between(low, high, bottom, height - 16)
    if band is not None:
        a, b = (
            level(end if edge is None else edge)
            for edge, end in zip(band, (low, high), strict=True)
        )
        drawing.add(block(LEFT, a, AREA, b - a, pale(GREEN)))
    left_axis(drawing, low, high, 5, level, WIDTH - RIGHT)
    drawing.add(Line(LEFT, level(0), WIDTH - RIGHT, level(0), strokeColor=GRAY))
    drawing.add(text(unit, LEFT - 4, height - 8, anchor="end"))
    step = AREA / max(len(bars), 1)
    for index, bar in enumerate(bars):
        _bar(drawing, bar, LEFT + step * index, step, level)
    _bar_legend(drawing, height, band is not None)
    return drawing


def _bar(drawing: Drawing, bar: Bar, x: float, step: float, level: Place) -> None:
    width = min(26.0, step * 0.32)
    middle = x + step / 2
    for (value, half), left, fill in zip(
        bar.sides, (middle - width - 1, middle + 1), (BLUE, WHITE), strict=True
    ):
        if value is None:
            continue
        y, tall = min(level(0), level(value)), max(abs(level(value) - level(0)), 0.5)
        drawing.add(Rect(left, y, width, tall, fillColor=fill, strokeColor=BLUE, strokeWidth=1))
        if half:
            center = left + width / 2
            ends = level(value - half), level(value + half)
            drawing.add(Line(center, ends[0], center, ends[1], strokeColor=GRAY))
    parts = bar.label.split(", ")
    rows = [row for part in parts for row in fonts.wrapped(part, SIZE, step - 4)]
    for n, row in enumerate(rows[:3]):
        drawing.add(text(fonts.fitted(row, SIZE, step - 4), middle, 20 - 9 * n, "middle"))


def _bar_legend(drawing: Drawing, height: float, with_band: bool) -> None:
    x = LEFT + 6
    entries = [("before", BLUE, BLUE), ("after", WHITE, BLUE)]
    if with_band:
        entries.append(("usual range", pale(GREEN), pale(GREEN)))
    for words, fill, edge in entries:
        drawing.add(Rect(x, height - 9, 8, 6, fillColor=fill, strokeColor=edge))
        drawing.add(text(words, x + 11, height - 8.5))
        x += 18 + fonts.width_of(words, SIZE)


# --- intervals ---


@dataclass(frozen=True, slots=True)
class Change:
    """One row of an interval chart; `change` None: not comparable. `detectable`: the smallest
    change that would surely be found, for a chart on one axis; `relevant`: also large enough."""

    label: str
    text: str
    change: float | None
    half_width: float | None
    changed: bool
    detectable: float = 1.0


_ROW, _LABEL = 15.0, 200.0


def changes_chart(changes: Sequence[Change]) -> Drawing:
    """One row a quantity: its change with the 95 % interval, each on its own scale around zero."""
    room = 112.0
    height = _ROW * len(changes) + 16
    drawing = Drawing(WIDTH, height)
    left, right = _LABEL + 8, WIDTH - room - 8
    middle = (left + right) / 2
    drawing.add(Line(middle, 4, middle, height - 12, strokeColor=GRAY))
    drawing.add(text("less", left, height - 8))
    drawing.add(text("no change", middle, height - 8, anchor="middle"))
    drawing.add(text("more", right, height - 8, anchor="end"))
    for index, change in enumerate(changes):
        reach = max(abs(change.change or 0.0) + (change.half_width or 0.0), 1e-9)
        place = line_between(0.0, reach, middle, middle + (right - left) / 2 * 0.94)
        color = VERMILLION if change.changed else HexColor("#888888")
        _interval(drawing, change, height - 14 - _ROW * (index + 0.6), place, right, color)
    return drawing


def detectable_chart(changes: Sequence[Change], x_label: str) -> Drawing:
    """The same on one axis, in units of what would surely be found (gray): linear to twice that,
    then logarithmic."""
    room, foot = 150.0, 26.0
    height = _ROW * max(len(changes), 1) + 4 + foot
    drawing = Drawing(WIDTH, height)
    left, right = _LABEL - 40, WIDTH - room - 8
    reaches = ((abs(c.change or 0.0) + (c.half_width or 0.0)) / c.detectable for c in changes)
    most = max([1.0, *reaches])
    line = line_between(-_squeezed(1.05 * most), _squeezed(1.05 * most), left, right)
    a, b = line(-_squeezed(1.0)), line(_squeezed(1.0))
    drawing.add(block(a, foot, b - a, height - foot, LIGHT))
    drawing.add(rule(left, foot, right, foot))
    for size in (0, 1, 2, 5, 10, 20, 50, 100):
        for tick in {-size, size} if size <= 1.05 * most else ():
            drawing.add(rule(line(_squeezed(tick)), foot, line(_squeezed(tick)), foot - 2.5))
            drawing.add(
                text(decimal_text(tick, 0), line(_squeezed(tick)), foot - 10, anchor="middle")
            )
    drawing.add(rule(line(0.0), foot, line(0.0), height))
    drawing.add(text(x_label, (left + right) / 2, 2, anchor="middle"))
    for index, change in enumerate(changes):
        y = height - 4 - _ROW * (index + 0.6)
        color = VERMILLION if change.changed else BLUE
        _interval(drawing, change, y, partial(_place_of, line, change.detectable), right, color)
    if not changes:
        drawing.add(text("Nothing was comparable.", WIDTH / 2, height - 12, anchor="middle"))
    return drawing


def _interval(
    drawing: Drawing, change: Change, y: float, place: Place, right: float, color: HexColor
) -> None:
    """Label, bar with a mark (filled where a change is shown), text."""
    drawing.add(text(fonts.fitted(change.label, SIZE, _LABEL), 0, y - 2.5))
    shown = fonts.fitted(change.text, SIZE, WIDTH - right - 8)
    drawing.add(text(shown, right + 8, y - 2.5))
    if change.change is None or change.half_width is None:
        return
    a, b = (place(change.change + sign * change.half_width) for sign in (-1, 1))
    drawing.add(Line(a, y, b, y, strokeColor=color, strokeWidth=2.2))
    at = place(change.change)
    fill = color if change.changed else WHITE
    drawing.add(Rect(at - 2.5, y - 2.5, 5, 5, fillColor=fill, strokeColor=color))


def _place_of(line: Place, detectable: float, value: float) -> float:
    return line(_squeezed(value / detectable))


def _squeezed(value: float) -> float:
    size = abs(value)
    return math.copysign(size / 2.0 if size <= 2.0 else 1.0 + math.log10(size / 2.0), value)


def margin_bar(margin: float | None, passed: bool | None) -> Drawing:
    """How far a monitor's result is inside its limits: the limit is the line in the middle."""
    width, height = 80.0, 9.0
    drawing = Drawing(width, height)
    drawing.add(block(0, 2, width, 5, HexColor("#EEEEEE")))
    if margin is not None:
        color = VERMILLION if passed is False else ORANGE if margin < 0.1 else BLUE
        start, end = sorted((width / 2, width / 2 * (1 + margin)))
        drawing.add(block(start, 2, max(end - start, 1), 5, color))
    drawing.add(Line(width / 2, 0, width / 2, height, strokeColor=GRAY, strokeWidth=1))
    return drawing


# --- cells ---


@dataclass(frozen=True, slots=True)
class Cell:
    """A rectangle of a grid: its ends, the value with its half width, None where only one side has
    been; `ringed`: differs by itself; `hatch_deg`: direction of its hatching."""

    x: tuple[float, float]
    y: tuple[float, float]
    value: float | None = None
    half_width: float | None = None
    ringed: bool = False
    hatch_deg: float = 45.0


def cells_chart(cells: Sequence[Cell], x_label: str, y_label: str, scale_label: str) -> Drawing:
    """Values over two axes, colored around 0; what has no value is hatched."""
    height, bottom, right = 300.0, 26.0, WIDTH - 68.0
    drawing = Drawing(WIDTH, height)
    if not cells:
        return drawing
    x_ends = min(c.x[0] for c in cells), max(c.x[1] for c in cells)
    y_ends = min(c.y[0] for c in cells), max(c.y[1] for c in cells)
    place = line_between(*x_ends, LEFT, right)
    level = line_between(*y_ends, bottom, height - 16)
    left_axis(drawing, *y_ends, 6, level, right)
    bottom_axis(drawing, bottom, *x_ends, place, right)
    drawing.add(text(x_label, right, 2, anchor="end"))
    drawing.add(text(y_label, 0, height - 8))
    drawing.add(text(scale_label, WIDTH, height - 8, anchor="end"))
    top = max((abs(c.value) for c in cells if c.value is not None), default=0.0) or 1.0
    for cell in sorted(cells, key=lambda c: c.ringed):
        _cell(drawing, cell, place, level, top)
    _color_scale(drawing, line_between(-top, top, bottom, height - 16), top)
    return drawing


def _cell(drawing: Drawing, cell: Cell, place: Place, level: Place, top: float) -> None:
    (x0, x1), (y0, y1) = map(place, cell.x), map(level, cell.y)
    if cell.value is None:
        corners = [x0, y0, x1, y0, x1, y1, x0, y1]
        gray = HexColor("#BBBBBB")
        drawing.add(Hatching(5, cell.hatch_deg, corners, strokeColor=gray, strokeWidth=0.5))
        return
    edge, width = (BLACK, 1.6) if cell.ringed else (HexColor("#888888"), 0.4)
    fill = _diverging(cell.value / top)
    drawing.add(Rect(x0, y0, x1 - x0, y1 - y0, fillColor=fill, strokeColor=edge, strokeWidth=width))
    ink = WHITE if abs(cell.value) > 0.65 * top else BLACK
    middle, y = (x0 + x1) / 2, (y0 + y1) / 2
    drawing.add(text(_two_digits(cell.value), middle, y + 1, "middle", fillColor=ink))
    drawing.add(text(f"±{cell.half_width or 0.0:.2g}", middle, y - 8, "middle", fillColor=ink))


_NOTHING = 5e-4
"""A difference below this is none that any signal has."""


def _two_digits(value: float) -> str:
    if abs(value) < _NOTHING:
        return "0"
    shown = f"{value:+.0f}" if abs(value) >= 100.0 else f"{value:+.2g}"
    return shown.replace("-", "−")


def _color_scale(drawing: Drawing, level: Place, top: float) -> None:
    steps = 40
    left, tall = WIDTH - 52.0, (level(top) - level(-top)) / steps
    for step in range(steps):
        color = _diverging((2 * step + 1) / steps - 1)
        drawing.add(block(left, level(-top) + step * tall, 10, tall + 0.2, color))
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        drawing.add(text(_two_digits(share * top), left + 13, level(share * top) - 2.5))


def _diverging(share: float) -> HexColor:
    """-1 to 1."""
    end = FALLING if share < 0 else RISING
    return linearlyInterpolatedColor(LEVEL, end, 0.0, 1.0, min(abs(share), 1.0))
