"""Charts over time: strips one above the other, of one drive or of both sides on one scale.

Names, the driving conditions and events stand beside the plots, never on them; what a color says is
also told by dashes, hatches or edges.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis.model import Condition, ConditionSpan, Span
from logbench.foreign import in_label
from logbench.report import fonts
from logbench.report.drawing import (
    AREA,
    CONDITION_LOOKS,
    GREEN,
    LEFT,
    ORANGE,
    SIZE,
    WIDTH,
    Box,
    Chart,
    Floats,
    Label,
    Line,
    Place,
    bottom_axis,
    hatched,
    left_axis,
    line_between,
    padded,
    pale,
    pieces,
    rule,
    strokes,
)
from logbench.signals.numbers import Ends, ends_text, figure_text, time_text
from logbench.system.limits import NOTE_CHARS
from logbench.words import tr, word

STRIP, GAP, _BETWEEN, _ROW = 58.0, 7.0, 14.0, 10.5
"""Points: height of a strip, room below it, between two drives, of a row of words."""
_MOST_SAID = 12
"""Shaded stretches named in the words of a chart."""


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
    """Lines on one scale. `height` in points; `zero`: with a line at 0; `band`: the usual range of
    what is drawn, in the strip's unit."""

    unit: str
    lines: tuple[Line2D, ...]
    height: float = STRIP
    zero: bool = False
    band: Ends | None = None


@dataclass(frozen=True, slots=True)
class Shade:
    """A stretch of time with a color behind it and edges at its ends."""

    span: Span
    color: str = ORANGE


@dataclass(frozen=True, slots=True)
class Told:
    """Something said of a moment of the drive, `at` in minutes."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One drive: its strips, its driving conditions in minutes on top, and what is marked in it.
    `title`: which drive it is, where there are two."""

    strips: tuple[Strip, ...]
    title: str = ""
    conditions: tuple[ConditionSpan, ...] = ()
    shades: tuple[Shade, ...] = ()
    told: tuple[Told, ...] = ()


def strips_chart(panels: Sequence[Panel], x_label: str) -> Chart:
    """Drives side by side, each with the same strips: one scale of time and one for each row of
    strips. Without strips, an empty chart."""
    if not any(panel.strips for panel in panels):
        return Chart(WIDTH, 1.0, "Nothing of it was recorded.")
    return _Sheet(panels, x_label).draw()


class _Sheet:
    """A chart of strips while it is laid out; `_y` goes down from the top."""

    def __init__(self, panels: Sequence[Panel], x_label: str) -> None:
        self._panels, self._x_label = panels, x_label
        self._rows = [_Row(strips) for strips in zip(*(p.strips for p in panels), strict=True)]
        wide = (AREA - _BETWEEN * (len(panels) - 1)) / len(panels)
        self._lefts = [LEFT + n * (wide + _BETWEEN) for n in range(len(panels))]
        self._wide = wide
        self._low, self._high = _x_range(panels)
        self._places = [
            line_between(self._low, self._high, left, left + wide) for left in self._lefts
        ]
        self._seen = list(
            dict.fromkeys(
                span.condition
                for panel in panels
                for span in panel.conditions
                if span.condition is not Condition.OTHER
            )
        )
        self._numbered = _numbered(panels, self._places)
        self._chart = Chart(WIDTH, 0.0)
        self._y = 0.0

    def draw(self) -> Chart:
        """All of it."""
        legend = _flow([20 + fonts.width_of(word(c.value), SIZE) for c in self._seen])
        titles = [fonts.wrapped(in_label(p.title), SIZE, self._wide) for p in self._panels]
        titled = max(map(len, titles))
        ribbon = any(panel.conditions for panel in self._panels)
        levels = max((n.level + 1 for n in self._numbered), default=0)
        listed = [line for n in self._numbered for line in _told_lines(n)]
        top = 4.0 + _ROW * (titled + len(legend) + levels) + (13.0 if ribbon else 0.0)
        strips = sum(row.height + GAP for row in self._rows)
        foot = 22.0 + (_ROW * len(listed) + 4.0 if listed else 0.0)
        self._chart.height = self._y = top + strips + foot
        self._chart.words = "\n".join(_said(self._panels, self._x_label))
        self._titles(titles)
        self._conditions_legend(legend)
        if ribbon:
            self._ribbon()
        self._numbers(levels)
        lines_from = self._y
        for row in self._rows:
            self._strip_row(row)
        self._told_rules(lines_from, self._y + GAP)
        self._feet()
        for line in listed:
            self._y -= _ROW
            self._chart.add(Label(line, LEFT, self._y + 2))
        return self._chart

    def _titles(self, titles: list[list[str]]) -> None:
        for title, left in zip(titles, self._lefts, strict=True):
            for number, line in enumerate(title, 1):
                y = self._y - _ROW * number + 2
                self._chart.add(Label(line, left, y, color="#333333"))
        self._y -= _ROW * max(map(len, titles))

    def _conditions_legend(self, rows: list[list[tuple[int, float]]]) -> None:
        for row in rows:
            self._y -= _ROW
            for index, x in row:
                condition = self._seen[index]
                look = CONDITION_LOOKS[condition]
                self._chart.add(*hatched(x, self._y + 1, 10, 7, look))
                self._chart.add(Label(word(condition.value), x + 13, self._y + 2))

    def _ribbon(self) -> None:
        self._y -= 13.0
        for panel, place in zip(self._panels, self._places, strict=True):
            for span in panel.conditions:
                a, b = place(span.start_ns / 60e9), place(span.end_ns / 60e9)
                look = CONDITION_LOOKS[span.condition]
                self._chart.add(*hatched(a, self._y + 1, max(b - a, 0.1), 10, look))

    def _numbers(self, levels: int) -> None:
        self._y -= _ROW * levels
        for told in self._numbered:
            y = self._y + _ROW * told.level + 2
            self._chart.add(Label(str(told.number), told.x, y, "middle", "#333333"))

    def _told_rules(self, top: float, bottom: float) -> None:
        for told in self._numbered:
            self._chart.add(Line(((told.x, bottom, told.x, top),), "#333333", 0.5, (1, 1.5)))

    def _strip_row(self, row: _Row) -> None:
        """Unit and names, and below them the plots of all drives."""
        for number, names in enumerate(row.legend):
            self._y -= _ROW
            if number == 0:
                self._chart.add(Label(row.unit, 0, self._y + 2))
            for index, x in names:
                self._name(row, index, x)
        self._y -= row.plot_height
        level = line_between(row.low, row.high, self._y, self._y + row.plot_height)
        for panel, place, left, strip in zip(
            self._panels, self._places, self._lefts, row.strips, strict=True
        ):
            self._plot(panel, strip, row, (left, place, level))
        self._y -= GAP

    def _name(self, row: _Row, index: int, x: float) -> None:
        y = self._y + 4.5
        if index == len(row.looks):
            a, b = _BAND_LOOK
            self._chart.add(Box(x, self._y + 1, 14, 7, a))
            self._chart.add(
                Line(((x, y - 3.5, x + 14, y - 3.5), (x, y + 3.5, x + 14, y + 3.5)), b, 0.6, (3, 2))
            )
            self._chart.add(Label(_band(), x + 17, self._y + 2))
            return
        name, (color, dash) = list(row.looks.items())[index]
        self._chart.add(Line(((x, y, x + 14, y),), color, 1.2, dash))
        self._chart.add(Label(in_label(name), x + 17, self._y + 2))

    def _plot(
        self, panel: Panel, strip: Strip, row: _Row, where: tuple[float, Place, Place]
    ) -> None:
        left, place, level = where
        chart, right, y, tall = self._chart, left + self._wide, self._y, row.plot_height
        band = strip.band or (None, None)
        if strip.band is not None:
            a, b = (e if b is None else b for b, e in zip(band, (row.low, row.high), strict=True))
            chart.add(Box(left, level(a), right - left, level(b) - level(a), _BAND_LOOK[0]))
        for shade in panel.shades:
            a, b = place(shade.span.start_ns / 60e9), place(shade.span.end_ns / 60e9)
            b = max(b, a + 0.5)
            chart.add(Box(a, y, b - a, tall, pale(shade.color)))
            if b - a > 2.0:
                chart.add(Line(((a, y, a, y + tall), (b, y, b, y + tall)), shade.color))
            chart.add(Box(a, y, b - a, 2.5, shade.color))
        edges = tuple((left, level(end), right, level(end)) for end in band if end is not None)
        if edges:
            chart.add(Line(edges, _BAND_LOOK[1], 0.6, (3, 2)))
        left_axis(chart, row.low, row.high, round(3 * tall / STRIP), level, left, right)
        if strip.zero and row.low < 0.0 < row.high:
            chart.add(rule(left, level(0.0), right, level(0.0)))
        for line in strip.lines:
            color, dash = row.looks[line.name]
            runs = pieces(line.x, line.y, place, level, line.gap)
            if runs:
                chart.add(Line(tuple(runs), color, 0.9, dash))
        chart.add(rule(left, y, left, y + tall))

    def _feet(self) -> None:
        y = self._y + GAP
        for left, place in zip(self._lefts, self._places, strict=True):
            right = left + self._wide
            bottom_axis(self._chart, y, self._low, self._high, place, left, right)
        self._y = y - 22.0
        self._chart.add(Label(self._x_label, LEFT + AREA, self._y + 2, "end"))


_BAND_LOOK = (pale(GREEN), "#4F7F6F")


def _band() -> str:
    return tr("usual range")


class _Row:
    """The strips of all drives in one row: on one scale, with one legend."""

    def __init__(self, strips: Sequence[Strip]) -> None:
        self.strips, self.unit = strips, strips[0].unit
        slots = {line.name: line.slot for strip in strips for line in strip.lines}
        self.looks = dict(zip(slots, strokes(slots.values()), strict=True))
        names = [*self.looks, *([_band()] if any(s.band is not None for s in strips) else [])]
        self.legend = _flow([26 + fonts.width_of(in_label(name), SIZE) for name in names])
        self.plot_height = max(strip.height for strip in strips)
        self.height = self.plot_height + _ROW * len(self.legend)
        found = [line.y[np.isfinite(line.y)] for strip in strips for line in strip.lines]
        ends = [float(e) for strip in strips for e in strip.band or () if e is not None]
        joined = np.concatenate([*found, np.array(ends)])
        least, most = (joined.min(), joined.max()) if len(joined) else (0.0, 1.0)
        self.low, self.high = padded(float(least), float(most), room=0.06)


def _x_range(panels: Sequence[Panel]) -> tuple[float, float]:
    lines = (line for panel in panels for strip in panel.strips for line in strip.lines)
    x = np.concatenate([np.empty(0), *(line.x for line in lines)])
    x = x[np.isfinite(x)]
    low, high = (float(x.min()), float(x.max())) if len(x) else (0.0, 1.0)
    return low, high if high > low else low + 1.0


def _flow(widths: Iterable[float]) -> list[list[tuple[int, float]]]:
    """Entries of a legend so wide, in rows: index and x of each."""
    rows: list[list[tuple[int, float]]] = []
    x = WIDTH
    for index, wide in enumerate(widths):
        if x + wide > WIDTH and not (rows and x == LEFT):
            rows.append([])
            x = LEFT
        rows[-1].append((index, x))
        x += wide
    return rows


# --- events ---


@dataclass(frozen=True, slots=True)
class _Numbered:
    told: Told
    number: int
    x: float
    level: int
    """Row above the strips: numbers of one row do not touch."""


def _numbered(panels: Sequence[Panel], places: Sequence[Place]) -> list[_Numbered]:
    found: list[_Numbered] = []
    for panel, place in zip(panels, places, strict=True):
        ends: list[float] = []
        for told in sorted(panel.told, key=lambda one: one.at):
            x = place(told.at)
            level = next((n for n, end in enumerate(ends) if x - end > 14.0), len(ends))
            ends[level : level + 1] = [x]
            found.append(_Numbered(told, len(found) + 1, x, level))
    return found


def _told_lines(numbered: _Numbered) -> list[str]:
    """Number, time and the whole text, in as many lines as it takes."""
    at, text = _clock(numbered.told.at), in_label(numbered.told.text, most=NOTE_CHARS)
    words = f"{numbered.number} · {at} · {text}"
    return fonts.wrapped(words, SIZE, AREA)


def _clock(minutes: float) -> str:
    return time_text(minutes * 60)


# --- in words ---


def _said(panels: Sequence[Panel], x_label: str) -> Iterator[str]:
    low, high = _x_range(panels)
    yield tr(
        "Lines over {what}, {least} to {most}.",
        what=x_label or tr("time"),
        least=figure_text(low),
        most=figure_text(high),
    )
    for panel in panels:
        head = f"{in_label(panel.title)}: " if panel.title else ""
        parts = [said for strip in panel.strips for said in _strip_said(strip)]
        yield head + "; ".join(parts) + "."
        spans = [
            tr(
                "{start} to {end}",
                start=_clock(shade.span.start_ns / 60e9),
                end=_clock(shade.span.end_ns / 60e9),
            )
            for shade in panel.shades
        ]
        if spans:
            yield _shaded(spans)
        if panel.conditions:
            yield tr("Driving conditions: {shares}.", shares=", ".join(_shares(panel.conditions)))
        for told in panel.told:
            text = in_label(told.text, most=NOTE_CHARS)
            yield tr("At {time}: {text}", time=_clock(told.at), text=text)


def _shaded(spans: Sequence[str]) -> str:
    named, more = ", ".join(spans[:_MOST_SAID]), len(spans) - _MOST_SAID
    if more > 0:
        return tr("Shaded, in minutes and seconds: {spans} and {n} more.", spans=named, n=more)
    return tr("Shaded, in minutes and seconds: {spans}.", spans=named)


def _strip_said(strip: Strip) -> Iterator[str]:
    for line in strip.lines:
        y = line.y[np.isfinite(line.y)]
        name = in_label(line.name)
        if not len(y):
            yield tr("{name} without a value", name=name)
            continue
        least, middle, most = (figure_text(float(v)) for v in (y.min(), np.median(y), y.max()))
        yield tr(
            "{name} from {least} to {most} {unit}, half of it below {middle}",
            name=name,
            least=least,
            most=most,
            unit=strip.unit,
            middle=middle,
        )
    if strip.band is not None:
        within = f"{ends_text(strip.band)} {strip.unit}"
        yield tr("usual range {range}", range=within)


def _shares(conditions: Sequence[ConditionSpan]) -> Iterator[str]:
    lasted: dict[Condition, int] = {}
    for span in conditions:
        lasted[span.condition] = lasted.get(span.condition, 0) + span.end_ns - span.start_ns
    whole = max(sum(lasted.values()), 1)
    for condition, ns in sorted(lasted.items(), key=lambda item: -item[1]):
        if condition is not Condition.OTHER:
            yield f"{word(condition.value)} {100 * ns / whole:.0f} %"
