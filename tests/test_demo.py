"""`logbench demo` without a screen; the whole of it is tried by `.ci/wheel.py`."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.capture.messages import Finished
from logbench.cli import demo
from logbench.cli.main import main
from logbench.errors import StorageError
from logbench.job.folder import JobFolder
from logbench.job.model import Job, RecordingEntry, Role
from logbench.simulator.drive import Drive
from logbench.simulator.options import make_car, parse_sim_url

BEFORE = Path(__file__).resolve().parents[1] / "recordings" / "before.parquet"


@pytest.mark.parametrize("role", ["before", "after"])
def test_the_car_is_read_with_its_key_on_and_its_engine_off(role: Role):
    options = parse_sim_url(demo._parked_link(role))
    car = make_car(options)
    car.advance(options.start_s)
    assert car.ignition()
    assert isinstance(car, Drive)
    assert car.state.rpm == 0


def test_a_drive_that_does_not_fit_into_the_job_ends_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    def full(self: JobFolder, job: Job, path: Path, *_: object) -> RecordingEntry:
        raise StorageError(f"The disk is full: {path.name} could not be written.")

    monkeypatch.setattr(
        "logbench.cli.record.record_shown", lambda request, steps: Finished(BEFORE, 1, 1.0)
    )
    monkeypatch.setattr(JobFolder, "add_recording", full)
    assert main(["demo", "--headless", "--out", str(tmp_path / "job")]) == 3
    assert "The disk is full: before.parquet" in capsys.readouterr().err
