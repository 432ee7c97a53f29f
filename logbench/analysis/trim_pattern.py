"""Which pattern the total fuel trims of all cells make, and what it may mean.

- *Falls with airflow* (high at idle, little at 2,500 rpm and cruise): unmetered air. The trade's
  rule: idle at +10 % or more, falling by 7 to 8 points at 2,500 rpm without load. [CP] Without an
  air-flow sensor a leak is metered with the rest: then a pressure sensor that reads low by a fixed
  amount, which is most of the little pressure at idle. [Calc]
- *Rises with airflow* (near normal at idle, growing with load): weak delivery, or an air-flow
  sensor that reads low; the airflow check's volumetric efficiency tells which.
- *Lean everywhere*: air-flow sensor reading low where efficiency is low too, else a front oxygen
  sensor that reads lean, or delivery. Where all cells are equally lean it may be fuel with ethanol:
  a rear sensor that is rich at rest speaks for the front sensor, one that is not for the fuel.
- *Rich at idle*: leaking injector, purge, fuel in the oil. *Rich everywhere*: pressure, air-flow
  sensor reading high, coolant sensor reading cold; equally rich, too: one injector that gives too
  much at any load.
- *One bank only*: that bank's gasket, injectors, sensor, or an exhaust leak ahead of it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis.airflow import reads_low
from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.engine import Trait
from logbench.analysis.findings import EXPLANATIONS, Explanation, explained
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.narrow_band import closed_spans, narrow
from logbench.analysis.statement import Quantity, said, said_n
from logbench.analysis.states import steady_idle
from logbench.analysis.unrest import find_unrest
from logbench.analysis.view import View

WHY = EXPLANATIONS["fuel_trim"]


CELLS = ("warm idle", "2,500 rpm hold", "light cruise", "brisk cruise", "load")
"""Operating cells in order of airflow."""

MIDDLE = CELLS[1:4]
"""Under load trims are short-lived and unlearned: these are held against idle."""

OUT_PCT = 8.0
"""Mean trim from which a cell takes part in a pattern."""

NEAR_PCT = 2.0
"""Mean trim up to which a cell neither adds nor takes away. [CP]"""

SLOPE_PCT, LOAD_SLOPE_PCT = 6.0, 7.0
"""Differences between idle and moderate airflow, or load, that make a pattern although no cell is
out: the edges of their bands."""

TREND_PCT = 4.0
"""Difference between idle and the highest airflow that counts as a trend; the trade's rule for
unmetered air at 2,500 rpm is 7 to 8 points. [CP]"""

LEVEL_PCT = 7.7
"""Cells that differ by no more are equally lean: those of a good car by a standard deviation of 2
points [open road data, measured], of which the range of five is less in 19 of 20. [Calc]"""

LEAST_VACUUM_KPA = 55.0
"""At idle a good engine draws more. [CP]"""

REAR_RICH_V, LEAST_REAR = 0.75, 20
"""Behind a good catalyst at lambda 1 a sensor rests at 0.5 to 0.75 V. [CP]"""

BANK_PCT = 7.0
"""Difference between banks that counts as one bank only."""

Trims = Mapping[tuple[int, str], float]
"""(bank, cell) to total fuel trim in %."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern's sentence, and what it may mean."""

    sentence: str
    explanation: Explanation
    idle_pct: float
    high_pct: float

    def finding(self, check: str, cells: Sequence[Finding]) -> Finding:
        """The pattern as a finding: as severe as the worst of `cells`."""
        worst = max((f.verdict for f in cells), key=lambda v: (v.severity, v is Verdict.WITHIN))
        numbers = {"idle_pct": self.idle_pct, "highest_airflow_pct": self.high_pct}
        finding = Finding(
            check=check,
            subject="pattern",
            verdict=worst,
            reason=self.sentence,
            evidence=tuple(s for f in cells if f.verdict is worst for s in f.evidence[:3]),
            numbers={k: v for k, v in numbers.items() if math.isfinite(v)},
        )
        return explained(finding, self.explanation)


def find_pattern(view: View, trims: Trims) -> Pattern:
    """The pattern that the judged cells make. Where the idle is rough, too, what makes it so comes
    first: unburned air of a cylinder reads as lean, burned gas that comes back through open valves
    takes the place of air."""
    pattern = _of_trims(view, trims)
    unrest, causes = view.once(find_unrest), pattern.explanation.causes
    if not causes or unrest is None or not unrest.rough:
        return pattern
    if sum(trims.values()) > 0.0:
        rough = NAMED["misfire"] if unrest.falls else NAMED["injector_under"]
    else:
        rough = NAMED["cam_timing"] if unrest.falls else NAMED["injector_over"]
    why = replace(pattern.explanation, causes=(rough, *causes))
    return replace(pattern, explanation=why)


def _of_trims(view: View, trims: Trims) -> Pattern:
    banks = sorted({bank for bank, _ in trims})
    by_bank = {b: {c: trims[b, c] for c in CELLS if (b, c) in trims} for b in banks}
    odd = _odd_bank(by_bank)
    if odd is not None:
        return _one_bank(odd, by_bank)
    # the bank that is furthest off shows the pattern; both have it, or `_odd_bank` would say so
    lead = max(by_bank, key=lambda b: max(map(abs, by_bank[b].values())), default=None)
    mean = {} if lead is None else by_bank[lead]
    idle = mean.get("warm idle", float("nan"))
    above = [mean[c] for c in CELLS[1:] if c in mean]
    high = above[-1] if above else float("nan")
    highest, lowest = max(mean.values(), default=0.0), min(mean.values(), default=0.0)
    middle = [mean[c] for c in MIDDLE if c in mean]
    slope = idle - sum(middle) / len(middle) if middle else 0.0
    loaded = mean.get("load", float("nan")) - idle
    sloping = abs(slope) >= SLOPE_PCT or abs(loaded) >= LOAD_SLOPE_PCT
    if max(highest, -lowest) < OUT_PCT and not sloping:
        text = said_n(
            "The one cell judged makes no pattern of a fault.",
            "The {n} cells judged make no pattern of a fault.",
            len(mean),
        )
        return Pattern(text, Explanation(), idle, high)
    if highest >= -lowest:
        # the trims under load are less learned: alone they must fall by more than cells differ
        least = TREND_PCT if middle else LEVEL_PCT
        middle = middle or above
        falls = bool(middle) and idle - min(middle) >= max(least, 0.35 * idle)
        rises = bool(above) and max(above) - idle >= TREND_PCT
        end = min(middle) if falls else max(above, default=high)
        return _lean(view, mean, end, falls, rises)
    return _rich(view, mean, high)


def _odd_bank(by_bank: Mapping[int, Mapping[str, float]]) -> int | None:
    """The bank that is off alone: in the cell where both differ most, it is far from the other one,
    and that one is near zero or at less than half of it."""
    if len(by_bank) != 2:
        return None
    (a, first), (b, second) = by_bank.items()
    both = [c for c in first if c in second]
    if not both:
        return None
    cell = max(both, key=lambda c: abs(first[c] - second[c]))
    if abs(first[cell] - second[cell]) < BANK_PCT:
        return None
    size = {a: abs(first[cell]), b: abs(second[cell])}
    odd = max(size, key=lambda k: size[k])
    other = min(size.values())
    return odd if other < OUT_PCT or other < 0.5 * size[odd] else None


def _one_bank(bank: int, by_bank: Mapping[int, Mapping[str, float]]) -> Pattern:
    cells = by_bank[bank]
    values = list(cells.values())
    idle = cells.get("warm idle", float("nan"))
    high = values[-1] if len(values) > 1 else float("nan")
    lean = sum(values) >= 0
    (rest,) = (trims for other, trims in by_bank.items() if other != bank)
    text = said(
        "Bank {bank} is off by itself: {own} over its cells, the other bank {other}.",
        bank=bank,
        own=_range(values),
        other=_range(rest.values()),
    )
    why = WHY["bank_lean"] if lean else WHY["bank_rich"]
    return Pattern(text, why, idle, high)


def _range(trims: Collection[float]) -> Quantity:
    """The lowest and the highest of some trims."""
    low, high = min(trims, default=math.nan), max(trims, default=math.nan)
    return Quantity(low, "%", decimals=1, signed=True, others=(high,))


def _cells_text(cells: Mapping[str, float], way: int) -> str:
    """In how many of the cells the trim surely goes that `way`."""
    going, of = sum(way * trim >= NEAR_PCT for trim in cells.values()), len(cells)
    text = "Fuel is added in {where} ({trims})."
    if way < 0:
        text = "Fuel is taken away in {where} ({trims})."
    where = "every cell" if going == of else said("{n} of {all} cells", n=going, all=of)
    return said(text, where=where, trims=_range([*cells.values()]))


def _lean(view: View, cells: Mapping[str, float], high: float, falls: bool, rises: bool) -> Pattern:
    """Fuel is added on all banks: by its trend with airflow and by the airflow's own evidence."""
    idle = cells.get("warm idle", float("nan"))
    low_air = reads_low(view, max(0.0, sum(cells.values()) / len(cells)))
    metered = view.engine[Trait.FLOW_SENSOR].probability >= 0.5
    if falls:
        text = said(
            "Total fuel trim falls from {idle:+.1f %} at idle to {high:+.1f %} with airflow.",
            idle=idle,
            high=high,
        )
        return Pattern(text, WHY["falls"] if metered else WHY["falls_pressure"], idle, high)
    air = NAMED["maf_low"] if metered else NAMED["pressure_low"]
    sensor_first = metered and (low_air or (low_air is None and not rises))
    if rises:
        text = said(
            "Total fuel trim rises from {idle:+.1f %} at idle to {high:+.1f %} with airflow.",
            idle=idle,
            high=high,
        )
        why = WHY["rises"]
    else:
        text, why = _cells_text(cells, 1), WHY["lean"]
        if max(cells.values()) - min(cells.values()) <= LEVEL_PCT:
            why = WHY["lean_rear"] if _rear_rich(view) is False else WHY["lean_level"]
    order = (air, *why.causes) if sensor_first else (*why.causes, air)
    return Pattern(text, Explanation(order, why.tell_apart), idle, high)


def _rear_rich(view: View) -> bool | None:
    """Whether the sensor behind the catalyst is rich at rest in closed loop; None without one."""
    spans = closed_spans(view)
    found = view.samples(spans, "O2S12").value if narrow(view, "O2S12") is not None else ()
    return bool(np.median(found) >= REAR_RICH_V) if len(found) >= LEAST_REAR else None


def _ill_filled(view: View) -> bool:
    """Whether an engine that is metered by pressure idles at a pressure that tells of ill filling:
    then its computer believes in air that is not there."""
    pressure = view.samples(steady_idle(view), "MAP").value
    around = view.baro_kpa
    metered = view.engine[Trait.FLOW_SENSOR].probability >= 0.5
    if metered or around is None or len(pressure) < LEAST_REAR:
        return False
    return around - float(np.median(pressure)) < LEAST_VACUUM_KPA


def _rich(view: View, cells: Mapping[str, float], high: float) -> Pattern:
    idle = cells.get("warm idle", float("nan"))
    if high - idle >= TREND_PCT:
        text = said(
            "Total fuel trim rises from {idle:+.1f %} at idle to {high:+.1f %} at high airflow.",
            idle=idle,
            high=high,
        )
        why = WHY["rich_pressure"] if _ill_filled(view) else WHY["rich_idle"]
        return Pattern(text, why, idle, high)
    text = _cells_text(cells, -1)
    level = len(cells) > 1 and max(cells.values()) - min(cells.values()) <= LEVEL_PCT
    return Pattern(text, WHY["rich_level"] if level else WHY["rich"], idle, high)
