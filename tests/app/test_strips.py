"""Strips and the ribbon on the screen: their pixels, and the mouse on them."""

from __future__ import annotations

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
from logbench.app.plot.canvas import GUTTER, HEADER, Canvas, StripLook
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import LIGHT, NIGHT, Look
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.model import Event
from logbench.recording.notes import remarks_of
from logbench.signals.values import Clock
from tests.app.two_strips import two_strips

# --- strips on the screen ---


@pytest.fixture
def look(qtbot) -> Look:
    return Look("light")


@pytest.fixture
def stack(qtbot, look: Look) -> StripStack:
    return two_strips(qtbot, look)


def pixels_of(image: QImage, color: QColor, x0: int, x1: int) -> list[tuple[int, int]]:
    want = color.rgb()
    return [
        (x, y) for x in range(x0, x1) for y in range(image.height()) if image.pixel(x, y) == want
    ]


@pytest.mark.parametrize("theme", [LIGHT, NIGHT])
@pytest.mark.parametrize(("signal", "unit", "low", "high"), [
    ("TOTAL_TRIM1", "%", -12.0, 40.0), ("O2S11", "V", 0.1, 0.7), ("ECT", "degC", -3.0, 92.0),
    ("RPM", "rpm", 0.0, 7120.0), ("BARO", "kPa", 99.0, 99.0),
])  # fmt: skip
def test_the_lowest_strip_has_two_true_labels(stack, theme, signal, unit, low, high):
    t_ns = np.arange(600, dtype=np.int64) * SECOND
    stack.clear()
    stack.set_look(StripLook(theme))
    strip = stack.add(
        StripTrace(signal, "7E8", unit, Pyramid.of(t_ns, np.linspace(low, high, 600)))
    )
    for height in range(70, 400, 11):
        strip.resize(800, height)
        strip.grab()
        labels = strip.axis.labels()
        assert len({text for _, text in labels}) >= 2, height
        rects = [box for box, _ in labels]
        assert all(a.top() - b.top() >= 0.8 * a.height() for a, b in pairwise(rects))
        for box, text in labels:  # each stands where its value is, but for those at the rim
            y = strip.canvas.y_of(float(text.replace(",", "").replace("−", "-")))
            assert abs(box.center().y() - HEADER - y) <= box.height() / 2 + 2


@pytest.mark.parametrize(("signal", "values", "shown"), [
    ("MIL", [0, 0, 1], ["off", "on"]), ("MIL", [0, 0, 0], ["off", "on"]),
    ("FUELSYS1", [2, 2, 2], ["open loop", "closed loop"]),
])  # fmt: skip
def test_the_axis_of_an_enumeration_has_its_words(stack, signal, values, shown):
    t_ns = np.arange(3, dtype=np.int64) * SECOND
    pyramid = Pyramid.of(t_ns, np.array(values, float))
    strip = stack.add(StripTrace(signal, "7E8", "", pyramid, group=signal, kind="flag"))
    QApplication.processEvents()
    strip.grab()
    texts = [text for _, text in strip.canvas.labels()]
    assert len(texts) >= 2
    assert all(any(text.startswith(word) for text in texts) for word in shown), texts


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
    share = (found[1] - strip.canvas.range.low) / (strip.canvas.range.high - strip.canvas.range.low)
    y = HEADER + (plot.height() - 1) * (1 - share)
    lit = pixels_of(image, LIGHT.trace(0), x, x + 1)
    assert any(abs(b - y) <= 2 for _, b in lit)


def test_night_theme_paints_a_dark_ground(stack: StripStack, look: Look):
    look.choose("night")
    QApplication.processEvents()
    image = stack.strips[0].grab().toImage()
    assert image.pixelColor(GUTTER + 200, HEADER + 5).lightness() < 40
    assert pixels_of(image, NIGHT.trace(0), GUTTER, 900)


def test_shaded_spans_are_seen(stack: StripStack):
    stack.mark(shades=[Span(100 * SECOND, 200 * SECOND)])
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
    canvas = Canvas(view, StripLook(LIGHT), "%")
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
    assert strip.accessibleName().endswith(", rpm")
    assert (strip.canvas.range.low, strip.canvas.range.high) == (0, 1000)
    image = strip.grab().toImage()
    x = GUTTER + int(stack.view.x_of(300 * SECOND))
    middle = {
        color: np.mean([y for _, y in pixels_of(image, LIGHT.trace(color), x - 8, x + 8) if y > 26])
        for color in (0, 1)
    }
    assert middle[0] == pytest.approx(HEADER + strip.canvas.y_of(500), abs=3)
    assert middle[1] == pytest.approx(HEADER + strip.canvas.y_of(55, "degC"), abs=4)
    strip.choose(1)
    QApplication.processEvents()
    assert strip.accessibleName().endswith(", °C")
    assert strip.canvas.range.high < 200
    strip.remove(("ECT", "7E8"))
    assert strip.accessibleName().endswith(", rpm")


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
def ribbon(qtbot, look: Look) -> Ribbon:
    view = TimeView()
    made = Ribbon(view, look)
    view.setParent(made)
    qtbot.addWidget(made)
    made.resize(GUTTER + 800 + 10, made.height())
    view.set_pixels(800)
    view.set_limits(0, 800 * SECOND)
    view.show_all()
    made.change(
        conditions=[
            ConditionSpan(0, 400 * SECOND, Condition.COLD_IDLE),
            ConditionSpan(400 * SECOND, 800 * SECOND, Condition.CRUISE),
        ]
    )
    made.change(remarks=remarks_of([Event(t_ns=200 * SECOND, kind="marker", text="rattle")]))
    made.change(
        findings=[
            Finding("fuel_trim", "bank 1", Verdict.ACT, "x", evidence=(Span(0, 100 * SECOND),))
        ]
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


@pytest.mark.parametrize(("start_s", "end_s"), [(420, 800), (0, 380), (180, 620)])
def test_a_conditions_name_keeps_clear_of_the_edges_of_what_is_shown(
    ribbon: Ribbon, start_s: int, end_s: int
):
    """Without it the name would stand in the middle of its condition, at 400 s."""
    ribbon.change(conditions=[ConditionSpan(0, 800 * SECOND, Condition.CRUISE)])
    ribbon.change(findings=[])
    ribbon.change(remarks=[])
    ribbon._view.show_span(start_s * SECOND, end_s * SECOND)
    image = ribbon.grab().toImage()
    y_s = range(ribbon.events_px + 4, ribbon.events_px + 26)
    dark = [
        x
        for x in range(GUTTER, image.width())
        if any(image.pixelColor(x, y).lightness() < 60 for y in y_s)
    ]
    left, right = ribbon.framed()
    assert len(dark) > 20  # it is there
    assert left + 3 < min(dark)
    assert max(dark) < right - 3


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


@pytest.mark.parametrize("theme", [LIGHT, NIGHT])
def test_a_heading_tells_what_its_value_is_by_more_than_color(stack: StripStack, theme):
    """Live, at the cursor, held, in a gap: no two of them are the same picture in one color."""
    t_ns = np.concatenate([np.arange(100), np.arange(300, 400)]).astype(np.int64) * SECOND
    stack.clear()
    stack.set_look(StripLook(theme))
    strip = stack.add(StripTrace("RPM", "7E8", "rpm", Pyramid.of(t_ns, np.full(200, 812.0))))
    view = stack.view
    view.set_limits(0, 500 * SECOND)
    view.show_all()
    seen = {}
    for name, cursor_s, clock in (
        ("live", None, Clock(399 * SECOND)),
        ("held", None, Clock(450 * SECOND, comes=False)),
        ("at the cursor", 50, None),
        ("in a gap", 200, None),
        ("nothing", None, None),
    ):
        view.clock = clock
        view.set_cursor(None if cursor_s is None else cursor_s * SECOND)
        strip.repaint()
        header = strip.grab(strip.header.boxes()[0]).toImage()
        ground = QColor(theme.window).rgb()
        seen[name] = frozenset(
            (x, y)
            for x in range(header.width())
            for y in range(header.height())
            if header.pixel(x, y) != ground
        )
    assert len(set(seen.values())) == len(seen)
