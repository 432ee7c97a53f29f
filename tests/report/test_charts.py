"""Charts and figures: everything inside the picture, extremes kept, told in gray and in words."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbench.analysis.model import Condition, ConditionSpan, Span
from logbench.foreign import Foreign
from logbench.report.charts import (
    Bar,
    Cell,
    Change,
    bars_chart,
    cells_chart,
    changes_chart,
    detectable_chart,
    margin_bar,
)
from logbench.report.drawing import (
    CONDITION_LOOKS,
    WIDTH,
    Box,
    Chart,
    Label,
    Line,
    hatched,
    lightness,
)
from logbench.report.fonts import width_of
from logbench.report.strips import Line2D, Panel, Shade, Strip, Told, strips_chart

finite = st.floats(-1e6, 1e6)
SVG = "{http://www.w3.org/2000/svg}"


def inside(chart: Chart, slack: float = 3.0) -> None:
    for mark in chart.marks:
        xs: list[float] = []
        ys: list[float] = []
        if isinstance(mark, Line):
            xs = [x for run in mark.runs for x in run[::2]]
            ys = [y for run in mark.runs for y in run[1::2]]
        elif isinstance(mark, Box):
            xs, ys = [mark.x, mark.x + mark.width], [mark.y, mark.y + mark.height]
        else:
            wide = width_of(mark.words, mark.size)
            left = {"start": 0.0, "middle": wide / 2, "end": wide}[mark.anchor]
            xs, ys = [mark.x - left, mark.x - left + wide], [mark.y, mark.y + mark.size]
        assert all(math.isfinite(v) for v in (*xs, *ys))
        assert all(-slack <= x <= chart.width + slack for x in xs), mark
        assert all(-slack <= y <= chart.height + slack for y in ys), mark
    assert chart.words
    ElementTree.fromstring(chart.svg())


def labels(chart: Chart) -> list[str]:
    return [mark.words for mark in chart.marks if isinstance(mark, Label)]


def traces(chart: Chart) -> list[Line]:
    return [m for m in chart.marks if isinstance(m, Line) and m.width == 0.9]


def alone(*lines: Line2D, unit: str = "V", x_label: str = "min", **how) -> Chart:
    return strips_chart([Panel((Strip(unit, lines, **how),))], x_label)


@settings(max_examples=40, deadline=None)
@example([math.nan, 5e-324])
@example([0.0, 5.4e-14])
@example([1.0, 1.0 + 1e-15])
@given(st.lists(st.one_of(finite, st.just(math.nan)), min_size=2, max_size=60))
def test_strips_stay_inside_whatever_the_values(values):
    y = np.array(values)
    x = np.linspace(0.0, 19.0, len(y))
    spans = [ConditionSpan(0, 600_000_000_000, condition) for condition in Condition]
    strip = Strip("km/h", (Line2D("VSS", x, y), Line2D("RPM", x, y * 2)), zero=True, band=(None, 5))
    shades = (Shade(Span(0, 60_000_000_000)),)
    told = tuple(Told(at, "word " * 40) for at in (0.0, 0.1, 19.0))
    panel = Panel((strip,), "Before: a long name · 2026-05-04 09:40", tuple(spans), shades, told)
    inside(strips_chart([panel], "minutes"))
    inside(strips_chart([panel, panel], "minutes"))


def test_thinning_keeps_the_extremes_and_gaps_stay_gaps():
    x = np.linspace(0.0, 20.0, 100_000)
    y = np.sin(x)
    y[50_000] = 9.0
    y[60_000] = -9.0
    (line,) = traces(alone(Line2D("X", x, y)))
    (run,) = line.runs
    assert len(run) < 6000
    heights = run[1::2]
    assert 52 < max(heights) - min(heights) < 58
    keep = (x < 8) | (x > 12)
    (line,) = traces(alone(Line2D("X", x[keep], y[keep])))
    assert len(line.runs) == 2


def test_empty_strips_and_single_samples():
    nothing = np.empty(0)
    inside(alone(Line2D("X", nothing, nothing)))
    inside(alone(Line2D("X", np.array([1.0]), np.array([2.0]))))
    inside(strips_chart([], "min"))


def test_names_stand_above_the_plot_and_hide_nothing_of_it():
    """A box with the names over the plot hid the first minute of a trace."""
    x = np.linspace(0.0, 20.0, 2000)
    names = [f"SIGNAL_{n}" for n in range(9)]
    chart = alone(*(Line2D(name, x, np.sin(x) + n) for n, name in enumerate(names)))
    top = max(y for line in traces(chart) for run in line.runs for y in run[1::2])
    named = [m for m in chart.marks if isinstance(m, Label) and m.words in names]
    assert len(named) == 9
    assert all(label.y > top for label in named)
    drawn = chart.marks.index(traces(chart)[0])
    assert not any(isinstance(mark, Box) for mark in chart.marks[drawn:])


def test_both_sides_share_one_scale_and_one_legend():
    x = np.linspace(0.0, 20.0, 200)
    small, large = (Strip("%", (Line2D("T", x, s * np.sin(x)),), band=(-10, 10)) for s in (2, 20))
    chart = strips_chart([Panel((large,), "Before: a"), Panel((small,), "After: b")], "minutes")
    before, after = ([y for run in line.runs for y in run[1::2]] for line in traces(chart))
    assert max(before) - min(before) == pytest.approx(10 * (max(after) - min(after)), rel=0.02)
    assert labels(chart).count("T") == labels(chart).count("usual range") == 1
    assert {"Before: a", "After: b"} <= set(labels(chart))
    assert "usual range −10 to 10 %" in chart.words
    edges = {
        run[1] for m in chart.marks if isinstance(m, Line) and m.dash == (3, 2) for run in m.runs
    }
    assert len(edges) >= 2, "the band has edges, for gray prints"


def test_what_is_said_of_a_moment_is_never_cut():
    x = np.linspace(0.0, 20.0, 200)
    strip = Strip("V", (Line2D("X", x, x),))
    text = "wiggled the connector " * 20
    told = (Told(3.0, text), Told(3.01, "again"), Told(9.0, "W" * 400))
    chart = strips_chart([Panel((strip,), told=told)], "minutes")
    inside(chart)
    whole = " ".join(labels(chart))
    assert f"1 · 3:00 · {text.strip()}" in whole
    assert "2 · 3:01 · again" in whole
    assert f"At 3:00: {text.strip()}" in chart.words
    ones = [m for m in chart.marks if isinstance(m, Label) and m.words in ("1", "2")]
    assert len({mark.y for mark in ones}) == 2, "two at one place stand above each other"


def test_driving_conditions_are_told_apart_in_gray():
    seen = {}
    for condition, look in CONDITION_LOOKS.items():
        box, *lines = hatched(0, 0, 12, 8, look)
        assert isinstance(box, Box)
        ways = frozenset(
            round(math.degrees(math.atan2(run[3] - run[1], run[2] - run[0]))) % 180
            for line in lines
            for run in line.runs
        )
        dense = sum(len(line.runs) for line in lines) > 5 * len(ways)
        key = (round(lightness(look[0]) * 4), ways, dense)
        assert key not in seen, (condition, seen[key])
        seen[key] = condition


def test_a_hatch_stays_in_its_box_and_neighbors_run_through():
    for turn in ("/", "\\", "x", "-", "|", "+"):
        left = Chart(20.0, 10.0, "x", list(hatched(0, 0, 10, 10, ("#FFFFFF", turn))))
        inside(left, slack=1e-6)
    lines = [list(hatched(x, 0, 10, 10, ("#FFFFFF", "/")))[1] for x in (0, 10)]
    ends = [{round(r[3], 6) for r in lines[0].runs if abs(r[2] - 10) < 1e-6},
            {round(r[1], 6) for r in lines[1].runs if abs(r[0] - 10) < 1e-6}]  # fmt: skip
    assert len(ends[0] & ends[1]) >= 1


def test_foreign_names_are_no_markup_in_the_picture():
    x = np.linspace(0.0, 1.0, 9)
    name = Foreign('<script x="&">')
    panel = Panel((Strip("V", (Line2D(name, x, x),)),), title=name, told=(Told(0.5, name),))
    page = ElementTree.fromstring(strips_chart([panel], "min").svg())
    assert {element.tag for element in page.iter()} <= {f"{SVG}{t}" for t in
            ("svg", "text", "path", "rect")}  # fmt: skip
    assert name in {element.text for element in page.iter(f"{SVG}text")}


def test_an_hour_of_dense_data_stays_a_small_picture():
    x = np.linspace(0.0, 60.0, 360_000)
    wave = np.random.default_rng(1).normal(size=len(x))
    chart = alone(*(Line2D(f"S{n}", x, wave + n) for n in range(4)))
    assert len(chart.svg()) < 4 * 40_000
    assert chart.width == WIDTH


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
    chart = detectable_chart(rows, "units")
    marks = [m.x + 2.5 for m in chart.marks if isinstance(m, Box) and m.width == 5]
    left, right = (next(m.runs[0][i] for m in chart.marks if isinstance(m, Line)) for i in (0, 2))
    middle = (left + right) / 2
    one, two, twenty = (mark - middle for mark in marks)
    assert two == pytest.approx(2 * one)
    assert twenty == pytest.approx(2 * two)


def test_an_interval_reaches_as_far_to_either_side():
    chart = bars_chart([Bar("a", ((5.0, 2.0), (None, None)))], "%", None)
    ((_, low, _, high),) = (
        m.runs[0] for m in chart.marks if isinstance(m, Line) and m.color == "#333333"
    )
    bar = max((m for m in chart.marks if isinstance(m, Box)), key=lambda box: box.height)
    assert (low + high) / 2 == pytest.approx(bar.y + bar.height)
    assert (high - low) / 2 == pytest.approx(bar.height * 2.0 / 5.0)
    for of in (changes_chart, lambda rows: detectable_chart(rows, "x")):
        marks = of([Change("a", "b", 0.3, 0.1, changed=True)]).marks
        ((left, _, right, _),) = (m.runs[0] for m in marks if isinstance(m, Line) and m.width > 2)
        (mark,) = (m for m in marks if isinstance(m, Box) and m.width == 5)
        assert (left + right) / 2 == pytest.approx(mark.x + 2.5)
        assert left < mark.x


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8), st.none() | finite), max_size=9))
def test_cells_stay_inside(rows):
    cells = [
        Cell((500.0 * x, 500.0 * x + 500), (10.0 * y, 10.0 * y + 10), value, 1.0, ringed=True)
        for x, y, value in rows
    ]
    chart = cells_chart(cells, "engine speed, rpm", "load, %", "after − before, %")
    inside(chart)
    shown = labels(chart)
    values = [value for *_, value in rows if value is not None and abs(value) >= 5e-4]
    texts = {f"{v:+.0f}" if abs(v) >= 100 else f"{v:+.2g}" for v in values}
    assert {text.replace("-", "−") for text in texts} <= set(shown)


@pytest.mark.parametrize("chart_of", [changes_chart, lambda rows: detectable_chart(rows, "x")])
def test_a_long_name_of_an_interval_is_not_cut(chart_of):
    """It ended with an ellipsis, or ran into the bars."""
    name = "Wide range oxygen sensor equivalence ratio (lambda), current type, bank 1 sensor 1"
    rows = [Change(name, "+12.5 ±3.25 points, no change shown", 1.0, 0.5, changed=False)] * 2
    chart = chart_of(rows)
    inside(chart)
    labels = [m for m in chart.marks if isinstance(m, Label)]
    assert not [m for m in labels if "…" in m.words]
    assert " ".join(m.words for m in labels if m.x == 0.0) == f"{name} {name}"
    bars = [m.runs[0][0] for m in chart.marks if isinstance(m, Line) and m.width == 2.2]
    ends = [width_of(m.words, m.size) for m in labels if m.x == 0.0]
    assert max(ends) < min(bars)


def test_a_long_subject_of_a_bar_is_not_cut():
    label = "bank 1, load against idle"
    chart = bars_chart([Bar(label, ((1.0, None), (2.0, None)))] * 8, "%", None)
    inside(chart)
    shown = " ".join(labels(chart))
    assert "…" not in shown
    assert all(word in shown for word in label.replace(",", "").split())


@pytest.mark.parametrize(("margin", "right"), [(1.0, 80.0), (0.5, 60.0), (-1.0, 40.0), (0.0, 41.0)])
def test_margin_bars(margin, right):
    chart = margin_bar(margin, margin >= 0)
    inside(chart)
    bar = chart.marks[1]
    assert isinstance(bar, Box)
    assert bar.x + bar.width == pytest.approx(right)
    assert ("Outside" in chart.words) == (margin < 0)
    assert len(margin_bar(None, None).marks) == 2


def test_bars_and_changes_say_what_they_show():
    bars = [
        Bar("bank 1, warm idle", ((21.3, 0.4), (1.4, 0.5))),
        Bar("x", ((None, None), (2, None))),
    ]
    words = bars_chart(bars, "%", (-10.0, 10.0)).words
    assert words.splitlines() == [
        "bank 1, warm idle: before 21.3 ± 0.4 %, after 1.4 ± 0.5 %.",
        "x: before not known, after 2 %.",
        "Usual range: −10 to 10 %.",
    ]
    changes = [Change("Air flow", "+0.3 ±1 g/s", 0.3, 1.0, changed=False)]
    assert changes_chart(changes).words == "Air flow: +0.3 ±1 g/s; no change is shown."
    one = Cell((0, 500), (0, 10), -20.0, 7.0, ringed=True)
    other = Cell((500, 1000), (0, 10), None)
    words = cells_chart([one, other], "rpm", "load", "after − before, points").words
    assert "1 operating cells driven on both sides, from −20 to −20; 1 of them differ" in words
    assert "1 were driven on one side only" in words


@settings(max_examples=60, deadline=None)
@example(-12.0, 52.0)
@example(-0.4, 0.7)
@example(12.1, 2.6)
@given(st.floats(-1e4, 1e4), st.floats(0.01, 1e4))
def test_the_axis_of_a_strip_has_two_true_labels(low, span):
    x, y = np.linspace(0.0, 19.0, 20), np.linspace(low, low + span, 20)
    chart = alone(Line2D("TRIM", x, y), unit="%", x_label="minutes")
    texts = [m.words for m in chart.marks if isinstance(m, Label) and m.anchor == "end"]
    numbers = [text for text in texts if text != "minutes"]
    assert len(set(numbers)) == len(numbers) >= 2
    for text in numbers:
        assert not (text.startswith(("-", "−")) and not text.strip("-−0.,"))
        assert low - span <= float(text.replace(",", "").replace("−", "-")) <= low + 2 * span
