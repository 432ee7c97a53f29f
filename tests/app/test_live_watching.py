"""Watching before recording, on the Live page, with a capture that the test plays."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import Qt

from logbench.app.live.setup import UnattendedDialog
from logbench.app.window import MainWindow
from logbench.capture.messages import (
    Failed,
    Finished,
    NotStarted,
    Started,
    Status,
    Unattended,
)
from logbench.plot.pyramid import Pyramid
from logbench.recording.model import Event

SIGNALS = ("RPM", "MAF", "FUELSYS1")
CTRL = Qt.KeyboardModifier.ControlModifier


@pytest.fixture
def watching(window: MainWindow, garage, qtbot) -> MainWindow:
    """A window that watches, with 20 seconds of samples."""
    window.live.choose_link("sim:")
    qtbot.mouseClick(window.live.box.connect_, Qt.MouseButton.LeftButton)
    garage.last.find_car(*SIGNALS)
    garage.last.drive(*SIGNALS, seconds=20.0)
    qtbot.waitUntil(lambda: len(window.live.session.traces) == 3)
    return window


def test_connecting_watches_with_the_minutes_kept(watching: MainWindow, garage, qtbot):
    live, request = watching.live, garage.last.request
    assert (request.hold_s, request.out, request.unattended) == (300.0, None, None)
    assert "Watching" in live.bar.state.whole
    assert live.record.text() == "Start recording  Ctrl+R"
    assert live.box.connect_.text() == "Disconnect  Ctrl+E"
    assert not live.recording
    garage.last.inbox.append(Status(200.0, 9, 1.0, 0, held_s=125.0))
    qtbot.waitUntil(lambda: live.box.include.text() == "Include the last 2:05")
    assert live.status.said("size") == "last 2:05 kept"
    assert set(live.stack.keys) == {("RPM", "7E8"), ("MAF", "7E8")}
    qtbot.keyClick(live.stack, Qt.Key.Key_M)
    assert garage.last.marks == [""]


@pytest.mark.parametrize("include", [True, False])
def test_pressing_record_begins_with_what_was_kept(watching, garage, qtbot, settings, include):
    live = watching.live
    if not include:
        live.box.include.setFocus()
        qtbot.keyClick(live.box.include, Qt.Key.Key_Space)
    garage.last.inbox.append(Event(t_ns=18_000_000_000, kind="marker", text="rattle"))
    qtbot.waitUntil(lambda: len(live.shown.events) == 1)
    qtbot.mouseClick(live.record, Qt.MouseButton.LeftButton)
    ((out, included),) = garage.last.begun
    assert out.parent == settings.folder
    assert included is include
    assert live.record.text() == "Starting …"
    assert not live.record.isEnabled()
    since_ns = 15_000_000_000 if include else 20_000_000_000
    garage.last.inbox.append(Started(since_ns, "2026-01-01T00:00:00Z"))
    qtbot.waitUntil(lambda: live.session.state == "recording")
    assert not live.record.isVisible()  # the bar stops it
    assert live.bar.stop.isEnabled()
    assert not live.box.connect_.isVisible()
    assert live.recording
    pyramid = live.session.traces["RPM", "7E8"].pyramid
    t_ns, values = pyramid.between(0, pyramid.end_ns + 1)
    count = 51 if include else 1
    assert t_ns.tolist() == [round(n * 1e8) for n in range(count)]
    assert values.tolist() == [800.0 + 10 * n for n in range(201 - count, 201)]
    kept = [3_000_000_000] if include else []
    assert [event.t_ns for event in live.shown.events] == kept
    assert live.stack.strips[0].canvas.look.event_times == tuple(kept)
    assert [remark.start_ns for remark in live.shown.remarks.remarks] == kept
    garage.last.send(("RPM", "7E8", 5_100_000_000, 7.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 5_100_000_000)
    assert len(pyramid) == count + 1
    garage.last.inbox.append(Finished(out, 4, 5.0))
    qtbot.waitUntil(lambda: not live.busy)
    assert str(out) in live.notice.text
    assert settings.include_held is include


def test_a_refused_recording_is_a_sentence_and_watching_goes_on(watching, garage, qtbot):
    live = watching.live
    qtbot.keyClick(live.stack, Qt.Key.Key_R, CTRL)
    garage.last.inbox.append(NotStarted("The disk is full: make room."))
    qtbot.waitUntil(lambda: "make room" in live.notice.text)
    assert live.session.state == "watching"
    assert live.record.isEnabled()


def test_disconnecting_saves_nothing_and_asks_nothing(watching, garage, qtbot):
    live = watching.live
    garage.last.on_stop = lambda: garage.last.inbox.append(Finished(None, 90, 20.0))
    qtbot.keyClick(live.stack, Qt.Key.Key_E, CTRL)
    assert garage.last.stopped
    assert live.record.text() == "Disconnecting …"
    qtbot.waitUntil(lambda: not live.busy)
    assert live.notice.text == ""
    assert live.record.text() == "Start recording  Ctrl+R"


def test_connecting_canceled_saves_nothing_and_says_so(window: MainWindow, garage, qtbot):
    live = window.live
    live.choose_link("sim:")
    live.start()
    live.side.show_choice()  # S would bring a field that is hidden now, and the keys with it
    assert not live.set_up.picker.search.hasFocus()
    garage.last.on_stop = lambda: garage.last.inbox.append(Finished(None, 0, 0.0))
    qtbot.keyClick(live, Qt.Key.Key_R, CTRL)
    assert garage.last.stopped
    assert live.record.text() == "Disconnecting …"
    assert live.bar.state.whole == "▼ Disconnecting"
    assert not live.recording
    qtbot.waitUntil(lambda: not live.busy)


def test_an_unattended_run_says_that_it_waits_for_the_engine(window: MainWindow, garage, qtbot):
    live = window.live
    live.choose_link("sim:")
    live.set_up.unattended.setChecked(True)
    live.start()
    garage.last.inbox.append(Status(0.0, 0, 0.0, 0, link="waiting"))
    qtbot.waitUntil(lambda: live.bar.state.whole == "◇ Waiting for the engine")
    assert live.starting.connecting.title.text().startswith("Waiting for the engine: ")
    garage.last.find_car(*SIGNALS)
    garage.last.drive(*SIGNALS)
    qtbot.waitUntil(lambda: live.bar.state.whole == "● Recording")


def test_closing_while_watching_asks_nothing(watching, garage, qtbot):
    watching.ask_to_finish = lambda: pytest.fail("nothing would be lost")
    garage.last.on_stop = lambda: garage.last.inbox.append(Finished(None, 90, 20.0))
    watching.close()
    qtbot.waitUntil(lambda: not watching.isVisible())
    assert garage.last.stopped


def test_the_minutes_are_chosen_and_remembered(window: MainWindow, garage, qtbot, settings):
    window.live.box.minutes.setValue(0)
    assert not window.live.box.include.isEnabled()
    window.live.box.minutes.setValue(12)
    window.live.choose_link("sim:")
    qtbot.keyClick(window.live, Qt.Key.Key_E, CTRL)
    assert garage.last.request.hold_s == 720.0
    assert settings.held_min == 12


def test_steps_of_connecting_and_where_it_failed(window: MainWindow, garage, qtbot):
    live = window.live
    live.choose_link("192.168.0.10:35000")
    live.starting.cautions_seen = True
    live.starting.connect_link()
    card = live.starting.connecting
    assert card.isVisible()
    garage.last.inbox += garage.last.steps("Looking for the adapter", "Searching the protocol")
    qtbot.waitUntil(lambda: len(card.steps) == 3)
    shown = card.lines()
    assert shown[1:] == ["✔  Looking for the adapter", "…  Searching the protocol"]
    garage.last.inbox.append(Failed("The car does not answer: turn the ignition on."))
    qtbot.waitUntil(lambda: not live.busy)
    assert card.isVisible()
    assert card.lines()[2] == "–  Searching the protocol"
    assert card.lines()[3] == "■  The car does not answer: turn the ignition on."
    assert "turn the ignition on" in live.notice.text
    qtbot.mouseClick(live.notice.button, Qt.MouseButton.LeftButton)
    assert len(garage.captures) == 2
    assert garage.last.request.hold_s == 300.0  # tried again is what failed: watching


def test_wiggle_counts_over_the_beginning_of_the_recording(watching, garage, qtbot):
    """The clock jumps back when the recording is begun; that is not a dropout."""
    live = watching.live
    rng = np.random.default_rng(4)
    live.show_shape("wiggle")
    live.shapes.wiggle.toggle()
    for n in range(60):
        t_ns = 20_100_000_000 + n * 100_000_000
        garage.last.send(*((s, "7E8", t_ns, 50.0 + rng.normal()) for s in SIGNALS[:2]))
    garage.last.inbox.append(Started(26_000_000_000 - 20_000_000_000, ""))
    garage.last.inbox.append(Status(20.2, 9, 1.0, 0))
    garage.last.send(*((s, "7E8", 20_100_000_000, 50.0) for s in SIGNALS[:2]))
    qtbot.waitUntil(lambda: live.session.now_ns == 20_100_000_000)
    assert live.shapes.wiggle.total == 0
    garage.last.send(("RPM", "7E8", 20_200_000_000, 900.0))
    qtbot.waitUntil(lambda: live.shapes.wiggle.total == 1)


def test_unattended_plan_is_asked_for_kept_and_used(window: MainWindow, garage, qtbot, settings):
    set_up, folder = window.live.set_up, settings.folder / "days"
    dialog = UnattendedDialog(settings)
    qtbot.addWidget(dialog)
    dialog.show()
    dialog.folder.setText("relative")
    qtbot.mouseClick(
        dialog.buttons.button(dialog.buttons.StandardButton.Ok), Qt.MouseButton.LeftButton
    )
    assert "whole path" in dialog.said.text()
    dialog.folder.setText(str(folder))
    dialog.budget.setValue(2.5)
    dialog.stop_below.setValue(12.2)
    dialog.volt_every.setValue(45.0)
    qtbot.keyClick(dialog.folder, Qt.Key.Key_Return)
    assert dialog.result() == dialog.DialogCode.Accepted
    window.live.choose_link("sim:")
    set_up.unattended.setChecked(True)
    window.live.start()
    request = garage.last.request
    assert request.out == folder / "drive.parquet"
    assert folder.is_dir()
    assert request.unattended == Unattended(
        budget_bytes=2_500_000_000, stop_below_v=12.2, volt_every_s=45.0
    )


def test_space_belongs_to_the_widget_with_the_focus(watching, garage, qtbot):
    live = watching.live
    live.values.setFocus()
    live.values.setCurrentIndex(live.values.model_.index(0, 1))
    qtbot.keyClick(live.values, Qt.Key.Key_Space)
    assert ("RPM", "7E8") not in live.stack.keys
    qtbot.keyClick(live.values, Qt.Key.Key_Space)
    assert ("RPM", "7E8") in live.stack.keys
    assert garage.last.marks == []
    qtbot.keyClick(live.values, Qt.Key.Key_M)
    assert garage.last.marks == [""]
    live.tools.freeze.setFocus()
    qtbot.keyClick(live.tools.freeze, Qt.Key.Key_Space)
    assert live.tools.freeze.isChecked()
    qtbot.mouseClick(live.tools.freeze, Qt.MouseButton.LeftButton)
    live.stack.setFocus()
    qtbot.keyClick(live.stack, Qt.Key.Key_Space)
    assert garage.last.marks == ["", ""]


def test_a_pyramid_counts_from_another_time():
    rng = np.random.default_rng(2)
    t_ns, value = np.cumsum(rng.integers(1, 9, 40_000)), rng.normal(size=40_000)
    pyramid = Pyramid.of(t_ns[:30_000], value[:30_000])
    pyramid.append(t_ns[30_000:], value[30_000:])
    since = int(t_ns[21_000])
    pyramid.rebase(since)
    fresh = Pyramid.of(t_ns[21_000:] - since, value[21_000:])
    assert len(pyramid) == len(fresh) == 19_000
    for ns_per_px in (1.0, 500.0):
        ours, theirs = (p.buckets(100, 50_000, ns_per_px) for p in (pyramid, fresh))
        assert np.array_equal(ours.t_ns, theirs.t_ns)
        assert np.array_equal(ours.high, theirs.high)
    pyramid.append(np.array([10**9]), np.array([1.0]))
    assert pyramid.at(10**9) == (10**9, 1.0)
    pyramid.rebase(2 * 10**9)
    assert len(pyramid) == 0
