"""Fuel used in the drive: by airflow and commanded lambda, by the fuel-rate PID, and both compared.

Inputs: `MAF` with `LAMBDA` (1 where not recorded); `FUEL_RATE` in L/h or `ENG_FUEL_RATE` in g/s;
`VSS` for the distance. Enabled: a minute of running for the figure; twenty seconds of warm, steady
running with both for their ratio. Method: sums over time, none in fuel cut. Where both exist their
ratio shows the same as the trims: fuel that airflow does not account for. Gasoline of 745 g/l and
14.7 unless the facts or the share of ethanol (`ALCH_PCT`) say otherwise; of compression ignition
the PID alone, at 835 g/l. The consumption is a figure without a band. Uncertainty: the scatter of
the ratio over the steady stretches. Evidence: those stretches.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbench.analysis.alignment import Values
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.fuel import density_g_l, fuel_by_air_g_s, fuel_by_pid_g_s
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Coverage, Finding, Span
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View

KEY = "fuel_used"
TITLE = "Fuel used"
PLAIN = "The fuel used"
ORDER = 11
INPUTS = ("MAF", "FUEL_RATE", "VSS", "LAMBDA")

LEAST_S = 60.0
KNOWN_SHARE = 0.9
"""Of the running, so much must be known for a sum over the drive; the rest counts as its mean."""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Consumption of the drive, and the agreement of two ways to tell it."""
    by_air, by_pid = fuel_by_air_g_s(view), fuel_by_pid_g_s(view)
    used = by_air if by_pid is None else by_pid
    subject = Subject(KEY, "fuel used")
    if used is None or view.running_s() < LEAST_S:
        text = "Neither FUEL_RATE nor, of spark ignition, MAF was recorded for a minute of running."
        return [subject.not_judged(text, "record")]
    known = float(np.isfinite(used[view.conditions.running]).mean())
    if known < KNOWN_SHARE:
        text = said("The fuel is known for {p:.0f %} of the running only.", p=100.0 * known)
        return [subject.not_judged(text, "record"), _agreement(view, bands, by_air, by_pid)]
    return [_used(view, used, by_pid is not None), _agreement(view, bands, by_air, by_pid)]


def _used(view: View, rate: Values, by_pid: bool) -> Finding:
    """The consumption as a figure: there is no band for how somebody drove."""
    running = view.conditions.running
    liters = float(np.nanmean(rate[running])) * view.running_s() / density_g_l(view)
    numbers = {"liters": liters, "known_share": float(np.isfinite(rate[running]).mean())}
    speed = view.grid.linear("VSS")
    source = "the fuel-rate PID" if by_pid else "airflow"
    text = said("{liters:.2f l} of fuel by {source}", liters=liters, source=source)
    if speed is not None:
        km = float(np.nansum(speed)) * STEP_S / 3600.0
        numbers["km"] = km
        if km >= 1.0:
            numbers["l_per_100_km"] = 100.0 * liters / km
            per = said("{km:.1f km}: {r:.1f l/100 km}", km=km, r=100.0 * liters / km)
            text = said("{used} over {per}", used=text, per=per)
    t = view.grid.t_ns
    span = Span(int(t[0]), int(t[-1]))
    reason = joined([text, "a figure without a band"], end=".")
    lacks = Coverage.NO_LIMIT
    finding = Subject(KEY, "fuel used").not_judged(reason, "fill", evidence=(span,), lacks=lacks)
    return replace(finding, value=liters, unit="l", numbers=numbers)


def _agreement(
    view: View, bands: Bands, by_air: Values | None, by_pid: Values | None
) -> Finding | None:
    if by_air is None or by_pid is None:
        return None
    subject = Subject(KEY, "fuel-rate PID against airflow")
    usable = view.steady & view.conditions.warm & np.isfinite(by_air) & np.isfinite(by_pid)
    usable &= by_air > 0.02
    if np.count_nonzero(usable) * STEP_S < 20.0:
        text = "Too little warm, steady running with both was recorded."
        return subject.not_judged(text, "record")
    spans = view.stretches(usable, 1.0)
    ratio = 100.0 * float(by_pid[usable].sum() / by_air[usable].sum())
    each = 100.0 * by_pid[usable] / by_air[usable]
    half = max(1.0, float(np.std(each)) / np.sqrt(max(1.0, len(spans))))
    return subject.judged(
        "Fuel by the PID over fuel by airflow",
        Measured(ratio, half, spans),
        bands["fuel_agreement"],
        "agree",
    )
