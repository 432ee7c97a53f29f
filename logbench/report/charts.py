"""Charts of documents that have no axis of time: bars with bands, margins, intervals, cells. Each
says in words what it shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from logbench.foreign import in_label
from logbench.report import fonts
from logbench.report.drawing import (
    AREA,
    BLACK,
    BLUE,
    DIM,
    FALLING,
    GRAY,
    GREEN,
    LEFT,
    LEVEL,
    LIGHT,
    MIDDLE,
    ORANGE,
    RIGHT,
    RISING,
    SIZE,
    VERMILLION,
    WHITE,
    WIDTH,
    Box,
    Chart,
    Label,
    Line,
    Place,
    blend,
    bottom_axis,
    hatch,
    left_axis,
    line_between,
    padded,
    pale,
    rule,
)
from logbench.signals.numbers import Ends, decimal_text, end_text, ends_text
from logbench.words import tr, word

# --- bars ---


@dataclass(frozen=True, slots=True)
class Bar:
    """One subject of a bar chart: value and half width of its interval, before and after."""

    label: str
    sides: tuple[tuple[float | None, float | None], ...]


BARS = 150.0
"""Points: usual height of a chart of bars."""


def bars_chart(bars: Sequence[Bar], unit: str, band: Ends | None, height: float = BARS) -> Chart:
    """Before (solid) and after (open) side by side, with their 95 % intervals, over a band."""
    step = AREA / max(len(bars), 1)
    names = [_name_rows(bar.label, step - 4) for bar in bars]
    bottom = 7.0 + _LINE * max(map(len, names), default=1)
    chart = Chart(WIDTH, height, "\n".join(_bars_said(bars, unit, band)))
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
        chart.add(Box(LEFT, a, AREA, b - a, pale(GREEN)))
        edges = [level(edge) for edge in band if edge is not None]
        runs = tuple((LEFT, y, WIDTH - RIGHT, y) for y in edges)
        chart.add(Line(runs, GREEN, 0.6, (3, 2)))
    left_axis(chart, low, high, 5, level, LEFT, WIDTH - RIGHT)
    chart.add(rule(LEFT, level(0), WIDTH - RIGHT, level(0), GRAY, 1.0))
    chart.add(Label(unit, LEFT - 4, height - 8, "end"))
    for index, (bar, rows) in enumerate(zip(bars, names, strict=True)):
        left = LEFT + step * index
        _bar(chart, bar, left, step, level)
        for number, row in enumerate(rows, 1):
            chart.add(Label(row, left + step / 2, bottom - 3 - _LINE * number, "middle"))
    _bar_legend(chart, height, band is not None)
    return chart


def _bars_said(bars: Sequence[Bar], unit: str, band: Ends | None) -> Iterator[str]:
    for bar in bars:
        values = (
            tr("not known")
            if value is None
            else f"{end_text(value)}{f' ± {end_text(half)}' if half else ''} {unit}".rstrip()
            for value, half in bar.sides
        )
        sides = zip((tr("before"), tr("after")), values, strict=True)
        yield f"{word(bar.label)}: {', '.join(f'{side} {said}' for side, said in sides)}."
    if band is not None:
        within = f"{ends_text(band)} {unit}".rstrip()
        yield tr("Usual range: {range}.", range=within)


def _bar(chart: Chart, bar: Bar, x: float, step: float, level: Place) -> None:
    width = min(26.0, step * 0.32)
    middle = x + step / 2
    for (value, half), left, fill in zip(
        bar.sides, (middle - width - 1, middle + 1), (BLUE, WHITE), strict=True
    ):
        if value is None:
            continue
        y, tall = min(level(0), level(value)), max(abs(level(value) - level(0)), 0.5)
        chart.add(Box(left, y, width, tall, fill, BLUE))
        if half:
            center = left + width / 2
            ends = level(value - half), level(value + half)
            chart.add(rule(center, ends[0], center, ends[1], "#333333", 1.0))


def _name_rows(name: str, wide: float) -> list[str]:
    """A subject in lines so wide, each part on a line of its own."""
    return [row for part in word(name).split(", ") for row in fonts.wrapped(part, SIZE, wide)]


def _bar_legend(chart: Chart, height: float, with_band: bool) -> None:
    x = LEFT + 6
    entries = [(tr("before"), BLUE, BLUE), (tr("after"), WHITE, BLUE)]
    if with_band:
        entries.append((tr("usual range"), pale(GREEN), pale(GREEN)))
    for words, fill, edge in entries:
        chart.add(Box(x, height - 9, 8, 6, fill, edge))
        chart.add(Label(words, x + 11, height - 8.5))
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


_ROW, _LABEL, _LINE = 15.0, 200.0, 9.5


def _nothing_comparable() -> str:
    return tr("Nothing was comparable.")


def changes_chart(changes: Sequence[Change]) -> Chart:
    """One row a quantity: its change with the 95 % interval, each on its own scale around zero."""
    left, right = _LABEL + 8, WIDTH - 120.0
    rows = [_Row(change, _LABEL, right) for change in changes]
    height = sum(row.height for row in rows) + 16
    chart = Chart(WIDTH, height, "\n".join(map(_change_said, changes)))
    middle = (left + right) / 2
    chart.add(rule(middle, 4, middle, height - 12, GRAY, 1.0))
    chart.add(Label(tr("less"), left, height - 8))
    chart.add(Label(tr("no change"), middle, height - 8, "middle"))
    chart.add(Label(tr("more"), right, height - 8, "end"))
    y = height - 14
    for row in rows:
        reach = max(abs(row.change.change or 0.0) + (row.change.half_width or 0.0), 1e-9)
        place = line_between(0.0, reach, middle, middle + (right - left) / 2 * 0.94)
        row.draw(chart, y, place, VERMILLION if row.change.changed else MIDDLE)
        y -= row.height
    return chart


def detectable_chart(changes: Sequence[Change], x_label: str) -> Chart:
    """The same on one axis, in units of what would surely be found (gray): linear to twice that,
    then logarithmic."""
    left, right, foot = _LABEL - 32, WIDTH - 130.0, 26.0
    rows = [_Row(change, left - 8, right) for change in changes]
    height = (sum(row.height for row in rows) or _ROW) + 4 + foot
    chart = Chart(WIDTH, height, "\n".join(map(_change_said, changes)) or _nothing_comparable())
    reaches = ((abs(c.change or 0.0) + (c.half_width or 0.0)) / c.detectable for c in changes)
    most = max([1.0, *reaches])
    line = line_between(-_squeezed(1.05 * most), _squeezed(1.05 * most), left, right)
    a, b = line(-_squeezed(1.0)), line(_squeezed(1.0))
    chart.add(Box(a, foot, b - a, height - foot, LIGHT))
    chart.add(rule(left, foot, right, foot))
    for size in (0, 1, 2, 5, 10, 20, 50, 100):
        for tick in {-size, size} if size <= 1.05 * most else ():
            chart.add(rule(line(_squeezed(tick)), foot, line(_squeezed(tick)), foot - 2.5))
            chart.add(Label(decimal_text(tick, 0), line(_squeezed(tick)), foot - 10, "middle"))
    chart.add(rule(line(0.0), foot, line(0.0), height))
    chart.add(Label(x_label, (left + right) / 2, 2, "middle"))
    y = height - 4
    for row in rows:
        color = VERMILLION if row.change.changed else BLUE
        row.draw(chart, y, partial(_place_of, line, row.change.detectable), color)
        y -= row.height
    if not changes:
        chart.add(Label(_nothing_comparable(), WIDTH / 2, height - 12, "middle"))
    return chart


class _Row:
    """One quantity: its name, a bar with a mark (filled where a change is shown), its text; names
    and texts take as many lines as they need."""

    def __init__(self, change: Change, label_wide: float, right: float) -> None:
        self.change, self._right = change, right
        self._labels = fonts.wrapped(in_label(change.label), SIZE, label_wide)
        self._texts = fonts.wrapped(in_label(change.text), SIZE, WIDTH - right - 8)
        self._lines = max(len(self._labels), len(self._texts), 1)
        self.height = _ROW + _LINE * (self._lines - 1)

    def draw(self, chart: Chart, top: float, place: Place, color: str) -> None:
        """Below `top`."""
        for texts, x in ((self._labels, 0.0), (self._texts, self._right + 8)):
            for number, text in enumerate(texts):
                chart.add(Label(text, x, top - 0.6 * _ROW - 2.5 - _LINE * number))
        value, half = self.change.change, self.change.half_width
        if value is None or half is None:
            return
        y = top - 0.6 * _ROW - _LINE * (self._lines - 1) / 2
        chart.add(rule(place(value - half), y, place(value + half), y, color, 2.2))
        fill = color if self.change.changed else WHITE
        chart.add(Box(place(value) - 2.5, y - 2.5, 5, 5, fill, color))


def _change_said(change: Change) -> str:
    known = tr("a change is shown") if change.changed else tr("no change is shown")
    if change.change is None:
        known = tr("not comparable")
    return f"{in_label(change.label)}: {in_label(change.text)}; {known}."


def _place_of(line: Place, detectable: float, value: float) -> float:
    return line(_squeezed(value / detectable))


def _squeezed(value: float) -> float:
    size = abs(value)
    return math.copysign(size / 2.0 if size <= 2.0 else 1.0 + math.log10(size / 2.0), value)


def margin_bar(margin: float | None, passed: bool | None) -> Chart:
    """How far a monitor's result is inside its limits: the limit is the line in the middle."""
    width, height = 80.0, 9.0
    chart = Chart(width, height, _margin_said(margin))
    chart.add(Box(0, 2, width, 5, "#EEEEEE"))
    if margin is not None:
        color = VERMILLION if passed is False else ORANGE if margin < 0.1 else BLUE
        start, end = sorted((width / 2, width / 2 * (1 + margin)))
        chart.add(Box(start, 2, max(end - start, 1), 5, color))
    chart.add(rule(width / 2, 0, width / 2, height, GRAY, 1.0))
    return chart


def _margin_said(margin: float | None) -> str:
    if margin is None:
        return tr("The margin to the limit is not known.")
    if margin < 0.0:
        return tr("Outside its limits.")
    return tr(
        "Inside its limits, {share:.0f} % of the way from the limit to the middle.",
        share=100 * margin,
    )


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


def cells_chart(cells: Sequence[Cell], x_label: str, y_label: str, scale_label: str) -> Chart:
    """Values over two axes, colored around 0; what has no value is hatched."""
    height, bottom, right = 300.0, 26.0, WIDTH - 76.0
    chart = Chart(WIDTH, height, _cells_said(cells, scale_label))
    if not cells:
        return chart
    x_ends = min(c.x[0] for c in cells), max(c.x[1] for c in cells)
    y_ends = min(c.y[0] for c in cells), max(c.y[1] for c in cells)
    place = line_between(*x_ends, LEFT, right)
    level = line_between(*y_ends, bottom, height - 16)
    left_axis(chart, *y_ends, 6, level, LEFT, right)
    bottom_axis(chart, bottom, *x_ends, place, LEFT, right)
    chart.add(Label(x_label, right, 2, "end"))
    chart.add(Label(y_label, 0, height - 8))
    chart.add(Label(scale_label, WIDTH, height - 8, "end"))
    top = max((abs(c.value) for c in cells if c.value is not None), default=0.0) or 1.0
    for cell in sorted(cells, key=lambda c: c.ringed):
        _cell(chart, cell, place, level, top)
    _color_scale(chart, line_between(-top, top, bottom, height - 16), top)
    return chart


def _cells_said(cells: Sequence[Cell], scale_label: str) -> str:
    values = [cell.value for cell in cells if cell.value is not None]
    if not values:
        return tr("No operating cell was driven on both sides.")
    ringed = sum(cell.ringed for cell in cells)
    return tr(
        "{scale}: {n} operating cells driven on both sides, from {least} to {most}; {ringed} of "
        "them differ by themselves; {lone} were driven on one side only.",
        scale=in_label(scale_label),
        n=len(values),
        least=_two_digits(min(values)),
        most=_two_digits(max(values)),
        ringed=ringed,
        lone=len(cells) - len(values),
    )


def _cell(chart: Chart, cell: Cell, place: Place, level: Place, top: float) -> None:
    (x0, x1), (y0, y1) = map(place, cell.x), map(level, cell.y)
    if cell.value is None:
        chart.add(Line(tuple(hatch((x0, y0, x1 - x0, y1 - y0), cell.hatch_deg, 5.0)), DIM, 0.5))
        return
    edge, width = (BLACK, 1.6) if cell.ringed else (MIDDLE, 0.4)
    fill = _diverging(cell.value / top)
    chart.add(Box(x0, y0, x1 - x0, y1 - y0, fill, edge, width))
    ink = WHITE if abs(cell.value) > 0.65 * top else BLACK
    middle, y = (x0 + x1) / 2, (y0 + y1) / 2
    chart.add(Label(_two_digits(cell.value), middle, y + 1, "middle", ink))
    chart.add(Label(f"±{cell.half_width or 0.0:.2g}", middle, y - 8, "middle", ink))


_NOTHING = 5e-4
"""A difference below this is none that any signal has."""


def _two_digits(value: float) -> str:
    if abs(value) < _NOTHING:
        return "0"
    shown = f"{value:+.0f}" if abs(value) >= 100.0 else f"{value:+.2g}"
    return shown.replace("-", "−")


def _color_scale(chart: Chart, level: Place, top: float) -> None:
    steps = 40
    left, tall = WIDTH - 60.0, (level(top) - level(-top)) / steps
    for step in range(steps):
        color = _diverging((2 * step + 1) / steps - 1)
        chart.add(Box(left, level(-top) + step * tall, 10, tall + 0.2, color))
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        chart.add(Label(_two_digits(share * top), left + 13, level(share * top) - 2.5))


def _diverging(share: float) -> str:
    """-1 to 1."""
    end = FALLING if share < 0 else RISING
    return blend(LEVEL, end, min(abs(share), 1.0))
