"""Bands, totals, values at cursor and now, notes, evidence: on the Live page."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtCore import Qt

from logbench.app.window import MainWindow
from logbench.capture.messages import Started, Status
from logbench.car.model import Car
from logbench.plot.bands import BandWatch
from logbench.plot.pyramid import BLOCK, Pyramid
from logbench.plot.trace import LiveTrace

SIGNALS = ("RPM", "ECT", "SHRTFT1", "LONGFT1", "FUELSYS1", "VPWR")
S = 1_000_000_000


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car(*SIGNALS)
    values = {"RPM": 700.0, "ECT": 88.0, "SHRTFT1": 3.0, "LONGFT1": 9.0, "FUELSYS1": 2.0,
              "VPWR": 14.1}  # fmt: skip
    steady = ("FUELSYS1",)
    garage.last.send(
        *(
            (name, "7E8", n * S, value + (0 if name in steady else n))
            for n in range(3)
            for name, value in values.items()
        )
    )
    qtbot.waitUntil(lambda: len(window.live.session.traces) == 7)
    return window


def latest(**values: float) -> dict[tuple[str, str], LiveTrace]:
    return {
        (name, "7E8"): LiveTrace(
            name, "7E8", "", Pyramid.of(np.array([0]), np.array([value])), title=name
        )
        for name, value in values.items()
    }


def applying(car: Car | None = None, now_ns: int = 0, **values: float):
    watch = BandWatch()
    watch.look(latest(**values), now_ns, car or Car())
    return watch.now


def test_bands_apply_by_what_the_car_does():
    """Held against the bands of the checks: charging 13.2 to 15.0 V, warm coolant 77 to 110 degC,
    total trim within 10 % (checks/fuel_trim.md of the guide)."""
    assert applying(RPM=700.0, VPWR=14.0)["VPWR"] == (13.2, 15.0)
    assert applying(RPM=0.0, VPWR=12.2)["VPWR"] == (11.9, 13.4)
    assert "VPWR" not in applying(VPWR=12.2)
    assert "ECT" not in applying(RPM=700.0, ECT=40.0)
    assert "ECT" not in applying(RPM=0.0, ECT=90.0)
    assert applying(RPM=700.0, ECT=90.0)["ECT"] == (77.0, 110.0)
    stated = Car(regulating_temp_degc=87.0)
    assert applying(stated, RPM=700.0, ECT=90.0)["ECT"] == (81.0, 112.0)
    warm = {"RPM": 700.0, "ECT": 90.0, "TOTAL_TRIM1": 3.0}
    assert applying(**warm, FUELSYS1=2.0)["TOTAL_TRIM1"] == (-10.0, 10.0)
    assert "TOTAL_TRIM1" not in applying(**warm, FUELSYS1=1.0)
    assert applying(now_ns=11 * S, RPM=700.0, VPWR=14.0) == {}  # too old to say


def test_a_band_is_told_once_when_it_changes():
    watch, running = BandWatch(), latest(RPM=700.0, VPWR=14.0)
    assert watch.look(running, 0, Car())
    assert not watch.look(running, 0, Car())
    assert watch.look(latest(RPM=0.0, VPWR=12.4), 0, Car())


def test_bands_are_shaded_in_the_strips_and_total_trim_is_a_trace(recording, garage, qtbot):
    live = recording.live

    def band(signal: str):
        return next(t.band for s in live.stack.strips for t in s.traces if t.signal == signal)

    total = live.session.traces["TOTAL_TRIM1", "computed"].pyramid
    assert total.between(0, 9 * S)[1].tolist() == [12.0, 14.0, 16.0]
    qtbot.waitUntil(lambda: band("TOTAL_TRIM1") == (-10.0, 10.0))
    assert band("ECT") == (77.0, 110.0)
    assert band("SHRTFT1") is None
    garage.last.send(("FUELSYS1", "7E8", 3 * S, 1.0))
    qtbot.waitUntil(lambda: band("TOTAL_TRIM1") is None)
    garage.last.inbox.append(Started(1 * S, ""))
    garage.last.send(("SHRTFT1", "7E8", 3 * S, 1.0))
    qtbot.waitUntil(lambda: total.end_ns == 3 * S)
    assert total.between(0, 9 * S)[1].tolist() == [14.0, 16.0, 12.0]  # 1 + 11: the last long trim
    garage.last.send(("SHRTFT1", "7E8", 30 * S, 1.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 30 * S)
    found = total.at(30 * S)
    assert found is not None
    assert math.isnan(found[1])  # a long trim of half a minute ago is none


def test_values_at_the_cursor_and_now(recording, qtbot):
    live = recording.live
    (strip,) = [s for s in live.stack.strips if any(t.signal == "RPM" for t in s.traces)]
    qtbot.waitUntil(lambda: strip.header.value_text(strip.traces[0]) == "702 rpm")
    before = strip.grab().toImage()
    live.view.set_cursor(round(0.5 * S))
    assert strip.header.value_text(strip.traces[0]) == "700 rpm"
    box = strip.header.boxes()[0]
    header = (strip.grab().toImage().copy(box), before.copy(box))
    assert header[0] != header[1]
    live.view.show_span(S, 2.5 * S)
    assert strip.header.value_text(strip.traces[0]) == "702 rpm", "the cursor is off screen"
    live.shown.following.set(False)
    live.view.set_cursor(None)
    live.view.show_span(0, S)
    assert strip.header.value_text(strip.traces[0]) == "now 702 rpm", "the view stands still"


def test_no_band_is_shaded_by_an_old_value(recording, garage, qtbot):
    live = recording.live

    def banded() -> bool:
        return any(t.band is not None for s in live.stack.strips for t in s.traces)

    qtbot.waitUntil(banded)
    garage.last.inbox.append(Status(2.5, 31, 0, 4321, {}, "lost"))
    qtbot.waitUntil(lambda: not banded())


@pytest.mark.parametrize("by_mouse", [True, False])
def test_a_marker_with_a_note_stands_where_it_was_asked_for(recording, garage, qtbot, by_mouse):
    live = recording.live
    if by_mouse:
        qtbot.mouseClick(live.bar.note_button, Qt.MouseButton.LeftButton)
    else:
        qtbot.keyClick(live.stack, Qt.Key.Key_N)
    assert live.bar.note.isVisible()
    garage.last.send(("RPM", "7E8", 20 * S, 700.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 20 * S)
    qtbot.keyClicks(live.bar.note.text, "hesitates, m and space")
    assert garage.last.marks == []  # letters are letters while a note is typed
    qtbot.keyClick(live.bar.note.text, Qt.Key.Key_Return)
    assert garage.last.marks == ["hesitates, m and space"]
    assert garage.last.mark_times == [2 * S]
    assert not live.bar.note.isVisible()
    assert live.stack.hasFocus()
    live.bar.note.ask_now()
    qtbot.keyClick(live.bar.note.text, Qt.Key.Key_Escape)
    assert not live.bar.note.isVisible()
    assert len(garage.last.marks) == 1


def test_the_plan_tells_what_each_check_lacks(recording, garage, qtbot):
    live = recording.live
    live.starting.cautions_seen = True
    qtbot.keyClick(live.stack, Qt.Key.Key_P)
    evidence = live.shapes.plan.evidence
    qtbot.waitUntil(lambda: "Total fuel trim" in evidence.toPlainText(), timeout=60_000)
    text = evidence.toPlainText()
    assert "○ Total fuel trim" in text
    assert "(0 of " in text
    live.shapes.plan.show_progress(None)
    assert "shown here" in evidence.toPlainText()


def test_a_snapshot_stays_as_it_was():
    pyramid, total = Pyramid(), 2 * BLOCK + 77
    for n in range(0, total, 1000):
        t_ns = np.arange(n, min(n + 1000, total))
        pyramid.append(t_ns, t_ns * 2.0)
    whole = pyramid.snapshot()
    pyramid.append(np.arange(total, total + BLOCK), np.zeros(BLOCK))
    t_ns, value = whole()
    assert t_ns.tolist() == list(range(total))
    assert np.array_equal(value, t_ns * 2.0)
    assert len(Pyramid().snapshot()()[0]) == 0
