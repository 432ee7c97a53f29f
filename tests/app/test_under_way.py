"""What a driver under way is told: nothing that asks for hands, feet or eyes."""

from __future__ import annotations

import re

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from logbench.analysis.drive_plan import (
    COMPRESSION_STEPS,
    STEPS,
    DriveProgress,
    PlanStep,
    StepProgress,
    StepState,
)
from logbench.app.window import MainWindow

LATER = "When safely stopped: "
SIGNALS = ("RPM", "VSS", "MAP")
_ASKS = re.compile(
    r"\b(hands?|feet|foot|hold|stand|start|let|pull|pedal|drive it|drive at)\b", re.I
)


def at(step: PlanStep, have_s: float = 0.0) -> DriveProgress:
    return DriveProgress((), (StepProgress(step, StepState.TO_DO, have_s),))


@pytest.mark.parametrize("step", [*STEPS, *COMPRESSION_STEPS], ids=lambda step: step.key)
def test_no_step_asks_anything_of_a_driver_under_way(step: PlanStep):
    told = at(step, step.needed_s / 2).says(under_way=True)
    assert told.startswith(LATER) or not _ASKS.search(told)
    assert told != at(step, step.needed_s / 2).says()


@pytest.fixture
def driven(window: MainWindow, garage, qtbot) -> MainWindow:
    """Recording, the plan in sight, the car at a standstill."""
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car(*SIGNALS)
    qtbot.waitUntil(live.stack.isVisible)
    live.starting.cautions_seen = True
    live.show_shape("plan")
    live.watcher.progressed.emit(at(STEPS[2]))
    return window


def go(window: MainWindow, garage, qtbot, speed_kmh: float, from_s: int) -> None:
    times = [(from_s * 10 + n) * 10**8 for n in range(20)]
    garage.last.send(*(("RPM", "7E8", t, 1900.0) for t in times))
    garage.last.send(*(("VSS", "7E8", t, speed_kmh) for t in times))
    session = window.live.session
    qtbot.waitUntil(lambda: session.now_ns == times[-1])
    window.live.shapes.under_way.look()


def test_at_70_km_h_the_plan_waits_until_the_car_stands(driven, garage, qtbot):
    live, plan = driven.live, driven.live.shapes.plan
    live.watcher.progress = at(STEPS[2])
    go(driven, garage, qtbot, 0.0, 0)
    assert plan.says.text() == "Idle, warm, everything off, hands and feet off: 60 s more"
    go(driven, garage, qtbot, 70.0, 2)
    assert plan.says.text().startswith(LATER)
    assert live.shapes.coming().startswith(LATER)
    live.watcher.progressed.emit(at(STEPS[3]))
    assert plan.says.text().startswith(LATER)
    assert garage.tones == []  # a tone would call the driver's eyes
    go(driven, garage, qtbot, 0.0, 4)
    assert plan.says.text() == "Stand still and hold 2,500 rpm: 30 s more"
    assert garage.tones == ["next"]


def test_a_passenger_is_declared_and_ends_with_the_recording(driven, garage, qtbot):
    live, plan = driven.live, driven.live.shapes.plan
    go(driven, garage, qtbot, 70.0, 0)
    assert plan.says.text().startswith(LATER)
    qtbot.mouseClick(live.tools.passenger, Qt.MouseButton.LeftButton)
    assert plan.says.text().startswith("Idle, warm")
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    assert not live.tools.passenger.isChecked()
    assert not live.shapes.under_way.passenger


def test_under_way_no_question_is_opened(driven, garage, qtbot, monkeypatch):
    live = driven.live
    asked: list[str] = []
    monkeypatch.setattr(live.shapes, "ask_what_to_repeat", lambda: asked.append("which"))
    go(driven, garage, qtbot, 70.0, 0)
    qtbot.keyClick(live.shapes.plan, Qt.Key.Key_P, Qt.KeyboardModifier.ShiftModifier)
    assert asked == []
    assert "When safely stopped" in live.notice.text
    live.shapes.under_way.declare(True)
    qtbot.keyClick(live.shapes.plan, Qt.Key.Key_P, Qt.KeyboardModifier.ShiftModifier)
    assert asked == ["which"]


def test_a_driver_under_way_types_no_note_and_opens_no_list(driven, garage, qtbot):
    live = driven.live
    go(driven, garage, qtbot, 70.0, 0)
    qtbot.keyClick(live.shapes.plan, Qt.Key.Key_N)
    assert not live.bar.note.isVisible()
    assert garage.last.marks == [""]  # but the marker is put
    assert "When safely stopped" in live.notice.text
    live.notice.hide()
    qtbot.keyClick(live.shapes.plan, Qt.Key.Key_K, Qt.KeyboardModifier.ControlModifier)
    assert QApplication.activeModalWidget() is None  # a list would wait in here
    assert "When safely stopped" in live.notice.text
    go(driven, garage, qtbot, 0.0, 2)
    qtbot.keyClick(live.shapes.plan, Qt.Key.Key_N)
    assert live.bar.note.isVisible()


def test_the_wiggle_test_asks_for_no_hand_while_the_speed_is_not_known(driven, garage, qtbot):
    wiggle = driven.live.shapes.wiggle
    assert wiggle.says.text().startswith("Stand still")
    garage.last.send(("MAP", "7E8", 0, 50.0), ("RPM", "7E8", 0, 800.0))
    qtbot.waitUntil(lambda: len(driven.live.session.traces) == 2)
    driven.live.shapes.under_way.look()
    assert wiggle.says.text().startswith(LATER)
    wiggle.toggle()
    for signal, base in (("MAP", 50.0), ("RPM", 800.0)):
        garage.last.send(*((signal, "7E8", n * 10**8, base + n % 2) for n in range(1, 80)))
    qtbot.waitUntil(lambda: "Watching" in wiggle.says.text())
    assert LATER in wiggle.says.text()
