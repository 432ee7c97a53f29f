"""The PNG plots hold what they are given: read back as pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from reportlab.lib.colors import HexColor

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.overlay import By, overlay
from logbench.analysis.model import Band, Condition, ConditionSpan, Finding, Span, Verdict
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.errors import StorageError
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording, open_recording
from logbench.report.drawing import BLUE, VERMILLION
from logbench.report.plots import (
    plot_cells,
    plot_intervals,
    plot_overlays,
    plot_recording,
    plot_trims,
    plot_warm_up,
)

BAND = Band("trim", "total", "%", (-10, 10), (-15, 15), "common practice, no source")


def _recording() -> Recording:
    t_ns = np.arange(600, dtype=np.int64) * 1_000_000_000
    wave = 1500 + 700 * np.sin(t_ns / 40e9)
    return Recording.of(
        [Trace("RPM", "7E8", "rpm", t_ns, wave), Trace("ECT", "7E8", "degC", t_ns, wave / 30)],
        Facts(vehicle=Car(label="Invented 2.0")),
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


def _pixels(path: Path) -> np.ndarray:
    """(height, width, 3), 0 to 255."""
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def _share_of(path: Path, color: HexColor) -> float:
    wanted = [round(255 * part) for part in color.rgb()]
    return float((np.abs(_pixels(path) - wanted).max(axis=-1) < 24).mean())


def test_recording_plot_shows_traces_and_evidence(tmp_path: Path):
    conditions = (ConditionSpan(0, 600_000_000_000, Condition.WARM_IDLE),)
    plain, marked = tmp_path / "plain.png", tmp_path / "marked.png"
    plot_recording(_recording(), conditions, [], plain)
    plot_recording(_recording(), conditions, [_finding(18, Verdict.ACT)], marked)
    assert _share_of(plain, BLUE) > 0.001
    changed = np.abs(_pixels(plain) - _pixels(marked)).max(axis=-1) > 5
    assert 0.03 < changed.mean() < 0.5  # a sixth of the time axis is shaded
    assert (_pixels(plain)[:8] == 255).all(), "white, and nothing runs over the edge"


def test_bars_follow_the_numbers(tmp_path: Path):
    small, large = tmp_path / "small.png", tmp_path / "large.png"
    for path, value in ((small, 8.0), (large, 14.0)):
        plot_trims([_finding(value, Verdict.WITHIN)], [_finding(14.0, Verdict.WITHIN)], path)
    assert _share_of(large, BLUE) > 1.2 * _share_of(small, BLUE)


def test_unwritable_path_is_one_sentence(tmp_path: Path):
    with pytest.raises(StorageError, match="nowhere"):
        plot_trims([_finding(1, Verdict.WITHIN)], [], tmp_path / "nowhere" / "x.png")


def test_the_plots_of_a_comparison(tmp_path: Path):
    folder = Path(__file__).parents[2] / "recordings"
    before, after = (open_recording(folder / f"{name}.parquet") for name in ("before", "after"))
    result = compare([before], [after])
    plot_intervals(result, tmp_path / "intervals.png")
    assert _share_of(tmp_path / "intervals.png", VERMILLION) > 0.0005, "a change is shown"
    assert _share_of(tmp_path / "intervals.png", BLUE) > 0.0005, "and none for others"
    plot_cells(result, "TOTAL_TRIM1", tmp_path / "cells.png")
    colored = np.ptp(_pixels(tmp_path / "cells.png"), axis=-1) > 40
    assert 0.05 < colored.mean() < 0.5
    with pytest.raises(KeyError):
        plot_cells(result, "NO_SUCH", tmp_path / "none.png")
    plot_warm_up(result, tmp_path / "warm-up.png")
    laid = overlay(View(before), View(after), "RPM", By.TIME)
    plot_overlays([laid], tmp_path / "overlay.png")
    for name in ("warm-up", "overlay"):
        for color in (BLUE, VERMILLION):
            assert _share_of(tmp_path / f"{name}.png", color) > 0.001, (name, color)
