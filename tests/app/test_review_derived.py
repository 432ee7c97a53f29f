"""Derived signals as traces, and playback."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt

from logbench.analysis.derived import displacement_from_load_abs_l
from logbench.analysis.expression.evaluate import computed_signals
from logbench.analysis.grid import Traces
from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.plot.trace import SECOND
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.catalog import COMPUTED


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
    made = {name: Traces(recording).first(name) for name in computed_signals()}
    last = {name: trace.value[-1] for name, trace in made.items() if trace is not None}
    assert last["VOL_EFF"] == pytest.approx(100.0, abs=0.5)
    assert last["TOTAL_TRIM1"] == pytest.approx(-4.0)
    assert last["AIR_PER_LITER"] == pytest.approx(172.7 / 3.5 / 5.0)
    assert set(last) == {"VOL_EFF", "TOTAL_TRIM1", "AIR_PER_LITER"}


def test_displacement_is_implied_by_the_absolute_load():
    """Outside check: the module of plain functions, from the definition in ISO 15031-5."""
    t_ns = np.arange(3) * SECOND
    values = {"MAF": ("g/s", 30.0), "LOAD_ABS": ("%", 40.0), "RPM": ("rpm", 2500.0)}
    traces = [Trace(n, "7E8", unit, t_ns, np.full(3, v)) for n, (unit, v) in values.items()]
    found = Traces(Recording.of(traces)).first("LOAD_ABS_LITERS")
    assert found is not None
    implied = displacement_from_load_abs_l(30.0, 40.0, 2500.0)
    assert found.value == pytest.approx(np.full(3, implied))


def test_a_derived_signal_plots_and_is_exported(reviewing, tmp_path, qtbot):
    review = reviewing.pages.review
    model = review.signals.model_
    names = [model.data(model.index(r, 0)) for r in range(model.rowCount())]
    row = names.index("TOTAL_TRIM1")
    on = Qt.CheckState.Checked
    assert model.setData(model.index(row, 0), on, Qt.ItemDataRole.CheckStateRole)
    assert ("TOTAL_TRIM1", COMPUTED) in review.stack.keys
    review.view.set_cursor(20 * SECOND)
    assert model.data(model.index(row, 1)).startswith("2")  # 8 + 16 + sin
    review.exporting.export(tmp_path / "out.csv")
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    heading, first = (tmp_path / "out.csv").read_text().splitlines()[:2]
    column = heading.split(",").index("TOTAL_TRIM1 (%)")
    short, long = (heading.split(",").index(f"{name} (%)") for name in ("SHRTFT1", "LONGFT1"))
    cells = first.split(",")
    assert float(cells[column]) == pytest.approx(float(cells[short]) + float(cells[long]))


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
