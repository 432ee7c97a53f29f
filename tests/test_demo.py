"""`logbench demo` without a screen: a whole job, as the README promises."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.cli import demo
from logbench.cli.main import main
from logbench.job.folder import open_job
from logbench.job.model import Role
from logbench.job.seal import seal_of
from logbench.simulator.drive import Drive
from logbench.simulator.options import make_car, parse_sim_url


@pytest.mark.parametrize("role", ["before", "after"])
def test_the_car_is_read_with_its_key_on_and_its_engine_off(role: Role):
    options = parse_sim_url(demo._parked_link(role))
    car = make_car(options)
    car.advance(options.start_s)
    assert car.ignition()
    assert isinstance(car, Drive)
    assert car.state.rpm == 0


@pytest.mark.slow
def test_the_whole_job_in_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "SPEED", 250)
    assert main(["demo", "--headless", "--out", "job"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 40
    said = " ".join(" ".join(lines).split())
    for part in ("act fuel trim", "P0171", "cleared", "Points to: unmetered air", "Resolved:"):
        assert part in said
    home, job = open_job(tmp_path / "job")
    assert [entry.role for entry in job.recordings] == ["before", "after"]
    assert [event.kind for event in job.events] == ["codes cleared"]
    assert job.work
    assert job.comparisons
    assert (home.path / "report-owner.pdf").read_bytes().startswith(b"%PDF")
    assert seal_of(home).state == "sealed"
