"""The drive plan and the wiggle test on the Live page, with a capture that the test plays."""

from __future__ import annotations

import io
import wave
from collections.abc import Sequence

import numpy as np
import pytest
from PySide6.QtCore import Qt

from logbench.analysis.drive_plan import StepState
from logbench.app.tones import Tones, wav_of
from logbench.app.window import MainWindow
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.signals.table import table
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce

SIGNALS = ("RPM", "VSS", "ECT", "MAP", "TP", "FUELSYS1", "BARO")
Made = dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="module")
def made() -> Made:
    """The scripted test drive of the simulated car, at 4 Hz."""
    car = Drive(named_car("demo"), {}, schedule("test-drive"), seed=3)
    return produce(car, SIGNALS, dict.fromkeys(SIGNALS, 4.0), seed=3)


def rows(made: Made, start_s: float, end_s: float) -> Sequence[tuple[str, str, int, float]]:
    return [
        (signal, ecu, int(t), float(v))
        for (signal, ecu), (t_ns, values) in made.items()
        for t, v in zip(t_ns, values, strict=True)
        if start_s * 1e9 <= t < end_s * 1e9
    ]


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car(*SIGNALS)
    qtbot.waitUntil(window.live.stack.isVisible)
    return window


def states(window: MainWindow) -> list[StepState]:
    progress = window.live.watcher.progress
    return [] if progress is None else [s.state for s in progress.steps]


def test_the_plan_begins_with_the_cautions_and_is_ticked_off(recording, garage, made, qtbot):
    live = recording.live
    qtbot.keyClick(live.stack, Qt.Key.Key_P)
    assert live.cautions.isVisible()
    assert not live.tools.plan.isChecked()
    qtbot.keyClick(live.cautions.go_on, Qt.Key.Key_Space)
    plan = live.shapes.plan
    assert plan.isVisible()
    assert live.tools.plan.isChecked()
    garage.last.send(*rows(made, 0, 60))
    qtbot.waitUntil(lambda: "✔  Cold start" in plan.steps[0].text(), timeout=60_000)
    assert "warm up" in plan.says.text()
    assert garage.tones == []
    garage.last.send(*rows(made, 60, 5000))
    qtbot.waitUntil(lambda: plan.says.text() == "The plan is complete", timeout=60_000)
    assert states(recording) == [StepState.DONE] * 7
    assert garage.tones == ["next"]
    assert "cells filled" in plan.grid.accessibleName()
    assert "0 of 0" not in plan.grid.accessibleName()
    assert live.ribbon.described_at(live.ribbon.width() - 40).count("\n") >= 1  # a condition
    qtbot.keyClick(plan, Qt.Key.Key_P)
    assert live.stack.isVisible()


def test_a_repeat_shows_the_first_drives_cells(recording, garage, made, tmp_path, qtbot):
    traces = [Trace(s, e, table().by_acronym(s).unit, t, v) for (s, e), (t, v) in made.items()]
    first = write_recording(tmp_path / "first.parquet", traces, Facts())
    live = recording.live
    live.watcher.repeat(first)
    garage.last.send(*rows(made, 0, 30))
    qtbot.waitUntil(lambda: bool(live.watcher.goals), timeout=60_000)
    plan = live.shapes.plan
    assert "first.parquet" in plan.goals.text()
    qtbot.waitUntil(
        lambda: live.watcher.progress is not None and bool(live.watcher.progress.cells),
        timeout=60_000,
    )
    wanted = {c.cell for c in live.watcher.progress.cells.values() if c.wanted_s}
    assert wanted == {g.cell for g in live.watcher.goals}


def test_what_cannot_be_repeated_is_a_sentence(recording, tmp_path, qtbot):
    trace = Trace("ECT", "7E8", "degC", np.arange(5) * 10**9, np.full(5, 20.0))
    recording.live.watcher.repeat(write_recording(tmp_path / "x.parquet", [trace], Facts()))
    qtbot.waitUntil(lambda: "no warm, steady driving" in recording.live.notice.text, timeout=60_000)


def test_wiggle_counts_marks_and_tells(recording, garage, qtbot):
    live, capture = recording.live, garage.last
    rng = np.random.default_rng(1)

    def send(values: Sequence[float], start_s: float) -> None:
        t_ns = [round((start_s + n * 0.1) * 1e9) for n in range(len(values))]
        capture.send(*(("MAP", "7E8", t, v) for t, v in zip(t_ns, values, strict=True)))

    send([50.0], 0.0)
    qtbot.waitUntil(lambda: len(live.session.traces) == 1)
    qtbot.keyClick(live.stack, Qt.Key.Key_G)
    wiggle = live.shapes.wiggle
    qtbot.mouseClick(wiggle.button, Qt.MouseButton.LeftButton)
    assert "learning the noise of MAP" in wiggle.says.text()
    send((50 + rng.normal(size=60)).round().tolist(), 1.0)
    qtbot.waitUntil(lambda: "Watching" in wiggle.says.text())
    assert wiggle.count.text() == "0"
    send([50.0, 95.0, 50.0, 51.0], 7.0)
    qtbot.waitUntil(lambda: wiggle.count.text() == "1")
    assert garage.tones == ["hit"]
    assert capture.marks == ["wiggle: MAP spike"]
    send([20.0] * 8, 8.0)
    qtbot.waitUntil(lambda: wiggle.count.text() == "2")
    qtbot.waitUntil(lambda: [wiggle.table.item(0, c).text() for c in (3, 4, 5)] == ["0", "1", "1"])
    qtbot.mouseClick(wiggle.button, Qt.MouseButton.LeftButton)
    assert "Stopped at 2" in wiggle.says.text()


@pytest.mark.parametrize("by_mouse", [True, False])
def test_a_wiggle_test_that_is_left_is_seen_and_stopped_from_anywhere(
    recording, garage, qtbot, by_mouse
):
    live, capture = recording.live, garage.last
    capture.send(("MAP", "7E8", 0, 50.0))
    qtbot.waitUntil(lambda: len(live.session.traces) == 1)
    live.show_shape("wiggle")
    assert not live.tools.end_wiggle.isVisible()
    live.shapes.wiggle.toggle()
    capture.send(*(("MAP", "7E8", n * 10**8, 50.0 + n % 2) for n in range(1, 80)))
    qtbot.waitUntil(lambda: live.session.now_ns == 79 * 10**8)
    live.show_shape("strips")
    capture.send(("MAP", "7E8", 80 * 10**8, 95.0), ("MAP", "7E8", 81 * 10**8, 50.0))
    qtbot.waitUntil(lambda: "1 seen" in live.tools.end_wiggle.text())
    assert live.tools.end_wiggle.isVisible()
    view = live.shapes.driver_view()
    qtbot.addWidget(view)
    assert "Wiggle test: 1 seen" in view.state.text()
    if by_mouse:
        qtbot.mouseClick(live.tools.end_wiggle, Qt.MouseButton.LeftButton)
    else:
        qtbot.keyClick(live.stack, Qt.Key.Key_G, Qt.KeyboardModifier.ShiftModifier)
    assert not live.shapes.wiggle.running
    assert not live.tools.end_wiggle.isVisible()
    marks = len(capture.marks)
    capture.send(("MAP", "7E8", 90 * 10**8, 200.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 90 * 10**8)
    assert len(capture.marks) == marks


def test_no_wiggle_is_counted_while_the_car_moves(recording, garage, qtbot):
    live, capture = recording.live, garage.last
    capture.send(("MAP", "7E8", 0, 50.0), ("VSS", "7E8", 0, 0.0))
    qtbot.waitUntil(lambda: len(live.session.traces) == 2)
    wiggle = live.shapes.wiggle
    wiggle.toggle()
    capture.send(*(("MAP", "7E8", n * 10**8, 50.0 + n % 2) for n in range(1, 80)))
    capture.send(*(("VSS", "7E8", n * 10**8, 0.0) for n in range(1, 80)))
    qtbot.waitUntil(lambda: "Watching" in wiggle.says.text())
    capture.send(("VSS", "7E8", 80 * 10**8, 30.0))
    capture.send(("MAP", "7E8", 81 * 10**8, 95.0), ("MAP", "7E8", 82 * 10**8, 50.0))
    qtbot.waitUntil(lambda: "The car moves" in wiggle.says.text())
    assert live.session.now_ns == 82 * 10**8
    assert wiggle.total == 0
    capture.send(*(("VSS", "7E8", n * 10**8, 0.0) for n in range(83, 90)))
    capture.send(*(("MAP", "7E8", n * 10**8, 50.0 + n % 2) for n in range(83, 90)))
    qtbot.waitUntil(lambda: "Watching" in wiggle.says.text())
    capture.send(("MAP", "7E8", 90 * 10**8, 95.0), ("MAP", "7E8", 91 * 10**8, 50.0))
    qtbot.waitUntil(lambda: wiggle.total == 1)
    assert capture.marks == ["wiggle: MAP spike"]


def test_a_step_that_began_on_the_way_is_no_count_less_at_the_standstill(recording, garage, qtbot):
    live, capture = recording.live, garage.last
    capture.send(("MAP", "7E8", 0, 50.0), ("VSS", "7E8", 0, 0.0))
    qtbot.waitUntil(lambda: len(live.session.traces) == 2)
    wiggle = live.shapes.wiggle
    wiggle.toggle()
    capture.send(*(("MAP", "7E8", n * 10**8, 50.0 + n % 2) for n in range(1, 80)))
    capture.send(("VSS", "7E8", 80 * 10**8, 30.0))
    capture.send(("MAP", "7E8", 81 * 10**8, 95.0), ("MAP", "7E8", 82 * 10**8, 95.0))
    qtbot.waitUntil(lambda: "The car moves" in wiggle.says.text())
    capture.send(("VSS", "7E8", 83 * 10**8, 0.0))
    live.session.poll()
    capture.send(*(("MAP", "7E8", n * 10**8, 95.0) for n in range(84, 92)))
    live.session.poll()
    wiggle.refresh()
    assert "The car moves" not in wiggle.says.text()
    rows = [[wiggle.table.item(r, c).text() for c in (0, 3, 4, 5)] for r in range(2)]
    assert ["MAP", "0", "0", "0"] in rows


def test_a_speed_that_is_not_asked_for_any_more_stops_no_wiggle_test(recording, garage, qtbot):
    live, capture = recording.live, garage.last
    capture.send(("VSS", "7E8", 0, 50.0), ("MAP", "7E8", 10**8, 50.0))
    qtbot.waitUntil(lambda: len(live.session.traces) == 2)
    wiggle = live.shapes.wiggle
    wiggle.toggle()
    assert "The car moves" in wiggle.says.text()
    capture.send(*(("MAP", "7E8", n * 10**8, 50.0 + n % 2) for n in range(2, 80)))
    qtbot.waitUntil(lambda: "The car moves" not in wiggle.says.text())


def test_wiggle_without_signals_says_how_to_begin(window: MainWindow):
    window.live.show_shape("wiggle")
    window.live.shapes.wiggle.toggle()
    assert "Check the signals" in window.live.shapes.wiggle.says.text()
    assert "clear of belts" in window.live.shapes.wiggle.care.text()


def test_tones_are_sound_files_and_not_too_many():
    """Outside check: Python's own `wave` reads them."""
    with wave.open(io.BytesIO(wav_of("hit"))) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2")
        spectrum = np.abs(np.fft.rfft(samples))
        loudest_hz = spectrum.argmax() * file.getframerate() / len(samples)
    assert loudest_hz == pytest.approx(1320, abs=20)
    played: list[str] = []
    tones = Tones(played.append)
    for _ in range(5):
        tones.play("hit")
    assert played == ["hit"]
    tones.on = False
    Tones(played.append).play("next")
    tones.play("next")
    assert played == ["hit", "next"]
