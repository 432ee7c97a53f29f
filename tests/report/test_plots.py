"""The PNG plots hold what they are given: read back as pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.overlay import By, overlay
from logbench.analysis.model import Band, Condition, ConditionSpan, Finding, Span, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.run import strips_of as signals_of
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.errors import StorageError
from logbench.job.times import when_text
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording, open_recording
from logbench.report.drawing import BLUE, VERMILLION, write_png
from logbench.report.plots import (
    findings_chart,
    plot_cells,
    plot_intervals,
    plot_overlays,
    plot_recording,
    plot_warm_up,
    sides_title,
    strips_of,
)
from logbench.signals.units import Units

SIDES = "before: Invented 2.0 · a.parquet\nafter: Invented 2.0 · b.parquet"
BAND = Band("trim", "total", "%", (-10, 10), (-15, 15), "common practice, no source")


def _bars(before: list[Finding], after: list[Finding], path: Path, sides: str) -> None:
    found = [{f.subject: f for f in findings} for findings in (before, after)]
    both = {subject: tuple(side.get(subject) for side in found) for subject in found[0] | found[1]}
    write_png(findings_chart(both, Units()), path, sides)


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


def _share_of(path: Path, color: str) -> float:
    wanted = [int(color[at : at + 2], 16) for at in (1, 3, 5)]
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


def _said(path: Path) -> str:
    with Image.open(path) as image:
        image.load()
        return str(image.info["Description"])


def test_every_picture_says_which_car_which_drive_and_when(tmp_path: Path):
    recording = _recording()
    recording.facts.started_utc = "2026-05-04T07:40:00+00:00"
    plot_recording(recording, (), [_finding(18, Verdict.ACT)], tmp_path / "a.png")
    said = _said(tmp_path / "a.png")
    assert "Invented 2.0" in said
    assert when_text("2026-05-04T07:40:00+00:00") in said
    assert "RPM from 800 to 2,200 rpm" in said
    title = sides_title([[(recording.facts, "a.parquet")], [(Facts(), "b.parquet")]])
    _bars([_finding(18, Verdict.ACT)], [], tmp_path / "b.png", title)
    said = _said(tmp_path / "b.png")
    for words in ("before: Invented 2.0 · a.parquet · 2026", "after: b.parquet · date not known"):
        assert words in said
    assert "warm idle: before 18 ± 1 %, after not known." in said


def test_the_total_trim_is_drawn_with_its_band():
    recording = open_recording(Path(__file__).parents[2] / "recordings" / "before.parquet")
    view = View(recording)
    findings = [f for f in run_checks(view) if f.check == "fuel_trim"]
    strips = strips_of(view.recorded, signals_of("fuel_trim"), Units(), findings)
    first = next(iter(strips.values()))
    assert [line.name for line in first.lines] == ["TOTAL_TRIM1"]
    assert first.band == (-10.0, 10.0)
    assert strips["RPM",].band is None


def test_bars_follow_the_numbers(tmp_path: Path):
    small, large = tmp_path / "small.png", tmp_path / "large.png"
    for path, value in ((small, 8.0), (large, 14.0)):
        _bars([_finding(value, Verdict.WITHIN)], [_finding(14.0, Verdict.WITHIN)], path, SIDES)
    assert _share_of(large, BLUE) > 1.2 * _share_of(small, BLUE)


def test_unwritable_path_is_one_sentence(tmp_path: Path):
    with pytest.raises(StorageError, match="nowhere"):
        _bars([_finding(1, Verdict.WITHIN)], [], tmp_path / "nowhere" / "x.png", SIDES)


def test_the_plots_of_a_comparison(tmp_path: Path):
    folder = Path(__file__).parents[2] / "recordings"
    before, after = (open_recording(folder / f"{name}.parquet") for name in ("before", "after"))
    result = compare([before], [after])
    plot_intervals(result, tmp_path / "intervals.png", SIDES)
    assert _share_of(tmp_path / "intervals.png", VERMILLION) > 0.0005, "a change is shown"
    assert _share_of(tmp_path / "intervals.png", BLUE) > 0.0005, "and none for others"
    plot_cells(result, "TOTAL_TRIM1", tmp_path / "cells.png", SIDES)
    colored = np.ptp(_pixels(tmp_path / "cells.png"), axis=-1) > 40
    assert 0.05 < colored.mean() < 0.5
    with pytest.raises(KeyError):
        plot_cells(result, "NO_SUCH", tmp_path / "none.png", SIDES)
    plot_warm_up(result, tmp_path / "warm-up.png", SIDES)
    laid = overlay(View(before), View(after), "RPM", By.TIME)
    plot_overlays([laid], tmp_path / "overlay.png", SIDES)
    for name in ("warm-up", "overlay"):
        for color in (BLUE, VERMILLION):
            assert _share_of(tmp_path / f"{name}.png", color) > 0.001, (name, color)
