"""Share of ethanol that the car reports, against what its fuel trims ask for.

Inputs: `ALCH_PCT`, `TOTAL_TRIMn` (of `SHRTFTn`, `LONGFTn`). Enabled: as the cells of the fuel trims
(warm, closed loop, steady), two cells or more. Method: gasoline burns with 14.7 times its mass of
air, ethanol with 9.0 times; the computer reckons with the share it reports, and the trims correct
the rest: the share that would need no trim, less the one reported. It needs cells that agree within
6 points: fuel is wrong everywhere alike, air is not. Uncertainty: that of the mean trim. Evidence:
the stretches of the cells. Of a car without this signal the fuel trims alone tell.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis.bands import Bands
from logbench.analysis.checks.fuel_trim import find_cells
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.fuel import blend
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.statement import said
from logbench.analysis.view import View

KEY = "ethanol"
TITLE = "Share of ethanol in the fuel"
PLAIN = "The share of ethanol in the fuel"
STRIPS = (("ALCH_PCT",), ("TOTAL_TRIM1", "TOTAL_TRIM2"), ("RPM",))
ORDER = 7
INPUTS = ("ALCH_PCT", "SHRTFT1", "LONGFT1")

LEAST_CELLS, MOST_APART_PCT = 2, 6.0
ALIKE_PCT = 2.0
"""Standard deviation of the total trim between cells of a good car. [open road data, measured]"""


def asked_share_pct(reported_pct: float, trim_pct: float) -> float:
    """Share of ethanol in % that needs no trim, where one is reported and the total trim is that of
    a computer which believes it; below 0 where gasoline is too much."""
    needed = blend(reported_pct) / (1.0 + trim_pct / 100.0)
    return 100.0 * (blend(0.0) - needed) / (blend(0.0) - blend(100.0))


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding."""
    subject = Subject(KEY, "reported against the trims")
    told = view.trace("ALCH_PCT")
    if told is None:
        text = "No share of ethanol was recorded; only cars for any share report one."
        return [subject.not_judged(text, lacks=Coverage.NOT_APPLICABLE)]
    banks = [b for b in view.banks if view.trace(f"TOTAL_TRIM{b}") is not None]
    cells = [cell for cell in find_cells(view, banks) if cell.enough and cell.cell != "load"]
    if len({cell.cell for cell in cells}) < LEAST_CELLS:
        text = "Less than two operating cells were held for long enough, warm and in closed loop."
        return [subject.not_judged(text, "record")]
    trims = np.array([cell.total.mean for cell in cells])
    spans = [span for cell in cells for span in cell.spans]
    if float(np.ptp(trims)) > MOST_APART_PCT:
        text = said(
            "The trims of the cells differ by {apart:.1f points}: that is not the fuel.",
            apart=float(np.ptp(trims)),
        )
        return [subject.not_judged(text, evidence=spans, lacks=Coverage.UNCERTAIN)]
    reported, trim = float(np.nanmedian(told.value)), float(trims.mean())
    half_pct = 1.96 * ALIKE_PCT / len(trims) ** 0.5
    asked = asked_share_pct(reported, trim)
    half = abs(asked_share_pct(reported, trim + half_pct) - asked)
    remark = said("{e:.0f %} reported, total trim {t:+.1f %}", e=reported, t=trim)
    return [
        subject.judged(
            "Share that the trims ask for less the one reported",
            Measured(asked - reported, half, spans, (remark,), {"reported_pct": reported}),
            bands["ethanol_share"],
            "contradicted",
        )
    ]
