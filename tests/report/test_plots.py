"""The PNG plots hold what they are given: read back as pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from logbench.analysis.model import Band, Condition, ConditionSpan, Finding, Span, Verdict
from logbench.errors import StorageError
from logbench.recording.model import Facts, Trace, Vehicle
from logbench.recording.reader import Recording
from logbench.report.plots import BLUE, plot_recording, plot_verdicts

BAND = Band("trim", "total", "%", (-10, 10), (-15, 15), "common practice, no source")


def _recording() -> Recording:
    t_ns = np.arange(600, dtype=np.int64) * 1_000_000_000
    wave = 1500 + 700 * np.sin(t_ns / 40e9)
    return Recording.of(
        [Trace("RPM", "7E8", "rpm", t_ns, wave), Trace("ECT", "7E8", "degC", t_ns, wave / 30)],
        Facts(vehicle=Vehicle(label="Invented 2.0")),
    )


def _finding(value: float, verdict: Verdict) -> Finding:
    return Finding(
        "fuel_trim",
        "bank 1, warm idle",
        verdict,
        "invented",
        value=value,
        uncertainty=1.0,
        unit="%",
        band=BAND,
        evidence=(Span(100_000_000_000, 200_000_000_000),),
    )


def _share_of(path: Path, colour: str) -> float:
    pixels = np.round(imread(path)[..., :3] * 255).astype(int)
    wanted = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return float((np.abs(pixels - wanted).max(axis=-1) < 24).mean())


def test_recording_plot_shows_traces_and_evidence(tmp_path: Path):
    conditions = (ConditionSpan(0, 600_000_000_000, Condition.WARM_IDLE),)
    plain, marked = tmp_path / "plain.png", tmp_path / "marked.png"
    plot_recording(_recording(), conditions, [], plain)
    plot_recording(_recording(), conditions, [_finding(18, Verdict.ACT)], marked)
    assert _share_of(plain, BLUE) > 0.001
    changed = np.abs(imread(plain) - imread(marked)).max(axis=-1) > 0.02
    assert 0.03 < changed.mean() < 0.5  # a sixth of the time axis is shaded


def test_bars_follow_the_numbers(tmp_path: Path):
    small, large = tmp_path / "small.png", tmp_path / "large.png"
    for path, value in ((small, 8.0), (large, 14.0)):
        side = [_finding(value, Verdict.WITHIN), _finding(14.0, Verdict.WITHIN)]
        plot_verdicts([("before", side[:1]), ("after", side[1:])], path)
    assert _share_of(large, BLUE) > 1.2 * _share_of(small, BLUE)


def test_unwritable_path_is_one_sentence(tmp_path: Path):
    with pytest.raises(StorageError, match="nowhere"):
        plot_verdicts([("before", [_finding(1, Verdict.WITHIN)])], tmp_path / "nowhere" / "x.png")
