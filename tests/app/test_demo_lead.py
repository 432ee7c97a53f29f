"""The demo leads through the window: faulty drive, review, repaired drive, comparison, jobs."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.analysis.causes.sentence import headline
from logbench.app.demo import SHOWS_MIN, Demo, DemoLead
from logbench.app.window import MainWindow
from logbench.capture.demo_drives import DEMO_SIGNALS, record_simulated
from logbench.capture.messages import Finished
from logbench.car.model import Car
from logbench.cases.causes import explain_files
from logbench.cases.work import run_here
from logbench.cli.demo import demo_link_url
from logbench.simulator.drive import Drive
from logbench.simulator.options import make_car, parse_sim_url
from logbench.simulator.produce import produce
from tests.app.conftest import Garage

DRIVES = Path(__file__).resolve().parents[2] / "recordings"


def test_it_leads_from_the_faulty_drive_to_the_jobs(
    window: MainWindow, garage: Garage, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
):
    lead = DemoLead(window, Demo("sim:?seed=1", "sim:?seed=2", Car(label="demo"), ("RPM",)))

    until = partial(qtbot.waitUntil, timeout=60_000)

    def driven(count: int) -> Path:
        until(lambda: len(garage.captures) == count)
        capture = garage.last
        assert capture.request.signals == ("RPM",)
        assert capture.request.vehicle.label == "demo"
        capture.find_car("RPM")
        until(lambda: not capture.inbox)
        assert capture.request.out is not None
        out = capture.request.out.with_name(f"drive {count}.parquet")  # both in one second
        out.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(DRIVES / ("before.parquet", "after.parquet")[count - 1], out)
        capture.inbox.append(Finished(out, 31, 3.0))
        until(lambda: f"Step {count + 1} of 4" in lead.notice.text)
        return out

    lead.start()
    assert "Step 1 of 4" in lead.notice.text
    before = driven(1)
    assert garage.last.request.link_url == "sim:?seed=1"
    lead.notice.button.click()
    assert window.pages.shown_key == "review"
    assert "Step 2 of 4" in lead.notice.text  # it lies over this page, too
    lead.notice.others[0].click()
    after = driven(2)
    assert garage.last.request.link_url == "sim:?seed=2"
    compared: list[tuple[list[Path], list[Path]]] = []
    monkeypatch.setattr(
        window.pages, "compare_recordings", lambda *sides: compared.append(sides)
    )  # what it does is tried in test_compare.py
    lead.notice.button.click()
    assert compared == [([before], [after])]
    assert before != after
    assert "Step 4 of 4" in lead.notice.text
    lead.notice.button.click()
    assert window.pages.shown_key == "job"
    assert lead.notice.text == ""


def test_so_long_a_drive_shows_what_is_wrong(tmp_path: Path):
    link = demo_link_url()
    options = parse_sim_url(link)
    car = make_car(options)
    assert isinstance(car, Drive)
    car.advance(options.start_s)
    samples = produce(car, DEMO_SIGNALS, for_s=60.0 * SHOWS_MIN)
    path = record_simulated(tmp_path / "drive.parquet", car, samples, "2026-05-04T07:40:00+00:00")
    explained = run_here(explain_files((path,)))
    assert headline(explained.causes).startswith("Points to: unmetered air")


def test_it_starts_nothing_while_another_drive_is_recorded(
    window: MainWindow, garage: Garage, qtbot: QtBot
):
    window.live.choose_link("sim:?seed=9")
    window.live.start()
    qtbot.waitUntil(lambda: len(garage.captures) == 1)
    DemoLead(window, Demo("sim:?seed=1", "sim:?seed=2", Car(), ("RPM",))).start()
    assert len(garage.captures) == 1
    assert window.live.busy
