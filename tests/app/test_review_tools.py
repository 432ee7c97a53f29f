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
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication, QImage

from logbench.app.plot.pyramid import Pyramid
from logbench.app.plot.view import SECOND
from logbench.app.review.search import find_spans
from logbench.app.review.span import span_numbers
from logbench.app.window import MainWindow
from logbench.errors import SignalUnsupportedError, UsageError
from logbench.recording.model import Trace
from logbench.recording.reader import Recording, open_recording


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.review.judged is not None, timeout=60_000)
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
    assert (got.at_a, got.at_b, got.difference, got.count) == (5.0, 5.0, 0.0, 0)
    assert np.isnan(got.mean)
    before = span_numbers(pyramid, 0, SECOND)
    assert np.isnan(before.at_a)


def test_keys_a_and_b_show_the_numbers_between(reviewing: MainWindow, qtbot):
    review = reviewing.review
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
    assert shown[1:7] == ["800", "800", "0", "800", "800", "800"]
    assert shown[9] == "101"
    assert shown[10] == "10.00/s"
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
        ("RPM - 50 * LOAD_PCT > 3000", [(20, 25)]),
        ("RPM != 900", [(20, 30), (60, 61)]),
        ("RPM > 9000", []),
    ],
)
def test_conditions(condition: str, spans_s: list[tuple[float, float]]):
    got = [(s.start_ns / 1e9, s.end_ns / 1e9) for s in find_spans(condition, drive())]
    assert got == spans_s


def test_signals_of_different_pace_are_compared_by_their_last_value():
    spans = find_spans("ECT > 80 and RPM < 1000", drive())
    assert len(spans) == 1
    assert spans[0].start_ns / 1e9 == pytest.approx(86, abs=1.1)


@pytest.mark.parametrize(
    "condition",
    ["", "RPM", "RPM >", "> 3", "1 < 2", "RPM > 1 and", "RPM > 1 > 0", "RPM > __import__('os')",
     "NOSUCH > 1", "RPM > 1 or or RPM < 2"],
)  # fmt: skip
def test_what_is_no_condition_is_a_sentence(condition: str):
    with pytest.raises(UsageError):
        find_spans(condition, drive())


def test_a_signal_that_the_drive_lacks_is_a_sentence():
    with pytest.raises(SignalUnsupportedError, match="MAF"):
        find_spans("MAF > 1", drive())


def test_find_goes_from_place_to_place(reviewing: MainWindow, qtbot):
    review = reviewing.review
    reviewing.activateWindow()
    review.stack.setFocus()
    qtbot.keyClick(review.stack, Qt.Key.Key_F, Qt.KeyboardModifier.ControlModifier)
    assert review.find_bar.isVisible()
    qtbot.keyClicks(review.find_bar.line, "VSS > 50")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert review.view.cursor_ns == 50 * SECOND
    assert review.find_bar.said.text().startswith("1 of 3")
    assert len(review.stack.strips[0].canvas.shades) == 3
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_F3)
    assert review.view.cursor_ns == 130 * SECOND
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_F3, Qt.KeyboardModifier.ShiftModifier)
    assert review.view.cursor_ns == 50 * SECOND
    review.find_bar.line.setText("VSS >")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert "RPM > 4000 and LOAD_PCT > 80" in review.find_bar.said.text()
    review.find_bar.line.setText("VSS > 500")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    assert "never" in review.find_bar.said.text()


# --- export ---


def test_csv_holds_the_samples_of_the_span(reviewing: MainWindow, drive_file, tmp_path, qtbot):
    review = reviewing.review
    review.view.set_mark("A", 20 * SECOND)
    review.view.set_mark("B", 10 * SECOND)
    out = tmp_path / "out.csv"
    review.export(out)
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    frame = pd.read_csv(out, index_col="t_s")
    assert frame.index[0] == 10.0
    assert frame.index[-1] == 20.0
    trace = open_recording(drive_file).trace("SHRTFT1")
    inside = (trace.t_ns >= 10 * SECOND) & (trace.t_ns <= 20 * SECOND)
    np.testing.assert_allclose(frame["SHRTFT1 (%)"], trace.value[inside], rtol=1e-9)
    assert "RPM (rpm)" in frame.columns


def test_png_and_svg_show_the_strips(reviewing: MainWindow, tmp_path: Path):
    review = reviewing.review
    shown = (review.stack.width(), review.stack.height() + review.ribbon.height())
    review.export(tmp_path / "out.png")
    image = QImage(str(tmp_path / "out.png"))
    assert (image.width(), image.height()) == shown
    review.export(tmp_path / "out.svg")
    root = ET.parse(tmp_path / "out.svg").getroot()
    names = [element.tag.rsplit("}")[-1] for element in root.iter()]
    assert names.count("polyline") + names.count("path") > 200  # traces are lines
    assert any("RPM" in (element.text or "") for element in root.iter())


def test_a_place_that_cannot_be_written_is_a_sentence(reviewing: MainWindow, tmp_path, qtbot):
    review = reviewing.review
    for name in ("x.png", "x.csv"):
        review.notice.hide()
        review.export(tmp_path / "no such folder" / name)
        qtbot.waitUntil(lambda: review.notice.text != "", timeout=60_000)
        assert "could not be written" in review.notice.text


def test_another_ending_is_refused(reviewing: MainWindow, tmp_path: Path):
    reviewing.review.export(tmp_path / "x.gif")
    assert ".png or .svg" in reviewing.review.notice.text


def test_copy_to_the_clipboard(reviewing: MainWindow):
    reviewing.review.copy_picture()
    assert not QGuiApplication.clipboard().image().isNull()
