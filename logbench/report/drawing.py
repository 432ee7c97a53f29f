"""What every chart of a document is drawn with: text, colors, scales, axes, lines; and
the way to a PNG.

reportlab drawings: vectors in the PDF and in the HTML page. For a PNG the drawing's own PDF is
rendered by pdfium, so that all three show the same.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from reportlab.graphics.shapes import Drawing, Group, Line, Rect, String
from reportlab.lib.colors import HexColor

from logbench.analysis.model import Condition, Verdict
from logbench.recording.storage import write_whole
from logbench.report import fonts
from logbench.signals.catalogue import told_apart
from logbench.signals.numbers import axis_labels

WIDTH = 500.0
"""Points; the renderers scale it to the page."""
LEFT, RIGHT = 62.0, 6.0
"""Room beside the area of a chart with a scale at its left."""
AREA = WIDTH - LEFT - RIGHT
SIZE = 7.5
GRAY, LIGHT = HexColor("#666666"), HexColor("#DDDDDD")
WHITE = HexColor("#FFFFFF")
BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILLION, PURPLE = map(
    HexColor,
    ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"),
)
"""The Okabe-Ito set, told apart with any color vision (Okabe & Ito 2008), with line styles as a
second cue; conditions are named beside their colors."""
LINE_COLORS = (BLUE, VERMILLION, GREEN, PURPLE, *map(HexColor, ("#B27B00", "#1A2027", "#2E8FC9")))
"""By slot, as the window's on its light ground."""
CONDITION_COLORS = {
    Condition.KEY_ON: HexColor("#BBBBBB"),
    Condition.CRANKING: BLACK,
    Condition.COLD_IDLE: SKY,
    Condition.WARM_IDLE: GREEN,
    Condition.FAST_IDLE: YELLOW,
    Condition.CRUISE: BLUE,
    Condition.ACCELERATION: ORANGE,
    Condition.FULL_THROTTLE: VERMILLION,
    Condition.FUEL_CUT: PURPLE,
    Condition.ENGINE_OFF: HexColor("#DDDDDD"),
    Condition.GLOW: HexColor("#F6D9B8"),
    Condition.REGENERATION: HexColor("#8C3B33"),
    Condition.ELECTRIC: HexColor("#8FC65A"),
    Condition.HALT: HexColor("#DDE8D2"),
    Condition.OTHER: HexColor("#F2F2F2"),
}
VERDICT_COLORS = {Verdict.WATCH: ORANGE, Verdict.ACT: VERMILLION}
"""What a finding's evidence is shaded with."""
FALLING, LEVEL, RISING = HexColor("#B35806"), HexColor("#F7F7F7"), HexColor("#542788")
"""Ends and middle of a diverging scale (ColorBrewer PuOr), told apart with any color vision."""
_DASHES: tuple[list[int] | None, ...] = (None, [4, 2], [1, 2], [6, 2, 1, 2])
_MARGIN, _TITLE_SIZE, _PIXELS = 12.0, 10.0, 3.0
"""Of a PNG: points around the drawing, size of its title, pixels a point."""
Floats = npt.NDArray[np.float64]
Place = Callable[[float], float]
"""From a value to points."""


def text(words: str, x: float, y: float, anchor: str = "start", **how: object) -> String:
    """Small gray text; `anchor`: start, middle or end."""
    how = {"fontName": fonts.REGULAR, "fontSize": SIZE, "fillColor": GRAY, **how}
    return String(x, y, words, textAnchor=anchor, **how)


def block(x: float, y: float, width: float, height: float, fill: HexColor) -> Rect:
    """A filled rectangle without an outline."""
    return Rect(x, y, width, height, fillColor=fill, strokeColor=None, strokeWidth=0)


def rule(x0: float, y0: float, x1: float, y1: float) -> Line:
    """A thin line."""
    return Line(x0, y0, x1, y1, strokeColor=GRAY, strokeWidth=0.6)


def pale(whole: HexColor) -> HexColor:
    """A quarter of the color on white."""
    parts = (round(255 * (1 - (1 - part) * 0.25)) for part in (whole.red, whole.green, whole.blue))
    return HexColor("#{:02X}{:02X}{:02X}".format(*parts))


def strokes(slots: Iterable[int]) -> list[dict[str, object]]:
    """Color and dashes of a strip's lines, by their slots: dashes tell their places."""
    return [
        {"strokeColor": LINE_COLORS[slot], "strokeDashArray": _DASHES[place % len(_DASHES)]}
        for place, slot in enumerate(told_apart(slots))
    ]


# --- scales and axes ---

_LEAST_SHARE = 1e-9
"""A range narrower than this share of its values is drawn like a single value: no number of it
could be told from the next."""


def line_between(low: float, high: float, start: float, end: float) -> Place:
    """`low` to `start`, `high` to `end`."""
    return lambda value: start + (value - low) / (high - low) * (end - start)


def padded(low: float, high: float, room: float = 0.1) -> tuple[float, float]:
    """A range with a little room below and `room`, a share of the whole, above."""
    span = high - low
    if span <= _LEAST_SHARE * max(abs(low), abs(high), 1e-9):
        span = max(abs(high), 1.0) * 0.1
    return low - 0.04 * span, high + 1.04 * span * room / (1.0 - room)


def left_axis(
    drawing: Drawing, low: float, high: float, about: int, level: Place, right: float
) -> None:
    """Light lines from LEFT to `right` at round values, which stand at the left."""
    for tick, shown in axis_labels(low, high, about):
        drawing.add(Line(LEFT, level(tick), right, level(tick), strokeColor=LIGHT))
        drawing.add(text(shown, LEFT - 4, level(tick) - 2.5, anchor="end"))


def bottom_axis(
    drawing: Drawing, y: float, low: float, high: float, place: Place, right: float
) -> None:
    """A line from LEFT to `right` with round values below."""
    drawing.add(rule(LEFT, y, right, y))
    for tick, shown in axis_labels(low, high, 8):
        drawing.add(Line(place(tick), y, place(tick), y - 2.5, strokeColor=GRAY))
        drawing.add(text(shown, place(tick), y - 10, anchor="middle"))


# --- lines ---


def pieces(
    x: Floats, y: Floats, place: Place, level: Place, gap: float | None = None
) -> list[list[float]]:
    """A line as runs of points (x, y, x, y, …) without its gaps, thinned to the lowest and highest
    of each third of a point."""
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if len(x) < 2:
        return []
    steps = np.diff(x)
    usual = float(np.median(steps)) or 1e-9
    wide = np.flatnonzero(steps > (gap or max(12 * usual, (x[-1] - x[0]) / 100)))
    found = []
    for xs, ys in zip(np.split(x, wide + 1), np.split(y, wide + 1), strict=True):
        kept = _thinned(place(xs[-1]) - place(xs[0]), xs, ys)
        points = [c for i in kept for c in (round(place(xs[i]), 2), round(level(ys[i]), 2))]
        if len(points) >= 4:
            found.append(points)
    return found


def _thinned(width: float, x: Floats, y: Floats) -> Sequence[int]:
    columns = max(2, round(width * 1.5))
    if len(x) <= 2 * columns:
        return range(len(x))
    edges = np.searchsorted(x, np.linspace(x[0], x[-1], columns + 1)[1:-1])
    kept: set[int] = {0, len(x) - 1}
    for start, stop in zip((0, *edges), (*edges, len(x)), strict=True):
        if stop > start:
            part = y[start:stop]
            kept |= {int(start + part.argmin()), int(start + part.argmax())}
    return sorted(kept)


# --- PNG ---


def write_png(drawing: Drawing, path: Path, title: str = "") -> None:
    """Write a chart under its title as a PNG on white. Raises StorageError."""
    import pypdfium2
    from reportlab.graphics import renderPDF

    width = drawing.width + 2 * _MARGIN
    lines = fonts.wrapped(title, _TITLE_SIZE, drawing.width) if title else []
    height = drawing.height + 2 * _MARGIN + 1.4 * _TITLE_SIZE * len(lines)
    page = Drawing(width, height)
    page.add(Group(*drawing.contents, transform=(1, 0, 0, 1, _MARGIN, _MARGIN)))
    for number, line in enumerate(lines):
        y = height - _MARGIN - _TITLE_SIZE * (0.8 + 1.4 * number)
        page.add(text(line, width / 2, y, "middle", fontSize=_TITLE_SIZE, fillColor=BLACK))
    fonts.register()
    with pypdfium2.PdfDocument(renderPDF.drawToString(page)) as document:
        image = document[0].render(scale=_PIXELS).to_pil()
    out = io.BytesIO()
    image.save(out, "PNG")
    write_whole(path, out.getvalue())
