"""Other signals while there is a link, on the Live page, with a capture that the test plays."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt

from logbench.app.live.picker import DEFAULT
from logbench.app.window import MainWindow
from logbench.capture.messages import Finished, NotChosen
from logbench.signals.table import PURPOSES

SIGNALS = ("RPM", "SHRTFT1", "LONGFT1", "FUELSYS1")


@pytest.fixture
def watching(window: MainWindow, garage, qtbot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.starting.connect_link()
    garage.last.find_car(*SIGNALS)
    garage.last.drive(*SIGNALS)
    qtbot.waitUntil(lambda: len(window.live.session.traces) == 5)
    return window


def rows(window: MainWindow) -> list[str]:
    model = window.live.values.model_
    return [model.data(model.index(row, 0)) for row in range(model.rowCount())]


@pytest.mark.parametrize("by_mouse", [True, False])
def test_other_signals_without_letting_go_of_the_link(watching, garage, qtbot, by_mouse, settings):
    live, capture = watching.live, garage.last
    side, set_up = live.side, live.set_up
    if by_mouse:
        qtbot.mouseClick(side.change, Qt.MouseButton.LeftButton)
    else:
        qtbot.keyClick(live.stack, Qt.Key.Key_S)
    assert set_up.picker.search.hasFocus()
    assert not set_up.link.isVisible()  # which cannot be changed now
    assert set(set_up.picker.chosen()) == set(SIGNALS)  # what is asked for now
    set_up.picker.choose(("RPM", "VSS"))
    set_up.rate.setCurrentIndex(set_up.rate.findData(5.0))
    if by_mouse:
        qtbot.mouseClick(side.use, Qt.MouseButton.LeftButton)
    else:
        side.use.setFocus()
        qtbot.keyClick(side.use, Qt.Key.Key_Space)
    ((signals, rates_hz),) = capture.chosen
    assert (set(signals), rates_hz["VSS"]) == ({"RPM", "VSS"}, 5.0)
    assert live.values.isVisible()
    assert set(settings.signals) == {"RPM", "VSS"}
    capture.find_car("VSS", "RPM")
    capture.send(("VSS", "7E8", 4_000_000_000, 50.0), ("RPM", "7E8", 4_000_000_000, 900.0))
    qtbot.waitUntil(lambda: rows(watching) == ["VSS", "RPM"] or rows(watching) == ["RPM", "VSS"])
    assert set(live.stack.keys) == {("RPM", "7E8"), ("VSS", "7E8")}
    assert live.session.wanted_hz["VSS"] == 5.0
    assert len(garage.captures) == 1
    capture.find_car("RPM", "SHRTFT1", "LONGFT1")  # as chosen once more, from elsewhere
    qtbot.waitUntil(lambda: len(rows(watching)) == 4)
    assert ("SHRTFT1", "7E8") in live.stack.keys
    assert "TOTAL_TRIM1" in rows(watching)
    capture.on_stop = lambda: capture.inbox.append(Finished(None, 90, 20.0))
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    assert set_up.link.isVisible()


def test_leaving_changes_nothing(watching, garage, qtbot):
    live = watching.live
    qtbot.keyClick(live.stack, Qt.Key.Key_S)
    live.set_up.picker.choose((), "charging")
    qtbot.keyClick(live.set_up.picker.search, Qt.Key.Key_Escape)
    assert garage.last.chosen == []
    assert live.set_up.picker.purpose.currentText() == DEFAULT
    assert live.values.hasFocus()
    qtbot.keyClick(live.values, Qt.Key.Key_S)
    live.set_up.picker.choose((), "charging")
    qtbot.keyClick(live.stack, Qt.Key.Key_S, Qt.KeyboardModifier.ShiftModifier)
    assert garage.last.chosen == [(PURPOSES["charging"], {})]


def test_what_cannot_be_is_a_sentence_and_the_wanted_rates_stay(watching, garage, qtbot):
    live = watching.live
    before = live.session.wanted_hz
    live.session.choose(("EGR_PCT",), {"EGR_PCT": 1.0})
    garage.last.inbox.append(NotChosen("This car does not report EGR_PCT."))
    qtbot.waitUntil(lambda: "does not report EGR_PCT" in live.notice.text)
    assert live.session.wanted_hz == before
    assert rows(watching)[:2] == ["RPM", "SHRTFT1"]


def test_the_wiggle_test_does_not_miss_what_is_asked_for_no_longer(watching, garage, qtbot):
    live = watching.live
    live.shapes.wiggle.toggle()
    assert live.shapes.wiggle.running
    garage.last.find_car("RPM")
    qtbot.waitUntil(lambda: not live.shapes.wiggle.running)
    garage.last.send(("RPM", "7E8", 60_000_000_000, 900.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 60_000_000_000)
    assert garage.last.marks == []


def test_without_a_link_the_key_leads_to_the_list(window: MainWindow, qtbot):
    live = window.live
    qtbot.keyClick(live, Qt.Key.Key_S)
    assert live.set_up.picker.search.hasFocus()
    assert live.set_up.link.isVisible()
    assert not live.side.choosing
