"""Charts and figures: everything inside the drawing, extremes kept, units as pint has them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String

from logbench.analysis.model import Condition, ConditionSpan, Span
from logbench.report.charts import (
    Bar,
    Cell,
    Change,
    Line2D,
    Shade,
    Strip,
    bars_chart,
    cells_chart,
    changes_chart,
    detectable_chart,
    margin_bar,
    strips_chart,
)
from logbench.report.fonts import width_of

finite = st.floats(-1e6, 1e6)


def inside(drawing: Drawing, slack: float = 3.0) -> None:
    for shape in drawing.contents:
        xs: list[float] = []
        ys: list[float] = []
        if isinstance(shape, PolyLine):
            xs, ys = shape.points[::2], shape.points[1::2]
        elif isinstance(shape, Line):
            xs, ys = [shape.x1, shape.x2], [shape.y1, shape.y2]
        elif isinstance(shape, Rect):
            xs = [shape.x, shape.x + shape.width]
            ys = [shape.y, shape.y + shape.height]
        elif isinstance(shape, String):
            wide = width_of(shape.text, shape.fontSize)
            left = {"start": 0.0, "middle": wide / 2, "end": wide}[shape.textAnchor]
            xs, ys = [shape.x - left, shape.x - left + wide], [shape.y, shape.y + shape.fontSize]
        assert all(math.isfinite(v) for v in (*xs, *ys))
        assert all(-slack <= x <= drawing.width + slack for x in xs), shape
        assert all(-slack <= y <= drawing.height + slack for y in ys), shape


@settings(max_examples=40, deadline=None)
@example([math.nan, 5e-324])
@example([0.0, 5.4e-14])
@example([1.0, 1.0 + 1e-15])
@given(st.lists(st.one_of(finite, st.just(math.nan)), min_size=2, max_size=60))
def test_strips_stay_inside_whatever_the_values(values):
    y = np.array(values)
    x = np.linspace(0.0, 19.0, len(y))
    spans = [ConditionSpan(0, 600_000_000_000, condition) for condition in Condition]
    strips = [Strip("km/h", (Line2D("VSS", x, y), Line2D("RPM", x, y * 2)), zero=True)]
    inside(strips_chart(strips, "minutes", spans, [Shade(Span(0, 60_000_000_000))]))


def test_thinning_keeps_the_extremes_and_gaps_stay_gaps():
    x = np.linspace(0.0, 20.0, 100_000)
    y = np.sin(x)
    y[50_000] = 9.0
    y[60_000] = -9.0
    drawing = strips_chart([Strip("V", (Line2D("X", x, y),))], "min")
    (line,) = [s for s in drawing.contents if isinstance(s, PolyLine)]
    assert len(line.points) < 6000
    heights = line.points[1::2]
    assert max(heights) - min(heights) == pytest.approx((58 - 9.5) / 1.04, rel=0.02)
    keep = (x < 8) | (x > 12)
    drawing = strips_chart([Strip("V", (Line2D("X", x[keep], y[keep]),))], "min")
    assert len([s for s in drawing.contents if isinstance(s, PolyLine)]) == 2


def test_empty_strips_and_single_samples():
    nothing = np.empty(0)
    inside(strips_chart([Strip("V", (Line2D("X", nothing, nothing),))], "min"))
    inside(strips_chart([Strip("V", (Line2D("X", np.array([1.0]), np.array([2.0])),))], "min"))
    inside(strips_chart([], "min"))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(finite, finite, st.floats(0, 1e5)), min_size=1, max_size=8))
def test_bars_and_changes_stay_inside(rows):
    bars = [Bar("bank 1, a very long label indeed", ((a, h), (b, None))) for a, b, h in rows]
    inside(bars_chart(bars, "%", (-10.0, 10.0)))
    inside(bars_chart(bars, "%", (None, 10.0)))
    inside(bars_chart([Bar("x", ((None, None), (None, None)))], "%", None))
    changes = [Change("label " * 20, "text " * 20, a, h, changed=True) for a, _, h in rows]
    inside(changes_chart([*changes, Change("x", "–", None, None, changed=False)]))
    inside(detectable_chart(changes, "units"))
    inside(detectable_chart([], "units"))


def test_a_bar_on_the_common_axis_stands_where_its_size_says():
    """1 and 2 lie on the linear part, 20 a decade above 2: as far again as 2 is from 0."""
    sizes = (1.0, 2.0, 20.0)
    rows = [Change("a", "b", 3.0 * size, 0.0, changed=True, detectable=3.0) for size in sizes]
    drawing = detectable_chart(rows, "units")
    marks = [s.x + 2.5 for s in drawing.contents if isinstance(s, Rect) and s.width == 5]
    middle = 160 + (500 - 158 - 160) / 2
    one, two, twenty = (mark - middle for mark in marks)
    assert two == pytest.approx(2 * one)
    assert twenty == pytest.approx(2 * two)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8), st.none() | finite), max_size=9))
def test_cells_stay_inside(rows):
    cells = [
        Cell((500.0 * x, 500.0 * x + 500), (10.0 * y, 10.0 * y + 10), value, 1.0, ringed=True)
        for x, y, value in rows
    ]
    drawing = cells_chart(cells, "engine speed, rpm", "load, %", "after − before, %")
    inside(drawing)
    shown = [s.text for s in drawing.contents if isinstance(s, String)]
    values = [value for *_, value in rows if value is not None and abs(value) >= 5e-4]
    texts = {f"{v:+.0f}" if abs(v) >= 100 else f"{v:+.2g}" for v in values}
    assert {text.replace("-", "−") for text in texts} <= set(shown)


def test_a_long_subject_of_a_bar_is_not_cut():
    label = "bank 1, load against idle"
    drawing = bars_chart([Bar(label, ((1.0, None), (2.0, None)))] * 8, "%", None)
    inside(drawing)
    shown = " ".join(s.text for s in drawing.contents if isinstance(s, String))
    assert "…" not in shown
    assert all(word in shown for word in label.replace(",", "").split())


@pytest.mark.parametrize(("margin", "right"), [(1.0, 80.0), (0.5, 60.0), (-1.0, 40.0), (0.0, 41.0)])
def test_margin_bars(margin, right):
    drawing = margin_bar(margin, margin >= 0)
    inside(drawing)
    bar = drawing.contents[1]
    assert bar.x + bar.width == pytest.approx(right)
    assert len(margin_bar(None, None).contents) == 2


@settings(max_examples=60, deadline=None)
@example(-12.0, 52.0)
@example(-0.4, 0.7)
@example(12.1, 2.6)
@given(st.floats(-1e4, 1e4), st.floats(0.01, 1e4))
def test_the_axis_of_a_strip_has_two_true_labels(low, span):
    x, y = np.linspace(0.0, 19.0, 20), np.linspace(low, low + span, 20)
    drawing = strips_chart([Strip("%", (Line2D("TRIM", x, y),))], "minutes")
    texts = [s.text for s in drawing.contents if isinstance(s, String) and s.textAnchor == "end"]
    numbers = [text for text in texts if text != "minutes"]
    assert len(set(numbers)) == len(numbers) >= 2
    for text in numbers:
        assert not (text.startswith(("-", "−")) and not text.strip("-−0.,"))
        assert low - span <= float(text.replace(",", "").replace("−", "-")) <= low + 2 * span
