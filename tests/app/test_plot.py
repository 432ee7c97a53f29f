"""Lines, ticks and the time view."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QApplication

from logbench.app.plot import painting
from logbench.app.plot.canvas import ValueRange
from logbench.app.plot.graph import Graph
from logbench.app.plot.view import TimeView
from logbench.app.theme import LIGHT
from logbench.plot import lines
from logbench.plot.pyramid import Buckets
from logbench.plot.trace import SECOND
from logbench.signals.catalog import group_of, rank_of
from logbench.signals.numbers import (
    axis_labels,
    round_range,
    tick_text,
    time_text,
    time_ticks,
    value_text,
    value_ticks,
)

# --- lines ---


def entries(values: list[float], samples: int = 1) -> tuple[Buckets, np.ndarray]:
    y = np.array(values)
    t_ns = np.arange(len(y), dtype=np.int64) * SECOND
    return Buckets(t_ns, y.astype(np.float32), y.astype(np.float32), samples), y


def test_polyline_joins_neighbors_and_breaks_at_gaps():
    buckets, y = entries([1, 2, math.nan, 4, 5, 6])
    buckets.t_ns[5] += 100 * SECOND
    rows = lines.polyline(buckets, np.arange(6.0), y, gap_ns=2 * SECOND)
    got = {tuple(row) for row in rows.tolist()}
    assert got == {(0, 1, 1, 2), (3, 4, 4, 5), (5, 6, 6, 6)}  # the last is a dot


def bucketed(low: np.ndarray, high: np.ndarray, t_s: np.ndarray) -> Buckets:
    t_ns = np.round(t_s * SECOND).astype(np.int64)
    return Buckets(t_ns, low.astype(np.float32), high.astype(np.float32), 8)


def test_columns_give_one_line_a_pixel_that_touches_its_neighbor():
    high = np.array([10.0, 12, 30, 31, 50, 52])
    buckets = bucketed(high - 3, high, np.array([0.1, 0.6, 1.1, 1.7, 2.2, 2.9]))
    column, low, high = lines.columns(buckets, px_per_ns=1 / SECOND)
    assert column.tolist() == [0, 1, 2]
    assert low.tolist() == [7, 27, 47]
    assert high.tolist() == [12, 31, 52]
    rows = lines.stretched(column, top=-high, bottom=-low, gap_px=5)
    assert rows[:, 0].tolist() == rows[:, 2].tolist() == [0, 1, 2]
    assert rows[:, 1].tolist() == [-12, -31, -52]
    assert rows[:, 3].tolist() == [-7, -12, -31]  # down to the top of the column before


def test_columns_are_not_joined_over_a_gap():
    column = np.array([0, 1, 5, 40])
    y = np.array([1.0, 1, 1, 1])
    rows = lines.stretched(column, y, y, gap_px=10)
    spans = {(a, b) for a, b in rows[:, [0, 2]].tolist()}
    assert (1, 5) in spans
    assert (5, 40) not in spans


@settings(deadline=None, derandomize=True)
@given(
    st.lists(st.integers(-500, 500), min_size=2, max_size=300),
    st.floats(0.2, 3.0),
    st.sampled_from(lines.STYLES),
)
def test_columns_leave_no_hole_and_lose_no_extreme(values, px_per_entry, style):
    y = np.array(values, float)
    x = np.arange(len(y)) * px_per_entry
    buckets = bucketed(y, y, x)
    column, low, high = lines.columns(buckets, px_per_ns=1 / SECOND)
    rows = lines.stretched(column, -high, -low, gap_px=10)
    covered = np.unique(np.concatenate([np.arange(a, b + 1) for a, b in rows[:, [0, 2]]]))
    assert covered.tolist() == list(range(int(buckets.t_ns[-1] / SECOND) + 1))
    assert rows[:, [1, 3]].min() == -y.max()
    assert rows[:, [1, 3]].max() == -y.min()
    styled = np.concatenate(lines.dashed(rows, style))
    tall = rows[rows[:, 3] - rows[:, 1] > 4]
    assert {tuple(r) for r in tall.tolist()} <= {tuple(r) for r in styled.tolist()}


@pytest.mark.parametrize("style", lines.STYLES[1:])
def test_a_line_of_short_pieces_has_gaps_and_long_ones_are_for_qt_to_dash(style: lines.Style):
    x = np.arange(200.0)
    short = np.column_stack([x, np.zeros(200), x + 1, np.zeros(200)])
    plain, long = lines.dashed(short, style)
    assert 0 < len(plain) < len(short)
    assert len(long) == 0
    plain, long = lines.dashed(np.array([[0.0, 0, 50, 0]]), style)
    assert (len(plain), len(long)) == (0, 1)


def test_columns_of_unknown_values_are_not_drawn():
    nothing = np.full(5, np.nan)
    column, low, high = lines.columns(bucketed(nothing, nothing, np.arange(5.0)), 1 / SECOND)
    assert len(column) == len(low) == len(high) == 0
    assert lines.stretched(column, low, high, 5).shape == (0, 4)


def test_lines_reach_the_image(qapp: QApplication):
    from PySide6.QtGui import QPainter

    image = QImage(20, 20, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.setPen(QColor("black"))
    painting.draw_rows(painter, np.array([[3, 2, 3, 10], [5, 7, 5, 7]], float))
    painter.end()
    black = {(x, y) for x in range(20) for y in range(20) if image.pixelColor(x, y).value() == 0}
    assert black == {(3, y) for y in range(2, 11)} | {(5, 7)}


# --- numbers ---


@settings(deadline=None, derandomize=True)
@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 12))
def test_ticks_are_round_evenly_spaced_and_inside(low, span, most):
    ticks = value_ticks(low, low + span, most)
    assert 2 <= len(ticks) <= max(most + 1, 6)
    assert ticks[-1] - ticks[0] >= 0.39 * span
    assert all(low - span * 1e-6 <= t <= low + span * (1 + 1e-6) for t in ticks)
    if len(ticks) > 2:
        steps = np.diff(ticks)
        assert np.allclose(steps, steps[0], rtol=1e-6, atol=1e-9)


@settings(deadline=None, derandomize=True)
@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 12))
def test_every_axis_has_two_labels_each_of_which_is_its_value(low, span, most):
    labels = axis_labels(low, low + span, most)
    texts = [text for _, text in labels]
    assert len(set(texts)) == len(texts) >= 2
    assert not any(text.startswith("−") and not text.strip("−0.,") for text in texts)
    assert len({text.partition(".")[2].__len__() for text in texts}) == 1
    for value, text in labels:
        read = float(text.replace(",", "").replace("−", "-"))
        assert abs(read - value) <= 1e-9 * max(1.0, abs(value))


@pytest.mark.parametrize(
    ("low", "high", "texts"),
    [
        (-12, 40, ["0", "20", "40"]),
        (0.2, 0.7, ["0.2", "0.4", "0.6"]),
        (-0.4, 0.3, ["−0.4", "−0.2"]),
    ],
)
def test_a_low_strip_is_labeled_truly(low: float, high: float, texts: list[str]):
    assert [text for _, text in axis_labels(low, high, 2)][: len(texts)] == texts


@settings(deadline=None, derandomize=True)
@given(st.floats(0, 1e5), st.floats(0.01, 1e5), st.integers(2, 12))
def test_every_time_axis_has_two_times(start, span, most):
    assert len(time_ticks(start, start + span, most)[0]) >= 2


@settings(deadline=None, derandomize=True)
@given(st.floats(-1e6, 1e6), st.floats(0, 1e6))
def test_round_range_holds_the_data_without_much_waste(low, span):
    a, b = round_range(low, low + span)
    little = 1e-6 * max(1, abs(low), span)
    assert a <= low + little
    assert b >= low + span - little
    assert b > a
    if span > 1e-3 * max(1.0, abs(low)):
        assert b - a <= 2.0 * span


@pytest.mark.parametrize(("low", "high"), [(1.0, 1.0), (math.nan, 2.0), (5.0, 4.0)])
def test_no_ticks_on_an_empty_range(low: float, high: float):
    assert value_ticks(low, high, 5) == []


@pytest.mark.parametrize(
    ("seconds", "step", "text"),
    [(0, 1, "0:00"), (75, 1, "1:15"), (3661, 1, "1:01:01"), (59.96, 0.1, "1:00.0"),
     (1.25, 0.01, "0:01.25"), (-3, 1, "−0:03")],
)  # fmt: skip
def test_times(seconds: float, step: float, text: str):
    assert time_text(seconds, step) == text


def test_time_ticks_are_on_round_times():
    times, step = time_ticks(3, 130, 8)
    assert step == 30
    assert times == [30, 60, 90, 120]


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(2134.0, "rpm", "2,134"), (-0.0001, "V", "0.00"), (-0.0, "", "0.000"),
     (-12.5, "%", "−12.5"), (13.9871, "V", "13.99"),
     (float("nan"), "%", "–"), (90.0, "degC", "90"), (0.98765, "", "0.988")],
)  # fmt: skip
def test_values(value: float, unit: str, text: str):
    assert value_text(value, unit) == text


def test_axis_numbers_have_the_decimals_their_step_needs():
    assert [tick_text(v, 0.25) for v in (0.0, 0.25, 0.5)] == ["0.00", "0.25", "0.50"] or [
        tick_text(v, 0.25) for v in (0.0, 0.25, 0.5)
    ] == ["0.0", "0.2", "0.5"]
    assert tick_text(-2000, 1000) == "−2,000"


def test_value_range_grows_at_once_and_shrinks_reluctantly():
    shown = ValueRange()
    assert shown.fit(0, 100)
    assert not shown.fit(20, 90)  # still two fifths of it
    assert (shown.low, shown.high) == (0, 100)
    assert shown.fit(0, 130)
    assert shown.high >= 130
    assert shown.fit(10, 12)
    assert shown.high < 20


def test_noise_of_a_steady_signal_is_not_blown_up():
    shown = ValueRange(least=200)
    shown.fit(798, 803)
    assert shown.high - shown.low >= 200
    assert shown.low <= 798
    assert shown.high >= 803
    at_rest = ValueRange(least=200)
    at_rest.fit(0, 0)
    assert (at_rest.low, at_rest.high) == (0, 200)


def test_trims_do_not_share_a_strip_with_loads():
    assert group_of("SHRTFT1", "%") == group_of("LONGFT2", "%") != group_of("LOAD_PCT", "%")
    assert rank_of(group_of("RPM", "rpm")) < rank_of(group_of("ECT", "degC"))


# --- the time view ---


@settings(deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(0.2, 5), st.floats(-2, 2)), max_size=30))
def test_zooming_and_panning_stay_within_what_there_is(moves):
    view = TimeView()
    view.set_limits(0, 600 * SECOND)
    view.show_all()
    for factor, fraction in moves:
        view.zoom(factor)
        view.pan(fraction)
        assert view.width_ns > 0
        assert view.start_ns >= -0.02 * 600 * SECOND
        assert view.end_ns <= 1.02 * 600 * SECOND


def test_pixel_and_time_agree():
    view = TimeView()
    view.set_pixels(1000)
    view.show_span(100 * SECOND, 110 * SECOND)
    for x in (0, 17, 999):
        assert view.x_of(view.t_of(x)) == pytest.approx(x, abs=1e-3)


def test_zoom_keeps_the_time_under_the_pointer():
    view = TimeView()
    view.set_limits(0, 1000 * SECOND)
    view.show_all()
    at = 300 * SECOND
    before = view.x_of(at)
    view.zoom(0.3, at)
    assert view.x_of(at) == pytest.approx(before, abs=1.01)


# --- axes of pyqtgraph's plots ---


@pytest.mark.parametrize("size", [(300, 100), (420, 160), (1200, 700)])
@pytest.mark.parametrize(
    ("low", "high"), [(-12.0, 40.0), (0.0, 0.5), (12.1, 14.9), (0.0, 7000.0), (-0.4, 0.3)]
)
def test_both_axes_of_a_graph_have_two_true_labels(qtbot, size, low, high):
    graph = Graph(LIGHT)
    qtbot.addWidget(graph)
    graph.resize(*size)
    graph.setRange(xRange=(low, high), yRange=(low, high), padding=0)
    graph.show()
    graph.grab()
    for name in ("left", "bottom"):
        image = QImage(10, 10, QImage.Format.Format_RGB32)
        painter = QPainter(image)
        painter.setFont(graph.font())
        _, _, texts = graph.getAxis(name).generateDrawSpecs(painter)
        painter.end()
        written = [text for _, _, text in texts]
        assert len(set(written)) == len(written) >= 2, (name, written)
        inside = [round(rect.top()) for rect, _, _ in texts if name == "left"]
        assert all(0 <= top <= size[1] for top in inside)
