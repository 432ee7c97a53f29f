"""Warm idle: how steady it is, its speed against its own median, and the ignition timing.

Inputs: `RPM`, `VSS`, `ECT`; `SPARKADV` where there is. Enabled: warm idle, five seconds after it
began, two stretches of ten seconds or more. Method: the standard deviation of the engine speed in
each ten seconds, their median judged; the stretch furthest from the median of all; the mean timing.
No standard PID gives the target speed: the drive's own median stands for it. Uncertainty: the
scatter between the stretches. Evidence: the stretches of ten seconds.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import estimate, half_width_of_few
from logbench.analysis.view import View

KEY = "idle"
TITLE = "Idle stability, speed and timing"
PLAIN = "The idle"
STRIPS = (("RPM",), ("SPARKADV",), ("TP",))
ORDER = 8
INPUTS = ("RPM", "SPARKADV")

SETTLE_S = 5.0
WINDOW_S = 10.0
LEAST_WINDOWS = 2


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on stability, speed and timing of warm idle."""
    if view.trace("RPM") is None:
        return [Subject(KEY, "idle").not_judged("RPM was not recorded.", "record")]
    by_window = {window: view.samples((window,), "RPM").value for window in _windows(view)}
    used = [window for window, rpm in by_window.items() if len(rpm) >= 8]
    if len(used) < LEAST_WINDOWS:
        text = "Less than 20 s of settled warm idle was recorded."
        return [Subject(KEY, "idle stability").not_judged(text, "record")]
    sd = np.array([by_window[window].std(ddof=1) for window in used])
    level = np.array([by_window[window].mean() for window in used])
    numbers = {"worst_rpm": float(sd.max())}
    return [
        Subject(KEY, "idle stability").judged(
            "Scatter of the engine speed",
            Measured(float(np.median(sd)), half_width_of_few(sd), used, (), numbers),
            bands["idle_stability"],
            "unsteady",
        ),
        _speed(bands, level, used),
        _timing(view, bands, used),
    ]


def _windows(view: View) -> tuple[Span, ...]:
    """Windows of ten seconds of warm idle, each run without its first five seconds."""
    out = []
    for span in view.spans(Condition.WARM_IDLE):
        start = span.start_ns + int(SETTLE_S * NS)
        while start + int(WINDOW_S * NS) <= span.end_ns:
            out.append(Span(start, start + int(WINDOW_S * NS)))
            start += int(WINDOW_S * NS)
    return tuple(out)


def _speed(bands: Bands, level: alignment.Values, used: list[Span]) -> Finding:
    """The window that is furthest from the median of all."""
    median = float(np.median(level))
    away = level - median
    k = int(np.argmax(np.where(away >= 0, away / 200.0, -away / 100.0)))
    return Subject(KEY, "idle speed").judged(
        said("Warm idle is {median:.0f rpm}; the stretch furthest from it", median=median),
        Measured(float(away[k]), 5.0, (used[k],), numbers={"median_rpm": median}),
        bands["idle_against_median"],
        "speed",
    )


def _timing(view: View, bands: Bands, used: list[Span]) -> Finding:
    subject, found = Subject(KEY, "ignition timing at idle"), view.samples(used, "SPARKADV")
    if len(found) < 10:
        return subject.not_recorded(view, ["SPARKADV"], "record")
    level = estimate(found.value, found.group, 0.5)
    remark = said("scatter {sd:.1f deg}", sd=level.sd)
    return subject.judged(
        "Timing",
        Measured(level.mean, level.half_width, used, (remark,), {"sd_deg": level.sd}),
        bands["idle_timing"],
        "late" if level.mean < 0.0 else "unsteady",
    )
