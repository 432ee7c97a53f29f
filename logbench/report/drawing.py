"""What every chart of a document is drawn with: labels, lines and boxes in points, colors, scales,
axes; and the way to SVG and PNG.

A `Chart` knows no document engine: `svg()` is its picture, `words` what it shows for those who
cannot see it.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from logbench.analysis.model import Condition, Verdict
from logbench.foreign import in_label, in_plot
from logbench.recording.storage import write_whole
from logbench.report import fonts
from logbench.signals.catalog import told_apart
from logbench.signals.numbers import axis_labels

WIDTH = 500.0
"""Points; whoever shows a chart scales it to the page."""
LEFT, RIGHT = 62.0, 6.0
"""Room beside the area of a chart with a scale at its left."""
AREA = WIDTH - LEFT - RIGHT
SIZE = 8.2
GRAY, LIGHT = "#666666", "#DDDDDD"
WHITE, MIDDLE, DIM = "#FFFFFF", "#888888", "#BBBBBB"
BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILLION, PURPLE = (
    *("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"),
)
"""The Okabe-Ito set, told apart with any color vision (Okabe & Ito 2008); line styles, hatches and
edges tell the same without any."""
LINE_COLORS = (BLUE, VERMILLION, GREEN, PURPLE, "#B27B00", "#1A2027", "#2E8FC9")
"""By slot, as the window's on its light ground."""
CONDITION_LOOKS = {
    Condition.KEY_ON: (DIM, "\\\\"),
    Condition.CRANKING: (BLACK, ""),
    Condition.COLD_IDLE: (SKY, "/"),
    Condition.WARM_IDLE: (GREEN, ""),
    Condition.FAST_IDLE: (YELLOW, "\\"),
    Condition.CRUISE: (BLUE, "x"),
    Condition.ACCELERATION: (ORANGE, "|"),
    Condition.FULL_THROTTLE: (VERMILLION, "+"),
    Condition.FUEL_CUT: (PURPLE, "-"),
    Condition.ENGINE_OFF: (LIGHT, ""),
    Condition.GLOW: ("#F6D9B8", "//"),
    Condition.REGENERATION: ("#8C3B33", "--"),
    Condition.ELECTRIC: ("#8FC65A", "||"),
    Condition.HALT: ("#DDE8D2", "++"),
    Condition.OTHER: ("#F2F2F2", ""),
}
"""Color and hatch of each driving condition: no two are alike in gray."""
_HATCHES = {"/": (45.0,), "\\": (135.0,), "x": (45.0, 135.0), "-": (0.0,), "|": (90.0,),
            "+": (0.0, 90.0), "": ()}  # fmt: skip
"""Directions of a hatch's lines; a sign written twice stands for denser ones."""
VERDICT_COLORS = {Verdict.WATCH: ORANGE, Verdict.ACT: VERMILLION}
"""What a finding's evidence is shaded with."""
FALLING, LEVEL, RISING = "#B35806", "#F7F7F7", "#542788"
"""Ends and middle of a diverging scale (ColorBrewer PuOr), told apart with any color vision."""
_DASHES: tuple[tuple[float, ...], ...] = ((), (4, 2), (1, 2), (6, 2, 1, 2))
Floats = npt.NDArray[np.float64]
Place = Callable[[float], float]
"""From a value to points."""


# --- marks ---


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text at (x, y), its foot; `anchor`: start, middle or end."""

    words: str
    x: float
    y: float
    anchor: str = "start"
    color: str = GRAY
    size: float = SIZE

    def svg(self, height: float) -> str:
        """As an element of a picture so high."""
        return (
            f'<text x="{_n(self.x)}" y="{_n(height - self.y)}" text-anchor="{self.anchor}" '
            f'font-size="{self.size:g}" fill="{self.color}">{in_plot(self.words)}</text>'
        )


@dataclass(frozen=True, slots=True)
class Line:
    """Runs of points (x, y, x, y, …), each drawn without a break."""

    runs: tuple[Sequence[float], ...]
    color: str = GRAY
    width: float = 0.6
    dash: tuple[float, ...] = ()

    def svg(self, height: float) -> str:
        """As an element of a picture so high."""
        path = "".join(
            "M"
            + " ".join(
                f"{_n(x)},{_n(height - y)}" for x, y in zip(run[::2], run[1::2], strict=True)
            )
            for run in self.runs
        )
        dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in self.dash)}"' if self.dash else ""
        return (
            f'<path d="{path}" fill="none" stroke="{self.color}" stroke-width="{self.width:g}" '
            f'stroke-linejoin="round"{dash}/>'
        )


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle with its lower left corner at (x, y); None: not filled, without an edge."""

    x: float
    y: float
    width: float
    height: float
    fill: str | None
    edge: str | None = None
    edge_width: float = 1.0

    def svg(self, height: float) -> str:
        """As an element of a picture so high."""
        edge = f' stroke="{self.edge}" stroke-width="{self.edge_width:g}"' if self.edge else ""
        return (
            f'<rect x="{_n(self.x)}" y="{_n(height - self.y - self.height)}" '
            f'width="{_n(self.width)}" height="{_n(self.height)}" fill="{self.fill or "none"}"'
            f"{edge}/>"
        )


Mark = Label | Line | Box


@dataclass(slots=True)
class Chart:
    """A picture in points, y upwards; later marks lie over earlier ones. `words`: what it shows, in
    words."""

    width: float
    height: float
    words: str = ""
    marks: list[Mark] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        """Draw these on top."""
        self.marks += marks

    def svg(self) -> str:
        """One `<svg>` element: no script, no style sheet, no ids, nothing loaded."""
        size = f'width="{_n(self.width)}" height="{_n(self.height)}"'
        inside = "".join(mark.svg(self.height) for mark in self.marks)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} '
            f'viewBox="0 0 {_n(self.width)} {_n(self.height)}" '
            f'font-family="DejaVu Sans, sans-serif">{inside}</svg>'
        )


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def rule(x0: float, y0: float, x1: float, y1: float, color: str = GRAY, width: float = 0.6) -> Line:
    """A straight line, thin if nothing else is said."""
    return Line(((x0, y0, x1, y1),), color, width)


def blend(low: str, high: str, share: float) -> str:
    """A color between two: `low` at 0, `high` at 1."""
    ends = zip(_parts(low), _parts(high), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * share):02X}" for a, b in ends)


def pale(whole: str) -> str:
    """A quarter of the color on white."""
    return blend(WHITE, whole, 0.25)


def lightness(color: str) -> float:
    """0 black to 1 white, as a gray print has it (the luma of ITU-R BT.601)."""
    red, green, blue = _parts(color)
    return (0.299 * red + 0.587 * green + 0.114 * blue) / 255.0


def _parts(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def strokes(slots: Iterable[int]) -> list[tuple[str, tuple[float, ...]]]:
    """Color and dashes of a strip's lines, by their slots: dashes tell their places."""
    return [
        (LINE_COLORS[slot], _DASHES[place % len(_DASHES)])
        for place, slot in enumerate(told_apart(slots))
    ]


def hatched(
    x: float, y: float, width: float, height: float, look: tuple[str, str]
) -> Iterable[Mark]:
    """A rectangle in a color with a hatch, as `CONDITION_LOOKS` has them; the hatches of neighbors
    run through."""
    color, sign = look
    yield Box(x, y, width, height, color)
    step = 2.2 if len(sign) == 2 else 4.0
    ink = WHITE if lightness(color) < 0.45 else "#333333"
    runs = [r for turn in _HATCHES[sign[:1]] for r in hatch((x, y, width, height), turn, step)]
    if runs:
        yield Line(tuple(runs), ink, 0.5)


def hatch(
    box: tuple[float, float, float, float], turn_deg: float, step: float
) -> Iterable[tuple[float, float, float, float]]:
    """Lines in that direction, `step` apart, cut at the edges of a box (x, y, width, height)."""
    x, y, width, height = box
    along = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    across = -along[1], along[0]
    corners = [(cx, cy) for cx in (x, x + width) for cy in (y, y + height)]
    reach = [cx * across[0] + cy * across[1] for cx, cy in corners]
    for n in range(math.floor(min(reach) / step) + 1, math.ceil(max(reach) / step)):
        foot = n * step * across[0], n * step * across[1]
        first, last = -math.inf, math.inf
        for start, way, low, high in (
            (foot[0], along[0], x, x + width),
            (foot[1], along[1], y, y + height),
        ):
            if abs(way) > 1e-9:
                a, b = sorted(((low - start) / way, (high - start) / way))
                first, last = max(first, a), min(last, b)
        if first < last:
            ends = (foot[0] + first * along[0], foot[1] + first * along[1])
            yield (*ends, foot[0] + last * along[0], foot[1] + last * along[1])


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
    chart: Chart, low: float, high: float, about: int, level: Place, left: float, right: float
) -> None:
    """Light lines from `left` to `right` at round values, which stand at the left of the chart."""
    for tick, shown in axis_labels(low, high, about):
        chart.add(rule(left, level(tick), right, level(tick), LIGHT, 1.0))
        if left == LEFT:
            chart.add(Label(shown, LEFT - 4, level(tick) - 2.5, "end"))


def bottom_axis(
    chart: Chart, y: float, low: float, high: float, place: Place, left: float, right: float
) -> None:
    """A line from `left` to `right` with round values below."""
    chart.add(rule(left, y, right, y))
    for tick, shown in axis_labels(low, high, max(2, round((right - left) / 54))):
        chart.add(rule(place(tick), y, place(tick), y - 2.5, GRAY, 1.0))
        chart.add(Label(shown, place(tick), y - 10, "middle"))


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

_PAGE = b"""#set page(width: 524pt, height: auto, margin: 12pt, fill: white)
#set text(font: "DejaVu Sans", size: 9pt)
#align(center, sys.inputs.title.split("\\n").join(linebreak()))
#image(bytes(sys.inputs.chart), format: "svg", width: 100%)
"""
_PPI = 216.0
DESCRIPTION = "Description"
"""The PNG standard's key for what a picture shows."""


def write_png(chart: Chart, path: Path, title: str) -> None:
    """Write a chart under its title as a PNG on white, its words beside the pixels (the PNG
    standard's `Description`). Raises StorageError."""
    import typst
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    made = typst.compile(
        _PAGE,
        format="png",
        ppi=_PPI,
        sys_inputs={"title": in_label(title, lines=True), "chart": chart.svg()},
        font_paths=typst.Fonts(include_system_fonts=False, font_paths=[fonts.FOLDER]),
    )
    said = PngInfo()
    said.add_itxt(DESCRIPTION, "\n".join(filter(None, (in_label(title), chart.words))))
    out = io.BytesIO()
    with Image.open(io.BytesIO(made)) as image:
        image.convert("RGB").save(out, "PNG", pnginfo=said)
    write_whole(path, out.getvalue())
