"""Paired throttle and pedal sensors against each other.

Inputs: `TP` with `TP_B`, `TP_C`; `APP_D` with `APP_E`, `APP_F`. A pair is often 2:1 but not always,
and one may fall as the other rises: a line is fitted for this car, and what lies off it is judged.
Only samples at which neither moved are compared: even the samples of one request are taken one
after the other.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment, causes
from logbench.analysis.alignment import Mask, Values
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Explanation, Measured, judged, not_judged
from logbench.analysis.model import Finding, Span
from logbench.analysis.view import View

KEY = "throttle_pedal"
TITLE = "Throttle and pedal sensors"
ORDER = 9
BANDS = ("paired_sensors",)
INPUTS = ("TP", "TP_B", "TP_C", "APP_D", "APP_E", "APP_F")

PAIRS = (("TP", "TP_B"), ("TP", "TP_C"), ("APP_D", "APP_E"), ("APP_D", "APP_F"))
LEAST_SAMPLES = 30
LEAST_TRAVEL_PCT = 10.0
REST_PCT = 0.6
STEP_PCT = 100.0 / 255.0

_RECORD = (
    "Record TP with TP_B and APP_D with APP_E in one request and press the pedal slowly through its"
    " whole travel, engine off."
)
_PAIR = Explanation(
    (causes.PEDAL_PAIR,),
    ("Sweep slowly with the engine off and look where on the travel the pair parts.",),
)


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding for each recorded pair."""
    pairs = [(a, b) for a, b in PAIRS if view.trace(a) is not None and view.trace(b) is not None]
    if not pairs:
        return [not_judged(KEY, "paired sensors", "No pair of sensors was recorded.", _RECORD)]
    return [_pair(view, bands, a, b) for a, b in pairs]


def _pair(view: View, bands: Bands, a: str, b: str) -> Finding:
    subject = f"{a} and {b}"
    first, second = view.trace(a), view.trace(b)
    if first is None or second is None:  # both were there when the pair was chosen
        return not_judged(KEY, subject, "It was not recorded.", _RECORD)
    x = first.value
    y = alignment.same_request(second, first.t_ns)
    if np.isfinite(y).sum() < LEAST_SAMPLES:
        y = alignment.linear(second, first.t_ns, 1.5)
    good = np.isfinite(x) & np.isfinite(y) & _at_rest(x) & _at_rest(y)
    travel = float(np.ptp(x[good])) if good.any() else 0.0
    if good.sum() < LEAST_SAMPLES or travel < LEAST_TRAVEL_PCT:
        text = f"They moved by {travel:.0f} points only, or were not sampled together often enough."
        return not_judged(KEY, subject, text, _RECORD)
    slope, offset = _line(x[good], y[good])
    off = np.abs(y[good] - slope * x[good] - offset) / max(1.0, abs(slope))
    worst = float(np.percentile(off, 95))
    t = first.t_ns[good]
    odd = t[off > 3.0]
    spans = tuple(Span(int(s) - alignment.NS, int(s) + alignment.NS) for s in odd[:1])
    whole = (Span(int(t[0]), int(t[-1])),)
    return judged(
        KEY,
        subject,
        f"{b} = {slope:.2f} {a} {offset:+.1f}; off that line by",
        Measured(worst, STEP_PCT, spans or whole, numbers={"slope": slope, "offset_pct": offset}),
        bands["paired_sensors"],
        _PAIR,
    )


def _at_rest(value: Values) -> Mask:
    """Where a sensor keeps within `REST_PCT` of the two samples on each side."""
    rest = np.ones(len(value), dtype=bool)
    for back in (1, 2):
        step = np.abs(value[back:] - value[:-back]) > REST_PCT
        rest[back:] &= ~step
        rest[:-back] &= ~step
    return rest


def _line(x: Values, y: Values) -> tuple[float, float]:
    """Slope and offset of the least-squares line, fitted again without what lay far off it."""
    slope, offset = np.polyfit(x, y, 1)
    off = np.abs(y - slope * x - offset)
    near = off <= max(STEP_PCT, 3.0 * float(np.median(off)))
    if near.sum() >= LEAST_SAMPLES and np.ptp(x[near]) >= LEAST_TRAVEL_PCT / 2.0:
        slope, offset = np.polyfit(x[near], y[near], 1)
    return float(slope), float(offset)
