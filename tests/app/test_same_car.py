"""The same-car question in the window: asked once, and its answer is remembered."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.car.identity import Identity
from logbench.car.model import Car
from logbench.cases.cars import CarsFile
from logbench.job.folder import create_job, open_job
from logbench.job.model import Job
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace

# Invented.
FIRST, SECOND = "ZZ9TEST120X000007", "ZZ9TEST170X000001"


@pytest.fixture
def page(window, tmp_path):
    folder = create_job(tmp_path, "job", Job(vehicle=Car(vin=FIRST)))[0].path
    window.pages.show_page("job")
    assert window.pages.job.open_path(folder)
    return window.pages.job


def drive_of(path, vin):
    trace = Trace("RPM", "7E8", "rpm", np.arange(5) * 10**9, np.full(5, 800.0))
    return write_recording(path, [trace], Facts(vehicle=Car(vin=vin)))


@pytest.mark.parametrize("same", [True, False])
def test_the_newest_drive_of_another_car_is_asked_for(page, qtbot, tmp_path, same):
    asked = []
    page.same_car = lambda _, found: asked.append(found) or same
    drives = [drive_of(tmp_path / f"{name}.parquet", SECOND) for name in "ab"]
    page.tabs.adding.add(page.opened, drives[:1])
    qtbot.waitUntil(lambda: bool(asked) and not page.opened.owner.runner.busy)
    qtbot.waitUntil(lambda: len(page.opened.job.recordings) == same)
    assert FIRST in asked[0]
    assert SECOND in asked[0]
    known = CarsFile().load()
    meeting = known.judge(Identity(vin=FIRST), Identity(vin=SECOND))
    assert meeting.answered
    if same:
        page.tabs.adding.add(page.opened, drives[1:])
        qtbot.waitUntil(lambda: len(page.opened.job.recordings) == 2)
        assert len(asked) == 1
    page.opened.flush()
    assert len(open_job(page.opened.folder.path)[1].recordings) == 2 * same
