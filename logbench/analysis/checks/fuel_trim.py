"""Total fuel trim of each bank over operating cells, and the pattern that the cells make.

Inputs: `TOTAL_TRIMn`, computed of `SHRTFTn` and `LONGFTn`, of each bank; `ECT`, `FUELSYS1`, `VSS`,
`LOAD_PCT`, `EVAP_PCT` where there are. Enabled: warm, closed loop (inferred, and said so, where not
recorded), steady for three seconds, no fuel cut, no full throttle. Method: its mean over all steady
stretches of a cell; idle less the mean of the cells of moderate airflow, and load less idle, in
which what a car's cells have in common drops out; the difference of the banks.
Uncertainty: a 95 % interval that minds autocorrelation and the scatter between stretches. Evidence:
the steady stretches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis import alignment, trim_pattern
from logbench.analysis.alignment import Mask
from logbench.analysis.bands import Bands
from logbench.analysis.conditions import WARM_DEGC
from logbench.analysis.findings import Measured, Subject, explained
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Finding, Span, Verdict
from logbench.analysis.statement import said
from logbench.analysis.states import find_states
from logbench.analysis.statistics import MIN_STRETCHES, Estimate, estimate
from logbench.analysis.trim_pattern import CELLS, MIDDLE, find_pattern
from logbench.analysis.view import SETTLE_S, View, evidence
from logbench.recording.model import Trace

KEY = "fuel_trim"
TITLE = "Total fuel trim"
PLAIN = "The amount by which the engine computer corrects the fuel"
STRIPS = (
    ("TOTAL_TRIM1", "TOTAL_TRIM2"),
    *(("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"), ("RPM",), ("MAF",)),
)
SHOWN = r"(SHRT|LONG)FT\d|TOTAL_TRIM\d|RPM|LOAD_PCT"
INPUTS = ("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2", "ECT", "RPM", "FUELSYS1")
ORDER = 1
PARTS = (trim_pattern,)

LEAST, LEAST_LOAD = (8, 20.0), (5, 4.0)
"""Samples and seconds that a cell needs: what is held under load never lasts."""
STRETCH_PCT = 0.9
"""Standard deviation of a cell between two stretches of one drive: purge, load and learning differ.
Half width where there are too few of them to show it. [open road data, measured: 27 drives]"""
BRISK_PCT, LOAD_PCT = 38.0, 50.0
"""Calculated load from which a driving sample counts as `brisk cruise`; and as `load`, where it was
not below the former for `SETTLE_S`. [CP]"""

SETTLE_PCT_S = 1.0
"""Rate of change up to which the trims have caught up with the operating point: a change of 20
points takes them about ten seconds."""

PURGE_PCT = 5.0
"""Commanded purge up to which the vapor is taken as negligible."""

QUANTUM_PCT = 100.0 / 128.0

_CONDITION = {
    "warm idle": (Condition.WARM_IDLE,),
    "2,500 rpm hold": (Condition.FAST_IDLE,),
    "light cruise": (Condition.CRUISE,),
    "brisk cruise": (Condition.CRUISE,),
}


@dataclass(frozen=True, slots=True)
class TrimCell:
    """Total fuel trim of one bank in one cell: the estimate in %, its evidence and remarks."""

    bank: int
    cell: str
    total: Estimate
    own_half: float
    """Half width without what differs from stretch to stretch, which banks have in common."""
    short: float
    long: float
    seconds: float
    spans: tuple[Span, ...]
    remarks: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Whether it rests on enough samples and seconds to be judged."""
        n, seconds = LEAST_LOAD if self.cell == "load" else LEAST
        return self.total.n >= n and self.seconds >= seconds


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings for each bank and cell, for the difference of banks, and for the pattern."""
    pairs = [b for b in view.banks if not view.missing(f"SHRTFT{b}", f"LONGFT{b}")]
    if not pairs:
        text = "Short- and long-term fuel trim of a bank were not both recorded."
        return [Subject(KEY, "total fuel trim").not_judged(text, "trims")]
    found = find_cells(view, pairs)
    used = [cell for cell in found if cell.enough]
    if not used:
        return [_nothing(view)]
    findings = [_cell_finding(cell, bands) for cell in used]
    sure = [c for c, f in zip(used, findings, strict=True) if f.verdict is not Verdict.NOT_JUDGED]
    pattern = find_pattern(view, {(c.bank, c.cell): c.total.mean for c in sure})
    for name in CELLS:
        if all(c.cell != name for c in used):
            most = max((c for c in found if c.cell == name), key=lambda c: c.seconds, default=None)
            findings.append(Subject(KEY, name).not_judged(_too_little(name, most), name))
    findings += [f for bank in pairs for f in _trends(used, bands, bank)]
    if len(pairs) == 2:
        findings.append(_difference(used, bands, pairs))
    findings = [explained(finding, pattern.explanation) for finding in findings]
    findings.append(pattern.finding(KEY, findings))
    return findings


def find_cells(view: View, banks: Sequence[int]) -> list[TrimCell]:
    """The total fuel trim of each of these banks in every cell, with or without enough evidence."""
    masks = cell_masks(view)
    return [
        _measure(view, bank, total, name, view.stretches(mask & calm, 1.0))
        for bank in banks
        if (total := view.trace(f"TOTAL_TRIM{bank}")) is not None
        for calm in [settled(view, bank)]
        for name, mask in masks.items()
    ]


def cell_masks(view: View) -> dict[str, Mask]:
    """Where each cell is, on the grid: steady, warm and in closed loop."""
    found = view.conditions
    usable = found.closed_loop & found.warm
    load = view.grid.linear("LOAD_PCT", "LOAD_ABS")
    nowhere = np.zeros(len(view.grid), dtype=bool)
    brisk, heavy = (nowhere if load is None else load >= at for at in (BRISK_PCT, LOAD_PCT))
    masks = {
        name: usable & view.steady & found.mask(*conditions) & ~heavy
        for name, conditions in _CONDITION.items()
    }
    masks["light cruise"] &= ~brisk
    masks["brisk cruise"] &= brisk
    last = view.grid.held("LOAD_PCT", "LOAD_ABS")
    if load is not None and last is not None:  # by the reading before, too, where they are slow
        heavy = heavy & (last >= LOAD_PCT) & (view.grid.least_of(load, SETTLE_S) >= BRISK_PCT)
    masks["load"] = usable & heavy & ~found.mask(Condition.FULL_THROTTLE, Condition.FUEL_CUT)
    return masks


def settled(view: View, bank: int) -> Mask:
    """Where the total fuel trim does not run: its mean over the next three seconds against that
    over the last three changes by at most `SETTLE_PCT_S`. Of fewer than three readings in that
    time the scatter of the trim would tell: there it is not asked."""
    total, trace = view.grid.linear(f"TOTAL_TRIM{bank}"), view.trace(f"TOTAL_TRIM{bank}")
    if total is None or trace is None or trace.interval_s > SETTLE_S / 3.0:
        return np.ones(len(view.grid), dtype=bool)
    known = np.isfinite(total)
    size = round(SETTLE_S / STEP_S)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, total, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    at = np.arange(len(total))
    back, ahead = np.maximum(at - size, 0), np.minimum(at + size, len(total))
    before = (sums[at] - sums[back]) / np.maximum(counts[at] - counts[back], 1)
    after = (sums[ahead] - sums[at]) / np.maximum(counts[ahead] - counts[at], 1)
    edge = (counts[at] == counts[back]) | (counts[ahead] == counts[at])
    return np.asarray(edge | (np.abs(after - before) <= SETTLE_PCT_S * SETTLE_S))


def _measure(view: View, bank: int, total: Trace, name: str, spans: Sequence[Span]) -> TrimCell:
    step_s = min(2.0, total.interval_s)
    owner = alignment.owner(total.t_ns, spans)
    good = (owner >= 0) & np.isfinite(total.value)
    good, remarks = _undisturbed(view, name, total.t_ns, good, step_s)
    kept = evidence(spans, total.t_ns[good])
    short = view.last(total.t_ns[good], f"SHRTFT{bank}", max_age_s=1.0)
    part = float(np.nanmean(short)) if good.any() else float("nan")
    found = estimate(total.value[good], owner[good], QUANTUM_PCT)
    own_half = found.half_width
    if len(kept) < MIN_STRETCHES:
        apart = 1.96 * STRETCH_PCT / max(1, len(kept)) ** 0.5
        found = replace(found, half_width=float(np.hypot(found.half_width, apart)))
    if not view.conditions.loop_recorded:
        remarks = (*remarks, "closed loop is inferred, FUELSYS1 was not recorded")
    return TrimCell(
        bank=bank,
        cell=name,
        total=found,
        own_half=own_half,
        short=part,
        long=found.mean - part,
        seconds=float(np.count_nonzero(good)) * step_s,
        spans=kept,
        remarks=remarks,
    )


def _undisturbed(
    view: View, name: str, t_ns: alignment.Times, good: Mask, step_s: float
) -> tuple[Mask, tuple[str, ...]]:
    """Samples without purge vapor and, at idle, without an accessory's load, where there are
    enough of them; else all, with a remark."""
    purging = view.last(t_ns, "EVAP_PCT", max_age_s=10.0) > PURGE_PCT
    looks = [(purging, "purge vapor was flowing")]
    if name == "warm idle":
        looks.append((view.once(find_states).burdened(t_ns), "an accessory loaded the engine"))
    remarks = []
    n, seconds = LEAST_LOAD if name == "load" else LEAST
    for disturbed, remark in looks:
        clean = good & ~disturbed
        if clean.sum() >= max(n, seconds / step_s, 0.3 * good.sum()):
            good = clean
        elif good.any():
            remarks.append(remark)
    return good, tuple(remarks)


def _cell_finding(cell: TrimCell, bands: Bands) -> Finding:
    numbers = {
        "short_term_pct": cell.short,
        "long_term_pct": cell.long,
        "samples": float(cell.total.n),
        "effective_samples": cell.total.n_effective,
        "seconds": cell.seconds,
    }
    return Subject(KEY, f"bank {cell.bank}, {cell.cell}").judged(
        TITLE,
        Measured(cell.total.mean, cell.total.half_width, cell.spans, cell.remarks, numbers),
        bands["fuel_trim_total"],
    )


def _trends(cells: Sequence[TrimCell], bands: Bands, bank: int) -> list[Finding]:
    """Idle less the mean of the cells of moderate airflow, and load less idle, where both have
    evidence enough. The car's own error is common to its cells and drops out, so that these show
    what each cell alone hides."""
    mine = {c.cell: c for c in cells if c.bank == bank}
    idle, load = mine.get("warm idle"), mine.get("load")
    middle = [mine[name] for name in MIDDLE if name in mine]
    if idle is None:
        return []
    found = []
    if middle:
        mean = float(np.mean([c.total.mean for c in middle]))
        together = float(np.sqrt(np.sum([c.total.half_width**2 for c in middle])))
        half = float(np.hypot(idle.total.half_width, together / len(middle)))
        names = ", ".join(c.cell for c in middle)
        remark = said("{mean:+.1f %} over {names}", mean=mean, names=names)
        measured = Measured(idle.total.mean - mean, half, idle.spans, (remark,))
        what = "Total fuel trim at idle less that at higher airflow"
        found.append(("idle against higher airflow", what, measured, "fuel_trim_trend"))
    if load is not None:
        half = float(np.hypot(idle.total.half_width, load.total.half_width))
        measured = Measured(load.total.mean - idle.total.mean, half, load.spans)
        what = "Total fuel trim under load less that at idle"
        found.append(("load against idle", what, measured, "fuel_trim_load_trend"))
    return [
        Subject(KEY, f"bank {bank}, {subject}").judged(what, measured, bands[key])
        for subject, what, measured, key in found
    ]


def _difference(cells: Sequence[TrimCell], bands: Bands, banks: Sequence[int]) -> Finding:
    """The largest difference between two banks in any cell that both have."""
    subject, by_key = Subject(KEY, "bank difference"), {(c.bank, c.cell): c for c in cells}
    first, second = banks
    both = [name for name in CELLS if (first, name) in by_key and (second, name) in by_key]
    if not both:
        return subject.not_judged("No cell has enough evidence on both banks.", "any")

    def gap(name: str) -> float:
        return by_key[first, name].total.mean - by_key[second, name].total.mean

    name = max(both, key=lambda n: abs(gap(n)))
    a, b = by_key[first, name], by_key[second, name]
    half = float(np.hypot(a.own_half, b.own_half))
    return subject.judged(
        said(
            "Bank {first} less bank {second}, largest at {cell},",
            first=first,
            second=second,
            cell=name,
        ),
        Measured(gap(name), half, a.spans, numbers={f"at {n}": gap(n) for n in both}),
        bands["fuel_trim_bank_difference"],
    )


def _too_little(name: str, cell: TrimCell | None) -> str:
    """Why a cell was not judged: how much of it there was, and how much it takes."""
    samples, seconds = (0, 0.0) if cell is None else (cell.total.n, cell.seconds)
    n, least = LEAST_LOAD if name == "load" else LEAST
    return said(
        "Steady, warm running in closed loop in the cell '{name}': {s:.0f s} in {samples} samples;"
        " {least:.0f s} in {n} are needed.",
        name=name,
        s=seconds,
        samples=samples,
        least=least,
        n=n,
    )


def _nothing(view: View) -> Finding:
    found = view.conditions
    if not found.warm.any():
        reason = said("The coolant never reached {warm:.0f degC} while recording.", warm=WARM_DEGC)
    elif not found.closed_loop.any():
        reason = "The fuel system never went into closed loop while recording."
    else:
        reason = "No operating condition was held steady for long enough, warm and in closed loop."
    return Subject(KEY, "total fuel trim").not_judged(reason, "any")
