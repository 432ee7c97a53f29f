"""A recording of 27 years in the window: opened, drawn, zoomed, read and judged at once."""

from __future__ import annotations

from pathlib import Path

from logbench.app.window import MainWindow
from tests.by_samples import DAY_NS, make


def test_a_recording_from_an_empty_clock(window: MainWindow, tmp_path: Path, qtbot):
    review = window.pages.review
    window.pages.show_page("review")
    path = make(tmp_path / "long.parquet", 0, 9_831 * DAY_NS)
    review.open_path(path)
    qtbot.waitUntil(lambda: review.opened is not None, timeout=20_000)
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)
    view = review.view
    assert view.end_ns >= 9_831 * DAY_NS
    while view.width_ns > 60e9:
        assert not window.grab().isNull()
        view.zoom(0.02, 30e9)
    assert not window.grab().isNull()
