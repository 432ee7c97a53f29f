"""Lines, ticks, the time view, and pixels on strips."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, QSize, Qt
from PySide6.QtGui import QColor, QImage, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from logbench.analysis.model import Condition, ConditionSpan, Finding, Span, Verdict
from logbench.app.plot import lines
from logbench.app.plot.canvas import Canvas, StripTrace, ValueRange
from logbench.app.plot.grouping import group_of, rank_of
from logbench.app.plot.pyramid import Buckets, Pyramid
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip import GUTTER, HEADER
from logbench.app.plot.ticks import (
    round_range,
    tick_text,
    time_text,
    time_ticks,
    value_text,
    value_ticks,
)
from logbench.app.plot.view import SECOND, TimeView
from logbench.app.theme import LIGHT, NIGHT
from logbench.recording.model import Event

# --- lines ---


def entries(values: list[float], samples: int = 1) -> tuple[Buckets, np.ndarray]:
    y = np.array(values)
    t_ns = np.arange(len(y), dtype=np.int64) * SECOND
    return Buckets(t_ns, y.astype(np.float32), y.astype(np.float32), samples), y


def test_polyline_joins_neighbours_and_breaks_at_gaps():
    buckets, y = entries([1, 2, math.nan, 4, 5, 6])
    buckets.t_ns[5] += 100 * SECOND
    rows = lines.polyline(buckets, np.arange(6.0), y, gap_ns=2 * SECOND)
    got = {tuple(row) for row in rows.tolist()}
    assert got == {(0, 1, 1, 2), (3, 4, 4, 5), (5, 6, 6, 6)}  # the last is a dot


def bucketed(low: np.ndarray, high: np.ndarray, t_s: np.ndarray) -> Buckets:
    t_ns = np.round(t_s * SECOND).astype(np.int64)
    return Buckets(t_ns, low.astype(np.float32), high.astype(np.float32), 8)


def test_columns_give_one_line_a_pixel_that_touches_its_neighbour():
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
    lines.draw_rows(painter, np.array([[3, 2, 3, 10], [5, 7, 5, 7]], float))
    painter.end()
    black = {(x, y) for x in range(20) for y in range(20) if image.pixelColor(x, y).value() == 0}
    assert black == {(3, y) for y in range(2, 11)} | {(5, 7)}


# --- numbers ---


@settings(deadline=None, derandomize=True)
@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 12))
def test_ticks_are_round_evenly_spaced_and_inside(low, span, most):
    ticks = value_ticks(low, low + span, most)
    assert len(ticks) <= most + 1
    assert all(low - span * 1e-6 <= t <= low + span * (1 + 1e-6) for t in ticks)
    if len(ticks) > 2:
        steps = np.diff(ticks)
        assert np.allclose(steps, steps[0], rtol=1e-6, atol=1e-9)


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
    [(2134.0, "rpm", "2,134"), (-12.5, "%", "−12.5"), (13.9871, "V", "13.99"),
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


# --- strips on the screen ---


@pytest.fixture
def stack(qtbot) -> StripStack:
    view = TimeView()
    made = StripStack(view, LIGHT)
    view.setParent(made)
    qtbot.addWidget(made)
    t_ns = np.arange(6000, dtype=np.int64) * SECOND // 10
    ramp = np.linspace(0, 1000, 6000)
    made.add(StripTrace("RPM", "7E8", "rpm", Pyramid.of(t_ns, ramp)))
    made.add(StripTrace("VSS", "7E8", "km/h", Pyramid.of(t_ns, 1000 - ramp)))
    made.resize(900, 400)
    made.show()
    qtbot.waitExposed(made)
    view.set_limits(0, 600 * SECOND)
    view.show_all()
    QApplication.processEvents()
    return made


def pixels_of(image: QImage, color: QColor, x0: int, x1: int) -> list[tuple[int, int]]:
    want = color.rgb()
    return [
        (x, y) for x in range(x0, x1) for y in range(image.height()) if image.pixel(x, y) == want
    ]


def test_a_ramp_is_drawn_from_corner_to_corner(stack: StripStack):
    strip = stack.strips[0]
    image = strip.grab().toImage()
    everywhere = pixels_of(image, LIGHT.trace(0), GUTTER, GUTTER + stack.view.pixels)
    lit = [(x, y) for x, y in everywhere if y >= HEADER]  # the header has a sample of the line
    per_column = {x: [y for a, y in lit if a == x] for x, _ in lit}
    plot = strip.plot_rect()
    assert set(per_column) >= set(range(plot.left() + 2, plot.right() - 3))  # no holes
    middles = [np.mean(per_column[x]) for x in sorted(per_column)]
    assert middles[0] == pytest.approx(plot.bottom(), abs=3)
    assert middles[-1] == pytest.approx(plot.top(), abs=3)
    assert all(b <= a + 0.5 for a, b in pairwise(middles))


def test_the_same_trace_zoomed_in_is_a_line_through_its_samples(stack: StripStack):
    stack.view.show_span(300 * SECOND, 310 * SECOND)
    QApplication.processEvents()
    strip = stack.strips[0]
    found = strip.traces[0].pyramid.at(305 * SECOND)
    assert found is not None
    image = strip.grab().toImage()
    x = GUTTER + int(stack.view.x_of(found[0]))
    plot = strip.plot_rect()
    share = (found[1] - strip.range.low) / (strip.range.high - strip.range.low)
    y = HEADER + (plot.height() - 1) * (1 - share)
    lit = pixels_of(image, LIGHT.trace(0), x, x + 1)
    assert any(abs(b - y) <= 2 for _, b in lit)


def test_night_theme_paints_a_dark_ground(stack: StripStack):
    stack.set_theme(NIGHT)
    QApplication.processEvents()
    image = stack.strips[0].grab().toImage()
    assert image.pixelColor(GUTTER + 200, HEADER + 5).lightness() < 40
    assert pixels_of(image, NIGHT.trace(0), GUTTER, 900)


def test_shaded_spans_are_seen(stack: StripStack):
    stack.set_shades([Span(100 * SECOND, 200 * SECOND)])
    QApplication.processEvents()
    image = stack.strips[1].grab().toImage()
    inside = GUTTER + int(stack.view.x_of(150 * SECOND))
    outside = GUTTER + int(stack.view.x_of(250 * SECOND))
    shade = QColor(LIGHT.shade)
    assert pixels_of(image, shade, inside, inside + 3)
    assert not pixels_of(image, shade, outside, outside + 3)


def test_moving_the_cursor_repaints_no_trace(stack: StripStack, monkeypatch: pytest.MonkeyPatch):
    painted: list[int] = []
    strip = stack.strips[0]
    monkeypatch.setattr(strip.canvas, "_draw", lambda *_: painted.append(1))
    for t in range(100, 200, 10):
        stack.view.set_cursor(t * SECOND)
        QApplication.processEvents()
    assert painted == []
    image = strip.grab().toImage()
    x = GUTTER + int(stack.view.x_of(190 * SECOND))
    assert len(pixels_of(image, QColor(LIGHT.cursor), x, x + 1)) > 50


@settings(deadline=None, derandomize=True, max_examples=60)
@given(data=st.data(), rate_hz=st.sampled_from([1, 20, 400]))
def test_drawing_only_what_changed_gives_the_same_pixels(qapp: QApplication, data, rate_hz: int):
    """Any sequence of scrolling, panning and new samples, against drawing everything."""
    view = TimeView()
    view.set_pixels(300)
    canvas = Canvas(view, LIGHT, "%")
    canvas.resize(QSize(300, 80), 1.0)
    rng = np.random.default_rng(data.draw(st.integers(0, 1000)))
    pyramids = [Pyramid(), Pyramid()]
    for place, pyramid in enumerate(pyramids):
        canvas.traces.append(StripTrace(f"S{place}", "7E8", "%", pyramid))
    canvas.range.fit(-10, 110)
    end_s = 0.0
    for _ in range(data.draw(st.integers(1, 12))):
        step = data.draw(st.sampled_from(["grow", "follow", "pan", "mark"]))
        if step in ("grow", "follow"):
            more_s = data.draw(st.floats(0.05, 4))
            for pace, pyramid in zip((1, 7), pyramids, strict=True):
                t_s = np.arange(end_s, end_s + more_s, pace / rate_hz)
                t_ns = np.round(t_s * SECOND).astype(np.int64)
                pyramid.append(t_ns, rng.uniform(0, 100, len(t_s)))
            end_s += more_s
            view.set_limits(0, int(end_s * SECOND))
        if step == "follow":
            view.show_span(end_s * SECOND - 20 * SECOND, end_s * SECOND)
        if step == "pan":
            view.pan_ns(view.ns_per_px * data.draw(st.integers(-90, 90)))
        canvas.bring_up()
    canvas._since_fit = 1000  # a range that is too wide may wait some frames; here it is fitted
    canvas.bring_up()
    once = canvas.pixmap.toImage()
    canvas.renew()
    canvas.bring_up()
    assert once == canvas.pixmap.toImage()


def test_a_trace_of_another_unit_has_a_range_of_its_own(stack: StripStack):
    """20 to 90 °C beside 0 to 1,000 rpm: each fills the strip, and the axis is the chosen one's."""
    strip = stack.strips[0]
    t_ns = np.arange(6000, dtype=np.int64) * SECOND // 10
    falling = StripTrace("ECT", "7E8", "degC", Pyramid.of(t_ns, np.linspace(90, 20, 6000)))
    strip.add(falling)
    QApplication.processEvents()
    assert strip.unit_shown == "rpm"
    assert (strip.range.low, strip.range.high) == (0, 1000)
    image = strip.grab().toImage()
    x = GUTTER + int(stack.view.x_of(300 * SECOND))
    middle = {
        color: np.mean([y for _, y in pixels_of(image, LIGHT.trace(color), x - 8, x + 8) if y > 26])
        for color in (0, 1)
    }
    assert middle[0] == pytest.approx(HEADER + strip.canvas.y_of(500), abs=3)
    assert middle[1] == pytest.approx(HEADER + strip.canvas.y_of(55, "degC"), abs=4)
    strip.choose_next(1)
    QApplication.processEvents()
    assert strip.unit_shown == "°C"
    assert strip.range.high < 200
    strip.remove(("ECT", "7E8"))
    assert strip.unit_shown == "rpm"


def test_removing_the_last_trace_removes_the_strip(stack: StripStack):
    stack.remove(("RPM", "7E8"))
    assert stack.keys == (("VSS", "7E8"),)
    assert len(stack.strips) == 1


def test_wheel_zooms_about_the_pointer_and_shift_pans(stack: StripStack):
    strip, view = stack.strips[0], stack.view
    at = QPointF(GUTTER + 300.0, 60.0)
    t_before = view.t_of(300)

    def turn(modifiers: Qt.KeyboardModifier) -> None:
        event = QWheelEvent(
            at, strip.mapToGlobal(at), QPoint(), QPoint(0, 120), Qt.MouseButton.NoButton,
            modifiers, Qt.ScrollPhase.NoScrollPhase, False,
        )  # fmt: skip
        QApplication.sendEvent(strip, event)

    turn(Qt.KeyboardModifier.NoModifier)
    assert view.width_ns < 500 * SECOND
    assert view.t_of(300) == pytest.approx(t_before, abs=2 * view.ns_per_px)
    start, width = view.start_ns, view.width_ns
    turn(Qt.KeyboardModifier.ShiftModifier)
    assert view.start_ns != start
    assert view.width_ns == pytest.approx(width)


def test_dragging_pans_and_dragging_with_the_right_button_zooms(stack: StripStack, qtbot):
    strip, view = stack.strips[0], stack.view
    view.show_span(200 * SECOND, 300 * SECOND)
    qtbot.mousePress(strip, Qt.MouseButton.LeftButton, pos=QPoint(GUTTER + 400, 60))
    QTest.mouseMove(strip, QPoint(GUTTER + 300, 60))
    qtbot.mouseRelease(strip, Qt.MouseButton.LeftButton, pos=QPoint(GUTTER + 300, 60))
    assert view.start_ns > 205 * SECOND
    t0, t1 = view.t_of(100), view.t_of(300)
    qtbot.mousePress(strip, Qt.MouseButton.RightButton, pos=QPoint(GUTTER + 100, 60))
    QTest.mouseMove(strip, QPoint(GUTTER + 300, 60))
    qtbot.mouseRelease(strip, Qt.MouseButton.RightButton, pos=QPoint(GUTTER + 300, 60))
    assert view.start_ns == pytest.approx(t0, abs=2 * view.ns_per_px)
    assert view.end_ns == pytest.approx(t1, abs=2 * view.ns_per_px)


# --- the ribbon ---


@pytest.fixture
def ribbon(qtbot) -> Ribbon:
    view = TimeView()
    made = Ribbon(view, LIGHT)
    view.setParent(made)
    qtbot.addWidget(made)
    made.resize(GUTTER + 800 + 10, made.height())
    view.set_pixels(800)
    view.set_limits(0, 800 * SECOND)
    view.show_all()
    made.set_conditions(
        [
            ConditionSpan(0, 400 * SECOND, Condition.COLD_IDLE),
            ConditionSpan(400 * SECOND, 800 * SECOND, Condition.CRUISE),
        ]
    )
    made.set_events([Event(t_ns=200 * SECOND, kind="marker", text="rattle")])
    made.set_findings(
        [Finding("fuel_trim", "bank 1", Verdict.ACT, "x", evidence=(Span(0, 100 * SECOND),))]
    )
    made.show()
    return made


def test_ribbon_shows_conditions_and_findings(ribbon: Ribbon):
    image = ribbon.grab().toImage()
    left = pixels_of(image, LIGHT.condition(Condition.COLD_IDLE), GUTTER + 20, GUTTER + 30)
    right = pixels_of(image, LIGHT.condition(Condition.CRUISE), GUTTER + 600, GUTTER + 610)
    assert left
    assert right
    assert pixels_of(image, LIGHT.verdict(Verdict.ACT), GUTTER + 50, GUTTER + 60)


def test_ribbon_tells_what_lies_under_the_pointer(ribbon: Ribbon):
    said = ribbon.described_at(ribbon.x_of(50 * SECOND))
    assert "cold idle" in said
    assert "act: bank 1" in said
    assert "rattle" in ribbon.described_at(ribbon.x_of(200 * SECOND))


def test_dragging_on_the_ribbon_zooms(ribbon: Ribbon, qtbot):
    view = ribbon._view
    left = Qt.MouseButton.LeftButton
    qtbot.mousePress(ribbon, left, pos=QPoint(ribbon.x_of(100 * SECOND), 30))
    qtbot.mouseMove(ribbon, QPoint(ribbon.x_of(300 * SECOND), 30))
    qtbot.mouseRelease(ribbon, left, pos=QPoint(ribbon.x_of(300 * SECOND), 30))
    assert view.start_ns == pytest.approx(100 * SECOND, abs=2 * SECOND)
    assert view.end_ns == pytest.approx(300 * SECOND, abs=2 * SECOND)
    qtbot.mouseDClick(ribbon, left, pos=QPoint(400, 30))
    assert view.width_ns == pytest.approx(800 * SECOND)
