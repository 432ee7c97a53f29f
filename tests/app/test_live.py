"""The Live page with a capture that the test plays."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from PySide6.QtCore import Qt

from logbench.app.live.picker import DEFAULT, OWN, SignalPicker
from logbench.app.window import MainWindow
from logbench.capture.messages import BrokeOff, Failed, Finished, Status
from logbench.car.model import Car
from logbench.cases.settings import Settings
from logbench.errors import LinkUnknownError, PortMissingError
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Facts, SignalFacts
from logbench.signals.table import PURPOSES
from logbench.vehicle.links import schemes
from logbench.vehicle.links.schemes import link_choices, link_url_of

SIGNALS = ("RPM", "MAF", "FUELSYS1")


@pytest.fixture
def recording(window: MainWindow, garage, qtbot) -> MainWindow:
    """A window that records, with three seconds of samples."""
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car(*SIGNALS)
    garage.last.drive(*SIGNALS)
    qtbot.waitUntil(lambda: len(window.live.session.traces) == 3)
    return window


def test_start_asks_for_what_was_chosen(window: MainWindow, garage, settings: Settings):
    window.live.choose_link("sim:?seed=3")
    window.live.set_up.picker.choose(("RPM", "ECT"))
    window.live.set_up.car.set_vehicle(Car(label="invented", displacement_l=1.8, cylinders=4))
    window.live.start()
    request = garage.last.request
    assert request.link_url == "sim:?seed=3"
    assert set(request.signals) == {"RPM", "ECT"}
    assert request.vehicle == Car(label="invented", displacement_l=1.8, cylinders=4)
    assert request.out is not None
    assert request.out.parent == settings.folder
    assert garage.last.started
    assert settings.links[0] == "sim:?seed=3"


def test_samples_appear_in_strips_and_table(recording: MainWindow, qtbot):
    live = recording.live
    assert set(live.stack.keys) == {("RPM", "7E8"), ("MAF", "7E8")}  # words are not plotted
    model = live.values.model_
    qtbot.waitUntil(lambda: model.data(model.index(0, 2)) == "10.0 of 10/s")
    shown = [[model.data(model.index(r, c)) for c in range(4)] for r in range(model.rowCount())]
    assert [row[0] for row in shown] == list(SIGNALS)
    assert shown[0][1] == "1,100 rpm"
    assert shown[0][3] == "0.0 s"
    assert live.status.said("samples") == "93 samples"
    assert live.status.said("rate") == "30/s"
    assert "Recording" in live.bar.state.whole
    assert "BARO" in live.status.said("step")
    assert live.view.high_ns >= 3_000_000_000


def test_new_samples_are_painted_while_the_view_stands_at_its_first_minute(
    recording: MainWindow, garage, qtbot
):
    live = recording.live
    assert (live.view.start_ns, live.view.end_ns) == (0, 60e9)
    strip = live.stack.strips[0]
    before = strip.grab().toImage()
    garage.last.drive(*SIGNALS, seconds=30)
    qtbot.waitUntil(lambda: live.session.now_ns >= 30_000_000_000)
    qtbot.waitUntil(lambda: strip.grab().toImage() != before)


def test_a_row_of_the_table_puts_its_trace_into_the_strips(recording: MainWindow):
    model = recording.live.values.model_
    model.setData(model.index(0, 0), Qt.CheckState.Unchecked, Qt.ItemDataRole.CheckStateRole)
    assert recording.live.stack.keys == (("MAF", "7E8"),)
    model.setData(model.index(0, 0), Qt.CheckState.Checked, Qt.ItemDataRole.CheckStateRole)
    assert set(recording.live.stack.keys) == {("RPM", "7E8"), ("MAF", "7E8")}


def test_space_puts_a_marker(recording: MainWindow, garage, qtbot):
    recording.activateWindow()
    recording.live.stack.setFocus()
    qtbot.keyClick(recording.live.stack, Qt.Key.Key_Space)
    assert garage.last.marks == [""]
    qtbot.waitUntil(
        lambda: recording.live.stack.strips[0].canvas.look.event_times == (2_000_000_000,)
    )


def test_driver_view_shows_large_values(recording: MainWindow, garage, qtbot):
    live = recording.live
    view = live.shapes.driver_view()
    view.resize(1100, 700)
    view.show()
    shown = [v for v in view.values if v.isVisible()]
    assert [v.text for v in shown] == ["1,100 rpm", "1,100.00 g/s"]
    names = [trace.title for trace in live.values.model_.plotted()]
    assert [v.name for v in shown] == names
    assert min(v.letters_px() for v in shown) >= 50
    assert "Recording" in view.state.text()
    assert view.focusWidget() is view  # a window without it has no keys for its commands
    qtbot.keyClick(view, Qt.Key.Key_Space)
    assert garage.last.marks == [""]
    garage.last.send(("MAF", "7E8", 9_000_000_000, 5.0))
    qtbot.waitUntil(lambda: live.session.now_ns == 9_000_000_000)
    view.refresh()
    assert [v.text for v in shown] == ["–", "5.00 g/s"]  # RPM is 6 s old
    qtbot.keyClick(view, Qt.Key.Key_Escape)
    assert not view.isVisible()


def test_stop_saves_and_offers_the_review(recording: MainWindow, garage, qtbot):
    recording.live.bar.stop.wanted.emit()
    assert garage.last.stopped
    qtbot.waitUntil(lambda: not recording.live.busy)
    assert garage.last.closed
    assert str(garage.last.request.out) in recording.live.notice.text
    assert recording.live.notice.button.text() == "Review it  Ctrl+Return"
    assert recording.live.stack.keys  # what was recorded stays in view
    with qtbot.waitSignal(recording.live.endings.review_wanted) as wanted:
        qtbot.keyClick(recording.live, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert wanted.args == [garage.last.request.out]
    qtbot.waitUntil(lambda: recording.pages.review.notice.text != "")  # the fake wrote no file


def test_the_end_of_an_unattended_run_counts_its_files(recording: MainWindow, garage, qtbot):
    out = garage.last.request.out
    garage.last.on_stop = lambda: garage.last.inbox.append(Finished(out, 2500, 356.0, 2))
    recording.live.session.stop()
    qtbot.waitUntil(lambda: not recording.live.busy)
    said = recording.live.notice.text
    assert "Saved 3 recordings of 5:56 in all, 2,500 samples; the last is" in said


def test_frozen_strips_stand_still_while_recording_goes_on(recording: MainWindow, garage, qtbot):
    live = recording.live
    qtbot.mouseClick(live.tools.freeze, Qt.MouseButton.LeftButton)
    before = (live.view.start_ns, live.view.end_ns)
    garage.last.drive(*SIGNALS, seconds=200)
    qtbot.waitUntil(lambda: live.session.now_ns >= 200_000_000_000)
    assert (live.view.start_ns, live.view.end_ns) == before
    live.shown.following.set(True)
    assert live.view.end_ns == pytest.approx(200e9)
    assert live.view.width_ns == pytest.approx(60e9)


def test_panning_by_keyboard_freezes(recording: MainWindow, qtbot):
    recording.activateWindow()
    recording.live.stack.setFocus()
    qtbot.keyClick(recording.live.stack, Qt.Key.Key_Left)
    assert recording.live.tools.freeze.isChecked()


def test_failure_is_a_sentence_and_another_try(window: MainWindow, garage, qtbot):
    window.live.choose_link("192.168.0.10:35000")
    window.live.starting.cautions_seen = True
    window.live.start()
    assert garage.last.request.link_url == "tcp://192.168.0.10:35000"
    garage.last.inbox.append(Failed("Nothing answers there: switch the ignition on."))
    qtbot.waitUntil(lambda: not window.live.busy)
    assert "switch the ignition on" in window.live.notice.text
    window.live.notice.button.click()
    assert len(garage.captures) == 2


def test_a_capture_that_cannot_start_is_a_sentence(window: MainWindow, garage):
    garage.refusal = PortMissingError("There is no port COM9: plug the adapter in.")
    window.live.choose_link("sim:")
    window.live.start()
    assert "plug the adapter in" in window.live.notice.text
    assert not window.live.busy


def test_lost_link_is_told(recording: MainWindow, garage, qtbot):
    played: list[str] = []
    recording.live.shapes.tones.player = played.append
    garage.last.inbox.append(Status(4, 93, 0, 4321, {}, "lost"))
    qtbot.waitUntil(lambda: "Link lost" in recording.live.bar.state.whole)
    assert "The link to the car is lost" in recording.live.notice.text
    assert "The recording goes on." in recording.live.notice.text
    assert played == ["lost"]
    garage.last.inbox.append(Status(9, 93, 0, 4321, {}, "lost"))
    garage.last.inbox.append(Status(16, 99, 3, 4400, {}, "connected"))
    qtbot.waitUntil(lambda: "after 12 s" in recording.live.notice.text)
    assert "is lost" not in recording.live.notice.text
    assert played[1:] in ([], ["next"])  # two tones at once are one


def test_a_silent_car_is_told_apart_from_a_lost_link(recording: MainWindow, garage, qtbot):
    live, inbox = recording.live, garage.last.inbox
    inbox.append(Status(4, 93, 0, 4321, {}, "silent"))
    qtbot.waitUntil(lambda: "No answer from the car" in live.bar.state.whole)
    assert "its key is off" in live.notice.text
    assert "adapter" not in live.notice.text
    garage.last.inbox.append(Status(6, 93, 0, 4321, {}, "lost"))
    qtbot.waitUntil(lambda: "The link to the car is lost" in live.notice.text)
    garage.last.inbox.append(Status(8, 93, 0, 4321, {}, "silent"))
    qtbot.waitUntil(lambda: "its key is off" in live.notice.text)
    garage.last.inbox.append(Status(14, 99, 3, 4400, {}, "connected"))
    qtbot.waitUntil(lambda: "answers again after 10 s" in live.notice.text)


def test_while_nothing_comes_values_grow_old(recording: MainWindow, garage, qtbot):
    live, model = recording.live, recording.live.values.model_
    garage.last.drive("RPM", seconds=3.0)
    qtbot.waitUntil(lambda: len(live.session.traces) > 0)
    view = live.shapes.driver_view()
    view.refresh()
    assert "rpm" in view.values[0].text
    row = next(k for k in range(model.rowCount()) if model.cell(k, 0) == "RPM")
    assert model.cell(row, 3) == "0.0 s"
    garage.last.inbox.append(Status(3.4, 31, 0, 4321, {}, "connected"))
    live.session.poll()
    assert model.cell(row, 3) == "0.0 s", "a status is a little later than the samples before it"
    assert model.valid(row)
    assert model.cell(row, 1).endswith(" rpm")
    strip = next(s for s in live.stack.strips if s.unit == "rpm")
    qtbot.waitUntil(lambda: strip.header.value_text(strip.traces[0]) == model.cell(row, 1))
    garage.last.inbox.append(Status(15.0, 31, 0, 4321, {}, "lost"))
    live.session.poll()
    assert model.cell(row, 3) == "12 s"
    assert not model.valid(row)
    held = model.cell(row, 1)
    assert re.fullmatch(r"○ .* rpm", held), "its age stands beside it"
    qtbot.waitUntil(lambda: strip.header.value_text(strip.traces[0]) == f"{held}, 12 s ago")
    view.refresh()
    assert view.values[0].text == "–"
    assert view.values[0].aged == f"{held}, 12 s ago"
    view.close()
    garage.last.inbox.append(Status(3.1, 31, 0, 4321, {}, "lost"))
    live.session.poll()
    assert not model.valid(row), "a lost link is enough, however new the value"


def test_the_end_of_a_drive_leaves_no_live_value(recording: MainWindow, garage, qtbot):
    live, model = recording.live, recording.live.values.model_
    garage.last.drive("RPM", seconds=3.0)
    qtbot.waitUntil(lambda: len(live.session.traces) > 0)
    strip = next(s for s in live.stack.strips if s.unit == "rpm")
    qtbot.waitUntil(lambda: strip.header.value_text(strip.traces[0]).endswith(" rpm"))
    live.stop()
    qtbot.waitUntil(lambda: not live.session.active)
    assert strip.header.value_text(strip.traces[0]) == ""
    assert all(model.cell(row, 1).startswith("○ ") for row in range(model.rowCount()))


def test_an_unattended_run_says_nothing_of_a_silent_car(
    recording: MainWindow, garage, qtbot, monkeypatch
):
    live = recording.live
    monkeypatch.setattr(live.session, "unattended", True)

    def said_when(link: str) -> str:
        garage.last.inbox.append(Status(4, 93, 0, 4321, {}, link))
        live.session.poll()
        return live.notice.text

    assert said_when("silent") == ""
    assert "The link to the car is lost" in said_when("lost")
    assert said_when("waiting") == ""
    assert "The link to the car is lost" in said_when("lost")
    garage.last.find_car("RPM")
    facts = garage.last.inbox.pop()
    garage.last.inbox.append(dataclasses.replace(facts, recording_id="another"))
    live.session.poll()
    assert live.notice.text == "", "another file begins"


@pytest.mark.parametrize(
    "typed", ["", "nonsense", "host:99999", "host:0", "http://x", "192.168.0.10"]
)
def test_wrong_links_are_explained(window: MainWindow, garage, typed: str):
    with pytest.raises(LinkUnknownError, match="35000"):
        link_url_of(typed)
    window.live.choose_link(typed)
    window.live.start()
    assert "is not a link" in window.live.notice.text
    assert garage.captures == []


@pytest.mark.parametrize(
    ("typed", "url"),
    [(" 10.0.0.2:35000 ", "tcp://10.0.0.2:35000"), ("COM3", "serial:COM3"),
     ("/dev/ttyUSB0", "serial:/dev/ttyUSB0"), ("sim:?seed=1", "sim:?seed=1"),
     ("[::1]:35000", "tcp://[::1]:35000"), ("tcp://a:1", "tcp://a:1"),
     ("11:22:33:aa:BB:cC", "ble:11:22:33:aa:BB:cC"), ("ble:x?protocol=6", "ble:x?protocol=6")],
)  # fmt: skip
def test_typed_links(typed: str, url: str):
    assert link_url_of(typed) == url


def test_links_used_come_first_then_ports_then_the_simulated_car(monkeypatch):
    there = [schemes.LinkChoice("serial:COM3", "COM3  USB serial")]
    ports = dataclasses.replace(schemes.SCHEMES["serial"], devices=lambda: there)
    monkeypatch.setitem(schemes.SCHEMES, "serial", ports)
    urls = [c.url for c in link_choices(["tcp://10.0.0.2:35000"])]
    assert urls == ["tcp://10.0.0.2:35000", "serial:COM3", schemes.SIMULATED, schemes.USUAL_WIFI]


def test_cautions_come_once_before_the_first_drive_in_a_real_car(window: MainWindow, garage, qtbot):
    window.live.choose_link("/dev/ttyUSB7")
    window.live.start()
    assert garage.captures == []
    assert window.live.cautions.isVisible()
    qtbot.mouseClick(window.live.cautions.go_on, Qt.MouseButton.LeftButton)
    assert garage.last.started
    garage.last.inbox.append(Finished(None, 0, 0.0))
    qtbot.waitUntil(lambda: not window.live.busy)
    window.live.start()
    assert len(garage.captures) == 2  # not again


def test_the_simulated_car_needs_no_caution(window: MainWindow, garage, qtbot):
    qtbot.mouseClick(window.live.empty.button, Qt.MouseButton.LeftButton)
    assert garage.last.request.link_url.startswith("sim:")


def test_a_folder_that_cannot_be_made_is_a_sentence(window: MainWindow, settings, tmp_path: Path):
    (tmp_path / "file").write_text("x")
    settings.folder = tmp_path / "file" / "below"
    window.live.choose_link("sim:")
    window.live.start()
    assert "cannot be used" in window.live.notice.text
    assert not window.live.busy


def test_a_journal_left_by_a_crash_becomes_a_recording(window: MainWindow, settings, qtbot):
    settings.folder.mkdir(parents=True)
    left = settings.folder / "drive-1.parquet.journal"
    facts = Facts(recording_id="x", signals={"RPM": SignalFacts(unit="rpm")})
    journal = JournalWriter(left, facts)
    journal.append([("RPM", "7E8", n * 1_000_000_000, 800.0) for n in range(3)])
    journal.flush()
    journal.close()
    window.live.endings.recover()
    qtbot.waitUntil(lambda: "Recovered" in window.live.notice.text, timeout=20_000)
    assert "drive-1.parquet" in window.live.notice.text
    window.live.notice.button.click()
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    assert window.pages.review.stack.keys == (("RPM", "7E8"),)


def orphan(folder: Path, name: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    facts = Facts(recording_id=name, signals={"RPM": SignalFacts(unit="rpm")})
    journal = JournalWriter(folder / f"{name}.parquet.journal", facts)
    journal.append([("RPM", "7E8", n * 1_000_000_000, 800.0) for n in range(3)])
    journal.flush()
    journal.close()


def test_many_journals_are_told_in_a_sentence_that_can_be_read(window: MainWindow, settings, qtbot):
    for number in range(30):
        orphan(settings.folder, f"drive-{number:02d}")
    window.live.endings.recover()
    qtbot.waitUntil(lambda: "and 26 more" in window.live.notice.text, timeout=20_000)
    assert len(window.live.notice.text) < 200
    assert len(list(settings.folder.glob("*.parquet"))) == 30


def test_what_a_crash_left_is_recovered_while_a_drive_goes_on(
    window: MainWindow, garage, settings, qtbot
):
    """And the drive's own ending is what is offered then."""
    orphan(settings.folder, "earlier")
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car("RPM")
    window.live.session.poll()
    window.live.endings.recover()
    qtbot.waitUntil((settings.folder / "earlier.parquet").exists, timeout=20_000)
    qtbot.waitUntil(lambda: "earlier.parquet" in window.live.notice.text, timeout=20_000)
    assert window.live.session.state == "recording"
    assert window.live.endings.last is None


def test_an_unattended_run_that_broke_off_is_told_and_recovered(
    window: MainWindow, garage, settings, qtbot
):
    live = window.live
    live.choose_link("sim:")
    live.set_up.unattended.setChecked(True)
    live.start()
    garage.last.find_car("RPM")
    live.session.poll()
    orphan(settings.folder, "cycle")
    left = settings.folder / "cycle.parquet.journal"
    garage.last.inbox.append(BrokeOff("It ended. It is started again in 5 s.", left))
    live.session.poll()
    assert "started again in 5 s" in live.notice.text
    assert live.session.state == "recording"
    qtbot.waitUntil((settings.folder / "cycle.parquet").exists, timeout=20_000)


def test_picker_purposes_and_search(qtbot):
    picker = SignalPicker(Settings())
    qtbot.addWidget(picker)
    assert picker.chosen() == ()
    assert picker.purpose.currentText() == DEFAULT
    picker.choose((), "warm-up")
    assert picker.chosen() == PURPOSES["warm-up"]
    picker.search.setText("coolant")
    shown = [picker._shown.index(r, 0).data() for r in range(picker._shown.rowCount())]
    assert any(text.startswith("ECT ") for text in shown)
    assert not any(text.startswith("RPM ") for text in shown)
    picker.search.setText("no such thing")
    assert "No signal matches" in picker.count.text()
    picker.search.clear()
    picker.list.activated.emit(picker._shown.index(0, 0))
    assert picker.purpose.currentText() == OWN


def test_closing_while_recording_finishes_first(recording: MainWindow, garage, qtbot):
    recording.ask_to_finish = lambda: False
    recording.close()
    assert recording.isVisible()
    assert not garage.last.stopped
    recording.ask_to_finish = lambda: True
    recording.close()
    assert garage.last.stopped
    qtbot.waitUntil(lambda: not recording.isVisible())
    assert garage.last.closed
