"""A long export says how far it is, ends when it is told to, and leaves nothing half."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.cases.recording import ExportRecording
from logbench.cases.work import CancelledError, Work
from logbench.cli.main import main
from logbench.recording.export import Selection
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace, signal_facts

NS = 10**9


@pytest.fixture
def long(tmp_path: Path) -> Path:
    """60,000 samples of two signals."""
    t_ns = np.arange(60_000, dtype=np.int64) * NS // 10
    traces = [Trace(s, "7E8", "", t_ns, np.arange(60_000.0)) for s in ("RPM", "MAF")]
    return write_recording(tmp_path / "long.parquet", traces, Facts(signals=signal_facts(("RPM",))))


@pytest.mark.parametrize(("layout", "step_s"), [("wide", None), ("wide", 0.05), ("long", None)])
def test_it_says_how_far_it_is(long, tmp_path, layout, step_s):
    told: list[float] = []
    case = ExportRecording(long, tmp_path / "out.csv", Selection(), layout, step_s)
    made = case.run(Work(lambda _, share: told.append(share), case.canceling))
    assert len(made.read_text("utf-8-sig").splitlines()) >= 60_000
    assert len(told) >= 6
    assert told == sorted(told)
    assert told[-1] > 0.8


def test_canceled_it_leaves_no_file(long, tmp_path):
    """It was seen through, whatever anybody said."""
    work = Work(None, ExportRecording.canceling)
    work.reported = lambda _, share: work.cancel() if share > 0.6 else None
    with pytest.raises(CancelledError):
        ExportRecording(long, tmp_path / "out.csv", Selection()).run(work)
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["long.parquet"]


def test_ctrl_c_says_what_was_not_touched(long, tmp_path, monkeypatch, capsys):
    def stopped(*_: object, **__: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr("logbench.recording.export._number", stopped)
    assert main(["export", str(long), "--out", str(tmp_path / "out.csv")]) == 130
    said = capsys.readouterr().err
    assert "out.csv was not written" in said
    assert "long.parquet is as it was" in said
    assert [path.name for path in tmp_path.iterdir()] == ["long.parquet"]
