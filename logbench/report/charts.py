"""The report's charts as vectors: strips over time, bars with bands, margins, intervals.

reportlab drawings, so that the PDF and the HTML page get the same lines. Colours are those of
`report.plots` (Okabe-Ito), with dashes as a second cue.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String
from reportlab.lib.colors import HexColor

from logbench.analysis.model import Condition, ConditionSpan, Span
from logbench.report import fonts
from logbench.report.plots import BLUE, CONDITION_COLOURS, GREEN, LINE_COLOURS, ORANGE, VERMILLION

WIDTH = 500.0
"""Points; the renderers scale it to the page."""
LEFT, RIGHT = 62.0, 6.0
STRIP, GAP = 58.0, 10.0
SIZE = 7.5
DASHES: tuple[list[int] | None, ...] = (None, [4, 2], [1, 2], [6, 2, 1, 2])
GREY, LIGHT = HexColor("#666666"), HexColor("#DDDDDD")
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line2D:
    """One line of a strip: x and y, shape (n,) each, NaN breaks the line."""

    name: str
    x: Floats
    y: Floats


@dataclass(frozen=True, slots=True)
class Strip:
    """Lines on one scale."""

    unit: str
    lines: tuple[Line2D, ...]
    band: tuple[float | None, float | None] | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a bar chart: two sides of one subject."""

    label: str
    before: float | None
    after: float | None
    before_half: float | None = None
    after_half: float | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """One row of an interval chart. All in one unit; None: not comparable."""

    label: str
    text: str
    change: float | None
    half_width: float | None
    changed: bool


def strips_chart(
    strips: Sequence[Strip],
    x_label: str,
    conditions: Sequence[ConditionSpan] = (),
    evidence: Sequence[Span] = (),
) -> Drawing:
    """Strips one above the other on one x axis; with `conditions`, a ribbon in minutes on top.
    Without strips, an empty drawing."""
    if not strips:
        return Drawing(WIDTH, 1.0)
    legend = _condition_legend(conditions)
    top = 12.0 + 11.0 * len(legend) if legend else 0.0
    height = top + len(strips) * (STRIP + GAP) + 22.0
    drawing = Drawing(WIDTH, height)
    low, high = _x_range(strips)

    def place(value: float) -> float:
        return LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT)

    y = height
    if legend:
        y = _ribbon(drawing, y, conditions, legend, place)
    for strip in strips:
        y -= STRIP
        _evidence(drawing, evidence, y, place)
        _strip(drawing, strip, y, place)
        y -= GAP
    _x_axis(drawing, y + GAP, low, high, place)
    drawing.add(_text(x_label, WIDTH - RIGHT, 2, anchor="end"))
    return drawing


def bars_chart(
    bars: Sequence[Bar], unit: str, band: tuple[float | None, float | None] | None
) -> Drawing:
    """Before (solid) and after (open) side by side, with their 95 % intervals, over a band."""
    height, bottom = 150.0, 34.0
    drawing = Drawing(WIDTH, height)
    values = [0.0]
    for bar in bars:
        for value, half in ((bar.before, bar.before_half), (bar.after, bar.after_half)):
            if value is not None:
                values += [value - (half or 0.0), value + (half or 0.0)]
    edges = [edge for edge in (band or ()) if edge is not None]
    low, high = _padded(min(values + edges), max(values + edges))

    def level(value: float) -> float:
        return bottom + (value - low) / (high - low) * (height - bottom - 16)

    if band is not None:
        a = level(low if band[0] is None else band[0])
        b = level(high if band[1] is None else band[1])
        drawing.add(_block(LEFT, a, WIDTH - LEFT - RIGHT, b - a, _pale(GREEN)))
    for tick in _ticks(low, high, 5):
        drawing.add(Line(LEFT, level(tick), WIDTH - RIGHT, level(tick), strokeColor=LIGHT))
        drawing.add(_text(_plain(tick), LEFT - 4, level(tick) - 2.5, anchor="end"))
    drawing.add(Line(LEFT, level(0), WIDTH - RIGHT, level(0), strokeColor=GREY))
    drawing.add(_text(unit, LEFT - 4, height - 8, anchor="end"))
    step = (WIDTH - LEFT - RIGHT) / max(len(bars), 1)
    for index, bar in enumerate(bars):
        _bar(drawing, bar, LEFT + step * index, step, level)
    _bar_legend(drawing, height, band is not None)
    return drawing


def _bar(
    drawing: Drawing, bar: Bar, x: float, step: float, level: Callable[[float], float]
) -> None:
    width = min(26.0, step * 0.32)
    middle = x + step / 2
    sides = ((bar.before, bar.before_half, -1), (bar.after, bar.after_half, 1))
    for value, half, side in sides:
        if value is None:
            continue
        left = middle - width - 1 if side < 0 else middle + 1
        fill = HexColor(BLUE) if side < 0 else HexColor("#FFFFFF")
        y = min(level(0), level(value))
        tall = max(abs(level(value) - level(0)), 0.5)
        drawing.add(
            Rect(left, y, width, tall, fillColor=fill, strokeColor=HexColor(BLUE), strokeWidth=1)
        )
        if half:
            centre = left + width / 2
            drawing.add(
                Line(centre, level(value - half), centre, level(value + half), strokeColor=GREY)
            )
    words = bar.label.split(", ")
    for row, word in enumerate(words[:2]):
        text = fonts.fitted(word, SIZE, step - 4)
        drawing.add(_text(text, middle, 20 - 9 * row, anchor="middle"))


def _bar_legend(drawing: Drawing, height: float, with_band: bool) -> None:
    x = LEFT + 6
    entries = [("before", HexColor(BLUE), HexColor(BLUE)), ("after", None, HexColor(BLUE))]
    if with_band:
        entries.append(("usual range", _pale(GREEN), _pale(GREEN)))
    for text, fill, stroke in entries:
        drawing.add(
            Rect(x, height - 9, 8, 6, fillColor=fill or HexColor("#FFFFFF"), strokeColor=stroke)
        )
        drawing.add(_text(text, x + 11, height - 8.5))
        x += 18 + fonts.width_of(text, SIZE)


def changes_chart(changes: Sequence[Change]) -> Drawing:
    """One row a quantity: its change with the 95 % interval, each on its own scale around zero."""
    row, label = 15.0, 200.0
    text_width = 112.0
    height = row * len(changes) + 16
    drawing = Drawing(WIDTH, height)
    left, right = label + 8, WIDTH - text_width - 8
    middle = (left + right) / 2
    drawing.add(Line(middle, 4, middle, height - 12, strokeColor=GREY))
    drawing.add(_text("less", left, height - 8))
    drawing.add(_text("no change", middle, height - 8, anchor="middle"))
    drawing.add(_text("more", right, height - 8, anchor="end"))
    for index, change in enumerate(changes):
        y = height - 14 - row * (index + 0.6)
        drawing.add(_text(fonts.fitted(change.label, SIZE, label), 0, y - 2.5))
        drawing.add(_text(fonts.fitted(change.text, SIZE, text_width), right + 8, y - 2.5))
        if change.change is None or change.half_width is None:
            continue
        reach = max(abs(change.change) + change.half_width, 1e-9)
        scale = (right - left) / 2 * 0.94 / reach
        a = middle + (change.change - change.half_width) * scale
        b = middle + (change.change + change.half_width) * scale
        colour = HexColor(VERMILLION if change.changed else "#888888")
        drawing.add(Line(a, y, b, y, strokeColor=colour, strokeWidth=2.2))
        at = middle + change.change * scale
        fill = colour if change.changed else HexColor("#FFFFFF")
        drawing.add(Rect(at - 2.5, y - 2.5, 5, 5, fillColor=fill, strokeColor=colour))
    return drawing


def margin_bar(margin: float | None, passed: bool | None) -> Drawing:
    """How far a monitor's result is inside its limits: the limit is the line in the middle."""
    width, height = 80.0, 9.0
    drawing = Drawing(width, height)
    drawing.add(_block(0, 2, width, 5, HexColor("#EEEEEE")))
    if margin is not None:
        colour = HexColor(VERMILLION if passed is False else ORANGE if margin < 0.1 else BLUE)
        start, end = sorted((width / 2, width / 2 * (1 + margin)))
        drawing.add(_block(start, 2, max(end - start, 1), 5, colour))
    drawing.add(Line(width / 2, 0, width / 2, height, strokeColor=GREY, strokeWidth=1))
    return drawing


# --- parts ---


def _strip(drawing: Drawing, strip: Strip, y: float, place: Callable[[float], float]) -> None:
    found = [line.y[np.isfinite(line.y)] for line in strip.lines]
    joined = np.concatenate(found) if found else np.empty(0)
    ends = (float(joined.min()), float(joined.max())) if len(joined) else (0.0, 1.0)
    low, high = _padded(*ends)

    def level(value: float) -> float:
        return y + (value - low) / (high - low) * STRIP

    if strip.band is not None:
        a = max(low, low if strip.band[0] is None else strip.band[0])
        b = min(high, high if strip.band[1] is None else strip.band[1])
        if b > a:
            wide, tall = WIDTH - LEFT - RIGHT, level(b) - level(a)
            drawing.add(_block(LEFT, level(a), wide, tall, _pale(GREEN)))
    for tick in _ticks(low, high, 3):
        drawing.add(Line(LEFT, level(tick), WIDTH - RIGHT, level(tick), strokeColor=LIGHT))
        drawing.add(_text(_plain(tick), LEFT - 4, level(tick) - 2.5, anchor="end"))
    for index, line in enumerate(strip.lines):
        colour = HexColor(LINE_COLOURS[index % len(LINE_COLOURS)])
        for points in _pieces(line, place, level):
            drawing.add(
                PolyLine(
                    points,
                    strokeColor=colour,
                    strokeWidth=0.9,
                    strokeDashArray=DASHES[index % len(DASHES)],
                )
            )
    drawing.add(Line(LEFT, y, LEFT, y + STRIP, strokeColor=GREY, strokeWidth=0.6))
    _strip_names(drawing, strip, y)


def _strip_names(drawing: Drawing, strip: Strip, y: float) -> None:
    """Unit at the left, names at the upper left inside, each with a piece of its line."""
    drawing.add(_text(strip.unit, 0, y + STRIP - 7))
    x = LEFT + 4
    for index, line in enumerate(strip.lines):
        colour = HexColor(LINE_COLOURS[index % len(LINE_COLOURS)])
        wide = fonts.width_of(line.name, SIZE) + 22
        drawing.add(_block(x - 2, y + STRIP - 9, wide, 9, HexColor("#FFFFFF")))
        drawing.add(
            Line(
                *(x, y + STRIP - 4.5, x + 14, y + STRIP - 4.5),
                strokeColor=colour,
                strokeWidth=1.2,
                strokeDashArray=DASHES[index % len(DASHES)],
            )
        )
        drawing.add(_text(line.name, x + 17, y + STRIP - 7))
        x += wide + 4


def _pieces(
    line: Line2D, place: Callable[[float], float], level: Callable[[float], float]
) -> list[list[float]]:
    """Runs of points without gaps, thinned to the lowest and highest of each third of a point."""
    good = np.isfinite(line.x) & np.isfinite(line.y)
    x, y = line.x[good], line.y[good]
    if len(x) < 2:
        return []
    steps = np.diff(x)
    usual = float(np.median(steps)) or 1e-9
    wide = np.flatnonzero(steps > max(12 * usual, (x[-1] - x[0]) / 100))
    pieces = []
    for xs, ys in zip(np.split(x, wide + 1), np.split(y, wide + 1), strict=True):
        kept = _thinned(np.array([place(v) for v in (xs[0], xs[-1])]), xs, ys)
        points = [c for i in kept for c in (round(place(xs[i]), 2), round(level(ys[i]), 2))]
        if len(points) >= 4:
            pieces.append(points)
    return pieces


def _thinned(ends: Floats, x: Floats, y: Floats) -> list[int]:
    columns = max(2, round(float(ends[1] - ends[0]) * 1.5))
    if len(x) <= 2 * columns:
        return list(range(len(x)))
    edges = np.searchsorted(x, np.linspace(x[0], x[-1], columns + 1)[1:-1])
    kept: set[int] = {0, len(x) - 1}
    for start, stop in zip((0, *edges), (*edges, len(x)), strict=True):
        if stop > start:
            part = y[start:stop]
            kept |= {int(start + part.argmin()), int(start + part.argmax())}
    return sorted(kept)


def _ribbon(
    drawing: Drawing,
    y: float,
    conditions: Sequence[ConditionSpan],
    legend: list[list[Condition]],
    place: Callable[[float], float],
) -> float:
    """The legend and, under it, the ribbon; gives the y below both."""
    for row in legend:
        y -= 11
        x = LEFT
        for condition in row:
            colour = HexColor(CONDITION_COLOURS[condition])
            drawing.add(_block(x, y + 1, 8, 6, colour))
            drawing.add(_text(condition.value, x + 11, y + 1.5))
            x += 20 + fonts.width_of(condition.value, SIZE)
    y -= 10
    for span in conditions:
        a, b = place(span.start_ns / 60e9), place(span.end_ns / 60e9)
        colour = HexColor(CONDITION_COLOURS[span.condition])
        drawing.add(_block(a, y, max(b - a, 0.1), 7, colour))
    return y - 4


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


def _evidence(
    drawing: Drawing, evidence: Sequence[Span], y: float, place: Callable[[float], float]
) -> None:
    for span in evidence:
        a, b = place(span.start_ns / 60e9), place(span.end_ns / 60e9)
        drawing.add(_block(a, y, max(b - a, 0.5), STRIP, _pale(ORANGE)))


def _x_axis(
    drawing: Drawing, y: float, low: float, high: float, place: Callable[[float], float]
) -> None:
    drawing.add(Line(LEFT, y, WIDTH - RIGHT, y, strokeColor=GREY, strokeWidth=0.6))
    for tick in _ticks(low, high, 8):
        drawing.add(Line(place(tick), y, place(tick), y - 2.5, strokeColor=GREY))
        drawing.add(_text(_plain(tick), place(tick), y - 10, anchor="middle"))


def _x_range(strips: Sequence[Strip]) -> tuple[float, float]:
    ends = [
        edge
        for strip in strips
        for line in strip.lines
        if len(line.x)
        for edge in (float(np.nanmin(line.x)), float(np.nanmax(line.x)))
        if math.isfinite(edge)
    ]
    low, high = (min(ends), max(ends)) if ends else (0.0, 1.0)
    return low, high if high > low else low + 1.0


_LEAST_SHARE = 1e-9
"""A range narrower than this share of its values is drawn like a single value: no number of it
could be told from the next."""


def _padded(low: float, high: float) -> tuple[float, float]:
    span = high - low
    if span <= _LEAST_SHARE * max(abs(low), abs(high), 1e-9):
        span = max(abs(high), 1.0) * 0.1
    return low - 0.04 * span, high + 0.12 * span


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Round values within the range, `about` so many."""
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _plain(value: float) -> str:
    return f"{value:.6g}".replace("-0", "0") if value == 0 else f"{value:.6g}"


def _pale(colour: str) -> HexColor:
    """A quarter of the colour on white."""
    whole = HexColor(colour)
    parts = (round(255 * (1 - (1 - part) * 0.25)) for part in (whole.red, whole.green, whole.blue))
    return HexColor("#{:02X}{:02X}{:02X}".format(*parts))


def _block(x: float, y: float, width: float, height: float, fill: HexColor) -> Rect:
    """A filled rectangle without an outline."""
    return Rect(x, y, width, height, fillColor=fill, strokeColor=None, strokeWidth=0)


def _text(text: str, x: float, y: float, anchor: str = "start") -> String:
    return String(
        *(x, y, text), fontName=fonts.REGULAR, fontSize=SIZE, textAnchor=anchor, fillColor=GREY
    )
