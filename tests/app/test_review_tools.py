"""Cursors A and B, find, export: against Python's statistics and the reader, and on the page."""

from __future__ import annotations

import statistics
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QGuiApplication, QImage, QMouseEvent
from PySide6.QtWidgets import QApplication, QFileDialog

from logbench.analysis.expression.checked import condition as read
from logbench.analysis.model import Condition, ConditionSpan
from logbench.analysis.search import find_spans
from logbench.app.review.exporting import Sheet
from logbench.app.review.values import row_of
from logbench.app.window import MainWindow
from logbench.errors import SignalUnsupportedError, UsageError
from logbench.plot.cross import FEWEST_IN_CELL, cells, condition_of, pair
from logbench.plot.pyramid import Pyramid
from logbench.plot.span import span_numbers
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.model import Trace
from logbench.recording.reader import Recording, open_recording


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=60_000)
    return window


# --- cursors A and B ---


@settings(deadline=None, derandomize=True)
@given(st.lists(st.floats(-1000, 1000) | st.just(float("nan")), min_size=3, max_size=200))
def test_numbers_of_a_span(values):
    """Outside check: Python's own `statistics` module on the same samples."""
    y = np.array(values)
    t_ns = (np.arange(len(y)) * 2 + 1) * SECOND
    got = span_numbers(Pyramid.of(t_ns, y), int(t_ns[-1]), 0)  # B before A
    known = np.isfinite(y)
    assert got.count == known.sum()
    if known.sum() < 3:
        return
    mine = y[known].tolist()
    assert (got.minimum, got.maximum) == (min(mine), max(mine))
    assert got.mean == pytest.approx(statistics.fmean(mine), rel=1e-9, abs=1e-9)
    assert got.deviation == pytest.approx(statistics.stdev(mine), rel=1e-9, abs=1e-9)
    line = statistics.linear_regression((t_ns[known] / 1e9).tolist(), mine)
    assert got.slope_per_s == pytest.approx(line.slope, rel=1e-6, abs=1e-9)


def test_numbers_of_a_span_without_samples():
    pyramid = Pyramid.of(np.array([10 * SECOND]), np.array([5.0]))
    got = span_numbers(pyramid, 20 * SECOND, 30 * SECOND)
    assert got.count == 0
    assert np.isnan(got.mean)


def test_a_and_b_in_a_gap_and_after_the_last_sample_have_no_difference():
    t_ns = np.concatenate([np.arange(100), np.arange(400, 500)]).astype(np.int64) * SECOND // 10
    trace = StripTrace("SHRTFT1", "7E8", "%", Pyramid.of(t_ns, np.arange(200) / 10), decimals=1)
    assert row_of(trace, 1 * SECOND, 5 * SECOND)[1:4] == ["1.0", "5.0", "4.0 points"]
    assert row_of(trace, 1 * SECOND, 20 * SECOND)[1:4] == ["1.0", "gap", "–"]
    assert row_of(trace, 1 * SECOND, 99 * SECOND)[1:4] == ["1.0", "○ 19.9, 49 s ago", "–"]


def test_rows_that_repeat_a_reading_are_counted_once():
    """Another program wrote 2 rows a second and read every fourth."""
    t_ns = np.arange(401).astype(np.int64) * SECOND // 2
    values = np.repeat(np.arange(101.0), 4)[: len(t_ns)]
    trace = StripTrace("RPM", "7E8", "rpm", Pyramid.of(t_ns, values), held=4.0)
    assert row_of(trace, 0, 200 * SECOND)[9:] == ["100", "0.500"]


def test_keys_a_and_b_show_the_numbers_between(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    reviewing.activateWindow()
    review.stack.setFocus()
    review.view.set_cursor(10 * SECOND)
    qtbot.keyClick(review.stack, Qt.Key.Key_A)
    assert review.span_panel.isHidden()
    review.view.set_cursor(20 * SECOND)
    qtbot.keyClick(review.stack, Qt.Key.Key_B)
    assert review.span_panel.isVisible()
    table = review.span_panel.table
    rows = {table.item(r, 0).text(): r for r in range(table.rowCount())}
    row = rows["RPM (rpm)"]
    shown = [table.item(row, c).text() for c in range(table.columnCount())]
    assert shown[1:7] == ["800", "800", "0 rpm", "800", "800", "800"]
    assert shown[9] == "101"
    assert shown[10] == "10.00"
    assert "0:10.0" in review.span_panel.title.text()
    qtbot.keyClick(review.stack, Qt.Key.Key_A, Qt.KeyboardModifier.ShiftModifier)
    assert review.span_panel.isHidden()


# --- find ---


def drive() -> Recording:
    t_ns = np.arange(0, 1000, dtype=np.int64) * SECOND // 10
    t_s = t_ns / 1e9
    rpm = np.where((t_s >= 20) & (t_s < 30) | (t_s >= 60) & (t_s < 61), 5000.0, 900.0)
    load = np.where(t_s >= 25, 90.0, 20.0)
    slow = t_ns[::10]
    return Recording.of(
        [
            Trace("RPM", "7E8", "rpm", t_ns, rpm),
            Trace("LOAD_PCT", "7E8", "%", t_ns, load),
            Trace("ECT", "7E8", "degC", slow, np.linspace(20, 90, len(slow))),
        ]
    )


@pytest.mark.parametrize(
    ("condition", "spans_s"),
    [
        ("RPM > 4000 and LOAD_PCT > 80", [(25, 30), (60, 61)]),
        ("rpm>4000", [(20, 30), (60, 61)]),
        ("RPM > 4000 and LOAD_PCT < 80 or RPM > 4000 and LOAD_PCT >= 90", [(20, 30), (60, 61)]),
        ("80 < LOAD_PCT AND RPM = 900", [(30, 60), (61, 100)]),
        ("RPM - 50 rpm * LOAD_PCT / 1 % > 3000", [(20, 25)]),
        ("RPM != 900", [(20, 30), (60, 61)]),
        ("RPM > 9000", []),
    ],
)
def test_conditions(condition: str, spans_s: list[tuple[float, float]]):
    got = [(s.start_ns / 1e9, s.end_ns / 1e9) for s in find_spans(read(condition), drive())]
    assert got == spans_s


def test_signals_of_different_pace_are_compared_by_their_last_value():
    spans = find_spans(read("ECT > 80 and RPM < 1000"), drive())
    assert len(spans) == 1
    assert spans[0].start_ns / 1e9 == pytest.approx(86, abs=1.1)


@pytest.mark.parametrize(
    "condition",
    ["", "RPM", "RPM >", "> 3", "1 < 2", "RPM > 1 and", "RPM > 1 > 0", "RPM > __import__('os')",
     "NOSUCH > 1", "RPM > 1 or or RPM < 2"],
)  # fmt: skip
def test_what_is_no_condition_is_a_sentence(condition: str):
    with pytest.raises(UsageError):
        find_spans(read(condition), drive())


def test_a_signal_that_the_drive_lacks_is_a_sentence():
    with pytest.raises(SignalUnsupportedError, match="MAF"):
        find_spans(read("MAF > 1"), drive())


def test_find_goes_from_place_to_place(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    reviewing.activateWindow()
    review.stack.setFocus()
    qtbot.keyClick(review.stack, Qt.Key.Key_F, Qt.KeyboardModifier.ControlModifier)
    assert review.find_bar.isVisible()
    qtbot.keyClicks(review.find_bar.line, "VSS > 50")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert review.view.cursor_ns == 50 * SECOND
    assert review.find_bar.said.text().startswith("1 of 3")
    assert len(review.stack.strips[0].canvas.look.shades) == 3
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_F3)
    assert review.view.cursor_ns == 130 * SECOND
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_F3, Qt.KeyboardModifier.ShiftModifier)
    assert review.view.cursor_ns == 50 * SECOND
    review.find_bar.line.setText("VSS >")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert "ends too early" in review.find_bar.said.text()
    review.find_bar.line.setText("VSS > 500")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert "never" in review.find_bar.said.text()


# --- scatter and grid ---


def strip_trace(name: str, t_ns: np.ndarray, value: np.ndarray) -> StripTrace:
    return StripTrace(name, "7E8", "", Pyramid.of(t_ns.astype(np.int64), value))


def random_drive(seed: int, n: int = 2000) -> tuple[StripTrace, StripTrace, StripTrace]:
    rng = np.random.default_rng(seed)
    t_ns = np.sort(rng.integers(0, 200 * SECOND, n))
    x, y, z = rng.uniform(700, 5000, n), rng.uniform(10, 95, n), rng.normal(size=n)
    y[::50] = np.nan
    return strip_trace("X", t_ns, x), strip_trace("Y", t_ns + 1000, y), strip_trace("Z", t_ns, z)


def test_pairs_take_the_last_value_that_is_not_too_old():
    x = strip_trace("X", np.array([1, 2, 3, 10]) * SECOND, np.array([1.0, 2, 3, 4]))
    y = strip_trace("Y", np.array([0.5, 2.0, 2.9]) * SECOND, np.array([5.0, 6, 7]))
    got = pair(x, y, None, 0, 20 * SECOND)
    assert got.x.tolist() == [1, 2, 3]  # at 10 s, Y is 7 s old
    assert got.y.tolist() == [5, 6, 7]
    assert pair(x, y, None, 1.5 * SECOND, 2.5 * SECOND).x.tolist() == [2]


@pytest.mark.parametrize("seed", range(5))
def test_cells_against_pandas(seed: int):
    """Outside check: pandas' cut and groupby on the same pairs."""
    pairs = pair(*random_drive(seed), 0, 300 * SECOND)
    got = cells(pairs)
    assert pairs.z is not None
    frame = pd.DataFrame({"x": pairs.x, "y": pairs.y, "z": pairs.z})
    cut = {"x": got.x_edges, "y": got.y_edges}
    keys = [pd.cut(frame[k], cut[k], right=False, labels=False) for k in ("y", "x")]
    groups = frame.groupby(keys)["z"]
    count = groups.count()
    assert got.count.sum() == len(frame) == count.sum()
    for (row, column), mine in groups:
        assert got.count[int(row), int(column)] == len(mine)
        if len(mine) >= FEWEST_IN_CELL:
            assert got.median[int(row), int(column)] == pytest.approx(mine.median())
            spread = mine.quantile(0.75) - mine.quantile(0.25)
            assert got.spread[int(row), int(column)] == pytest.approx(spread)
        else:
            assert np.isnan(got.median[int(row), int(column)])
    assert 3 <= len(got.x_edges) <= 13


def test_conditions_of_times():
    spans = [ConditionSpan(0, 10, Condition.COLD_IDLE), ConditionSpan(20, 30, Condition.CRUISE)]
    t_ns = np.array([0, 9, 10, 19, 20, 29, 30])
    assert condition_of(t_ns, spans).tolist() == [0, 0, -1, -1, 1, 1, -1]


def drag(plot, start: QPoint, end: QPoint, qtbot) -> None:
    """With the left button held; `QTest.mouseMove` would not say that it is."""
    qtbot.mousePress(plot.viewport(), Qt.MouseButton.LeftButton, pos=start)
    left = Qt.MouseButton.LeftButton
    for n in range(1, 4):
        at = QPointF(start + (end - start) * (n / 3))
        global_at = QPointF(plot.viewport().mapToGlobal(at.toPoint()))
        kind, none = QEvent.Type.MouseMove, Qt.KeyboardModifier.NoModifier
        move = QMouseEvent(kind, at, global_at, Qt.MouseButton.NoButton, left, none)
        QApplication.sendEvent(plot.viewport(), move)
    qtbot.mouseRelease(plot.viewport(), left, pos=end)


def test_marking_points_shades_their_times_in_the_strips(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    review.stack.setFocus()
    reviewing.activateWindow()
    qtbot.keyClick(review.stack, Qt.Key.Key_X)
    assert review.cross.isVisible()
    assert not review.stack.isVisible()
    review.cross.y_box.setCurrentText("VSS")
    review.cross.z_box.setCurrentText("one color")
    review.cross.draw()
    plot = review.cross.plot
    image = plot.grab().toImage()
    at = plot.mapFromScene(plot.getViewBox().mapViewToScene(QPointF(800.0, 0.0)))  # the idle
    near = [image.pixelColor(at.x() + d, at.y() + e) for d in range(-3, 4) for e in (-1, 0, 1)]
    assert any(c.saturation() > 60 for c in near)
    drag(plot, at - QPoint(12, 12), at + QPoint(12, 12), qtbot)
    shades = review.stack.strips[0].canvas.look.shades
    assert [round(s.start_ns / SECOND) for s in shades] == [0, 80, 160]
    assert shades[0].end_ns / SECOND == pytest.approx(50, abs=1)
    qtbot.keyClick(plot, Qt.Key.Key_X)
    assert review.stack.isVisible()


def test_points_are_marked_from_the_keyboard(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    reviewing.activateWindow()
    review.plots.show_cross(True)
    review.cross.y_box.setCurrentText("VSS")
    review.cross.draw()
    plot, ctrl = review.cross.plot, Qt.KeyboardModifier.ControlModifier
    assert "Mark points: wider frame" in [a.text() for a in review.commands()]

    def press(key: Qt.Key, times: int = 1, also=Qt.KeyboardModifier.NoModifier) -> None:
        for _ in range(times):
            qtbot.keyClick(plot, key, ctrl | also)

    press(Qt.Key.Key_Left)
    assert plot.getViewBox().rbScaleBox.isVisible()
    press(Qt.Key.Key_Left, 40)  # to the slowest idle: 800 rpm at a standstill
    press(Qt.Key.Key_Down, 40)
    press(Qt.Key.Key_Left, 30, Qt.KeyboardModifier.ShiftModifier)
    press(Qt.Key.Key_Right, 3, Qt.KeyboardModifier.ShiftModifier)
    shades = review.stack.strips[0].canvas.look.shades
    assert [round(s.start_ns / SECOND) for s in shades] == [0, 80, 160]
    assert "points marked" in review.cross.said.text()
    qtbot.keyClick(plot, Qt.Key.Key_Backspace)
    assert not plot.getViewBox().rbScaleBox.isVisible()
    assert review.stack.strips[0].canvas.look.shades == ()


def test_grid_follows_the_stretch_that_is_shown(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    review.plots.show_cross(True)
    review.cross.shape_box.setCurrentText("Count")
    review.cross.draw()
    assert "2,399 points" in review.cross.said.text()
    review.view.show_span(0, 10 * SECOND)
    qtbot.waitUntil(lambda: "100 points" in review.cross.said.text())
    assert "1 cells filled" in review.cross.plot.accessibleName()


# --- export ---


def test_csv_holds_the_samples_of_the_span(reviewing: MainWindow, drive_file, tmp_path, qtbot):
    review = reviewing.pages.review
    review.view.set_mark("A", 20 * SECOND)
    review.view.set_mark("B", 10 * SECOND)
    out = tmp_path / "out.csv"
    review.exporting.export(out)
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    frame = pd.read_csv(out, index_col="t_s")
    assert frame.index[0] == 10.0
    assert frame.index[-1] == 20.0
    trace = open_recording(drive_file).trace("SHRTFT1")
    inside = (trace.t_ns >= 10 * SECOND) & (trace.t_ns <= 20 * SECOND)
    np.testing.assert_allclose(frame["SHRTFT1 (%)"], trace.value[inside], rtol=1e-9)
    assert "RPM (rpm)" in frame.columns


def test_png_and_svg_show_the_strips(reviewing: MainWindow, tmp_path: Path):
    review = reviewing.pages.review
    strips = sum(s.height() for s in review.stack.strips) + review.stack.axis.height()
    shown = (review.stack.width(), review.ribbon.height() + strips)
    review.exporting.export(tmp_path / "out.png")
    image = QImage(str(tmp_path / "out.png"))
    sheet = Sheet(review.plots, review.ribbon.look.theme, review.opened.recording)
    assert (image.width(), image.height() - sheet.head - sheet.foot) == shown
    review.exporting.export(tmp_path / "out.svg")
    root = ET.parse(tmp_path / "out.svg").getroot()
    names = [element.tag.rsplit("}")[-1] for element in root.iter()]
    assert names.count("polyline") + names.count("path") > 200  # traces are lines
    assert any("RPM" in (element.text or "") for element in root.iter())


def test_a_place_that_cannot_be_written_is_a_sentence(reviewing: MainWindow, tmp_path, qtbot):
    review = reviewing.pages.review
    for name in ("x.png", "x.svg", "x.csv"):
        review.notice.hide()
        review.exporting.export(tmp_path / "no such folder" / name)
        qtbot.waitUntil(lambda: review.notice.text != "", timeout=60_000)
        assert "does not exist or is gone" in review.notice.text


def test_another_ending_is_followed_by_that_of_the_kind_chosen(
    reviewing: MainWindow, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    chosen = (str(tmp_path / "x.gif"), "Picture as lines (*.svg)")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: chosen)
    reviewing.pages.review.exporting.ask_where()
    assert [path.name for path in tmp_path.glob("x.*")] == ["x.gif.svg"]


def test_copy_to_the_clipboard(reviewing: MainWindow):
    reviewing.pages.review.exporting.copy_picture()
    assert not QGuiApplication.clipboard().image().isNull()


def test_without_personal_data_notes_and_facts_stay_behind(reviewing: MainWindow, tmp_path, qtbot):
    review = reviewing.pages.review
    for name in ("x.csv", "x.parquet"):
        review.exporting.export(tmp_path / name, private=True)
        qtbot.waitUntil(lambda: not review.exporting.work.busy, timeout=60_000)
    facts = open_recording(tmp_path / "x.parquet").facts
    assert (facts.started_utc, facts.note, facts.vehicle.called) == ("", "", "")
    header = (tmp_path / "x.csv").read_text("utf-8-sig").splitlines()[0]
    assert header.startswith("t_s,")
    assert "note" not in header.split(",")
