"""Agreement of the temperature sensors after the car has stood.

Inputs: `ECT`, `IAT`, `AAT`, `EOT`. Enabled: key on or the first seconds after a start with the
coolant below 50 degC and the engine not run just before. Method: each sensor against the median of
the others, medians of up to ten samples. Uncertainty: the resolution of 1 K. Evidence: up to 20 s
after the start. Soak time is not a PID: someone must state it (Live page, or `--soak-hours` of
`logbench record` and `logbench check`; kept as `soak_hours` in the facts' `extra`). With six hours
or more the coolant is held against the air whatever it reads; without, a warm coolant may be
left-over heat and a difference is `watch` at most, but a coolant colder than all air is no
left-over heat.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View

KEY = "cold_soak"
TITLE = "Temperature sensors before the start"
PLAIN = "The agreement of the temperature sensors before the start"
STRIPS = (("ECT", "IAT", "AAT"),)
ORDER = 4
INPUTS = ("ECT", "IAT", "AAT", "EOT")

COLD_DEGC = 50.0
LATEST_S = 20.0
"""Samples up to this long after the start still show the standing car."""
SOAK_HOURS = 6.0
NOT_STATED = "the soak time is not stated"
_NAMES = {"ECT": "coolant", "IAT": "intake air", "AAT": "ambient air", "EOT": "oil"}


def check(view: View, bands: Bands) -> list[Finding]:
    """The finding on the agreement of the sensors."""
    held = [a for a in _NAMES if view.trace(a) is not None]
    if not held:
        return [Subject(KEY, "temperature sensors").not_judged("None was recorded.", "record")]
    return [_agreement(view, bands, held)]


def _agreement(view: View, bands: Bands, held: list[str]) -> Finding:
    subject = Subject(KEY, "agreement before the start")
    start = view.run_start_ns
    if start is None or _ran_before(view):
        text = "The recording does not show the engine before its first start."
        return subject.not_judged(text, "record")
    span = Span(int(view.grid.t_ns[0]), start + int(LATEST_S * NS))
    first = {a: view.samples((span,), a).value[:10] for a in held}
    degc = {a: float(np.median(v)) for a, v in first.items() if len(v)}
    if len(degc) < 2:
        text = "Fewer than two temperatures were recorded at the start."
        return subject.not_judged(text, "record")
    hours = view.surroundings.soak_hours
    soaked = hours is not None and hours >= SOAK_HOURS
    if not soaked and (degc.get("ECT", 0.0) >= COLD_DEGC or _left_over_heat(degc)):
        text = said("The engine was still warm ({t}); the soak time is not known.", t=_listed(degc))
        return subject.not_judged(text, "record")
    odd, value = _odd_one(degc)
    stood = NOT_STATED if hours is None else said("soak time {h:.0f h}, as stated", h=hours)
    cold_coolant = odd == "ECT" and value < 0.0  # no left-over heat makes it colder than the air
    return subject.judged(
        said("{odd} against the others ({listed})", odd=odd, listed=_listed(degc)),
        Measured(value, 1.0, (span,), (stood,), {a.lower(): v for a, v in degc.items()}),
        bands["cold_soak"],
        "coolant" if odd == "ECT" else "air",
        watch_at_most="" if soaked or cold_coolant else "it may not have soaked for long enough",
    )


def _ran_before(view: View) -> bool:
    """Whether the engine ran when the recording began."""
    runtime = view.trace("RUNTM")
    early = runtime is not None and bool(runtime.value[:1] > 0.0)
    return early or bool(view.conditions.running[:1].any())


def _left_over_heat(degc: dict[str, float]) -> bool:
    """Whether the coolant is warmer than the coldest other: it may not have cooled down yet."""
    others = [v for a, v in degc.items() if a != "ECT"]
    return "ECT" in degc and degc["ECT"] > min(others) + 8.0


def _odd_one(degc: dict[str, float]) -> tuple[str, float]:
    """The sensor that is furthest from the median of the others, and by how much."""
    away = {
        a: v - float(np.median([w for b, w in degc.items() if b != a])) for a, v in degc.items()
    }
    odd = max(away, key=lambda a: (abs(away[a]), a == "ECT"))
    return odd, away[odd]


def _listed(degc: dict[str, float]) -> str:
    return joined((said("{a} {v:.0f degC}", a=a, v=v) for a, v in degc.items()), ", ")
