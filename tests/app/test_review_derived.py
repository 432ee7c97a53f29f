"""Derived signals as traces, and playback."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt

from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.plot.computed import COMPUTED, computed_traces
from logbench.plot.trace import SECOND
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=60_000)
    return window


def test_numbers_against_worked_examples():
    """Outside check: 3.5 l at 5,000 rpm draw about 173 g/s at 100 % (MOTOR, Dec 2003); trim as the
    trade adds it, -6.3 + 2.3 = -4.0 % (MOTOR, Oct 2003)."""
    t_ns = np.arange(10) * SECOND

    def trace(signal: str, unit: str, value: float) -> Trace:
        return Trace(signal, "7E8", unit, t_ns, np.full(10, value))

    recording = Recording.of(
        [
            trace("MAF", "g/s", 172.7),
            trace("RPM", "rpm", 5000.0),
            trace("BARO", "kPa", 101.325),
            trace("IAT", "degC", 25.0),
            trace("SHRTFT1", "%", -6.3),
            trace("LONGFT1", "%", 2.3),
        ],
        Facts(vehicle=Car(displacement_l=3.5)),
    )
    made = {t.signal: t for t in computed_traces(recording)}
    last = {name: t.pyramid.at(t.pyramid.end_ns) for name, t in made.items()}
    assert last["VOL_EFF"] is not None
    assert last["VOL_EFF"][1] == pytest.approx(100.0, abs=0.5)
    assert last["TOTAL_TRIM1"] is not None
    assert last["TOTAL_TRIM1"][1] == pytest.approx(-4.0)
    assert set(made) == {"VOL_EFF", "TOTAL_TRIM1", "AIR_PER_LITRE"}


def test_a_recording_without_their_inputs_has_none():
    assert computed_traces(Recording.of([])) == ()


def test_a_derived_signal_plots_and_is_left_out_of_the_csv(reviewing, tmp_path, qtbot):
    review = reviewing.pages.review
    model = review.signals.model_
    names = [model.data(model.index(r, 0)) for r in range(model.rowCount())]
    row = names.index("Total trim 1")
    on = Qt.CheckState.Checked
    assert model.setData(model.index(row, 0), on, Qt.ItemDataRole.CheckStateRole)
    assert ("TOTAL_TRIM1", COMPUTED) in review.stack.keys
    review.view.set_cursor(20 * SECOND)
    assert model.data(model.index(row, 1)).startswith("2")  # 8 + 16 + sin
    review.exporting.export(tmp_path / "out.csv")
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    assert "TOTAL_TRIM" not in (tmp_path / "out.csv").read_text().splitlines()[0]


def test_playback_runs_and_the_view_follows(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    review.view.show_span(0, 20 * SECOND)
    qtbot.keyClick(review.stack, Qt.Key.Key_Space)
    assert review.playback.playing
    assert review.playback.button.isChecked()
    qtbot.waitUntil(lambda: (review.view.cursor_ns or 0) > 0)
    qtbot.keyClick(review.stack, Qt.Key.Key_Space)
    assert not review.playback.playing
    review.view.set_cursor(0)
    review.playback.advance(1.8)  # at 10 times
    assert review.view.cursor_ns == 18 * SECOND
    assert review.view.start_ns == pytest.approx(15 * SECOND)
    qtbot.keyClick(review.stack, Qt.Key.Key_Up, Qt.KeyboardModifier.ShiftModifier)
    assert review.playback.speed.currentData() == 20
    review.playback.toggle()
    review.playback.advance(60)
    assert review.view.cursor_ns == review.view.high_ns
    assert not review.playback.playing
