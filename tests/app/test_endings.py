"""What a finished recording offers: review, the job, comparison with the last one of this car."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from logbench.app.window import MainWindow
from logbench.capture.messages import Finished
from logbench.car.model import Car
from logbench.cases.compare import last_of_this_car
from logbench.cases.work import run_here
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, SignalFacts, Trace

VINS = ("ZZ9TEST170X000001", "ZZ9TEST170X000002")


def drive(path: Path, vin: str, started: str) -> Path:
    t_ns = np.arange(20) * 100_000_000
    traces = [Trace("RPM", "7E8", "rpm", t_ns, np.full(20, 800.0))]
    car = Car(vin=vin)
    facts = Facts(
        vehicle=car, vin=vin, started_utc=started, signals={"RPM": SignalFacts(unit="rpm")}
    )
    return write_recording(path, traces, facts)


def drives(folder: Path) -> list[Path]:
    folder.mkdir(exist_ok=True)
    return [
        drive(folder / "drive-1.parquet", VINS[0], "2026-03-01T10:00:00Z"),
        drive(folder / "drive-2.parquet", VINS[0], "2026-03-02T10:00:00Z"),
        drive(folder / "drive-3.parquet", VINS[1], "2026-03-03T10:00:00Z"),
        drive(folder / "drive-4.parquet", VINS[0], "2026-03-04T10:00:00Z"),
    ]


def test_the_last_one_of_this_car_is_the_newest_earlier_one(tmp_path: Path):
    first, second, other, newest = drives(tmp_path)
    (tmp_path / "drive-5.parquet").write_bytes(b"no recording")
    assert run_here(last_of_this_car(newest)) == second
    assert run_here(last_of_this_car(second)) == first
    assert run_here(last_of_this_car(first)) is None
    assert run_here(last_of_this_car(other)) is None


def finish(window: MainWindow, garage, qtbot, path: Path) -> None:
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car("RPM")
    garage.last.drive("RPM")
    qtbot.waitUntil(lambda: live.session.state == "recording")
    garage.last.inbox.append(Finished(path, 20, 2.0))
    qtbot.waitUntil(lambda: not live.busy)


def press(window: MainWindow, words: str) -> None:
    next(b for b in window.live.notice.others if words in b.text()).click()


def test_a_finished_recording_offers_review_and_comparison(
    window: MainWindow, garage, qtbot, tmp_path: Path
):
    _, second, _, newest = drives(tmp_path / "recordings")
    finish(window, garage, qtbot, newest)
    notice = window.live.notice
    assert notice.button.text() == "Review it  Ctrl+Return"
    with qtbot.waitSignal(window.live.endings.compare_wanted, timeout=20_000) as wanted:
        press(window, "Compare with the last one")
    assert wanted.args == [[second], [newest]]
    assert window.pages.currentWidget() is window.pages.compare


def test_without_an_earlier_one_that_is_said(window: MainWindow, garage, qtbot, tmp_path: Path):
    first, *_ = drives(tmp_path / "recordings")
    finish(window, garage, qtbot, first)
    press(window, "Compare with the last one")
    qtbot.waitUntil(lambda: "no earlier recording" in window.live.notice.text, timeout=20_000)
    assert window.live.notice.others == []
