"""Purge of the tank's vapor, by the trims with its valve open and shut.

Inputs: `EVAP_PCT`, `TOTAL_TRIMn` (of `SHRTFTn`, `LONGFTn`). Enabled: as the cells of the fuel trims
(warm, closed loop, steady, the trim at rest), and the command unchanged for five seconds. Method:
*open less shut*: the mean total trim at 20 % and more less that at 5 % and less, within one cell,
over the cells that have both; vapor is fuel, so the trim falls. *Shut*: with the command at 10 %
and less, the last third of the drive less the first one in one cell: a valve that leaks empties the
canister, and its trim climbs from rich to lean. Uncertainty: that of both means, with what differs
from stretch to stretch. Evidence: the stretches of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS, Mask, Values
from logbench.analysis.bands import Bands
from logbench.analysis.checks.fuel_trim import LEAST, QUANTUM_PCT, STRETCH_PCT, cell_masks, settled
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import NORMAL_95, estimate
from logbench.analysis.view import View

KEY = "purge"
TITLE = "Purge of the fuel tank's vapor"
PLAIN = "The valve through which the engine burns vapor of the fuel tank"
STRIPS = (("EVAP_PCT",), ("TOTAL_TRIM1", "TOTAL_TRIM2"), ("RPM",))
ORDER = 7
INPUTS = ("EVAP_PCT", "SHRTFT1", "LONGFT1")

OPEN_PCT, SHUT_PCT, NEARLY_SHUT_PCT = 20.0, 5.0, 10.0
"""Commands. Up to a tenth the valve's own delay leaves little of its opening. [CP]"""
HELD_S = 5.0
"""After a change of the command the vapor is on its way, and the trim follows it. [CP]"""
APART_S = 240.0
"""So long a canister takes to be emptied for a good part. [CP]"""


@dataclass(frozen=True, slots=True)
class _Mean:
    """Total trim over some stretches, %."""

    value: float
    half: float
    spans: tuple[Span, ...]


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on the valve open against shut, and on the trim with it shut."""
    subject = Subject(KEY, "purge")
    banks = [b for b in view.banks if view.trace(f"TOTAL_TRIM{b}") is not None]
    command = view.grid.held("EVAP_PCT")
    if command is None or not banks:
        missing = view.missing("EVAP_PCT", "SHRTFT1", "LONGFT1")
        return [subject.not_recorded(view, missing, "record")]
    calm = settled(view, banks[0]) & (view.grid.span_of(command, HELD_S) < 3.0)
    cells = {name: mask & calm for name, mask in cell_masks(view).items() if name != "load"}
    return [
        _shift(view, bands, banks[0], cells, command),
        _shut(view, bands, banks[0], cells, command),
    ]


def _mean(view: View, bank: int, where: Mask) -> _Mean | None:
    """Over the stretches of a mask of the grid; None of too few samples."""
    return _over(view, bank, view.stretches(where, 2.0))


def _over(view: View, bank: int, spans: Sequence[Span]) -> _Mean | None:
    found = view.samples(spans, f"TOTAL_TRIM{bank}")
    n, seconds = LEAST
    if len(found) < n or alignment.total_s(spans) < seconds:
        return None
    level = estimate(found.value, found.group, QUANTUM_PCT)
    apart = NORMAL_95 * STRETCH_PCT / len(spans) ** 0.5
    return _Mean(level.mean, float(np.hypot(level.half_width, apart)), tuple(spans))


def _shift(view: View, bands: Bands, bank: int, cells: dict[str, Mask], command: Values) -> Finding:
    subject = Subject(KEY, "valve open against shut")
    pairs = []
    for name, mask in cells.items():
        opened, shut = (
            _mean(view, bank, mask & held) for held in (command >= OPEN_PCT, command <= SHUT_PCT)
        )
        if opened is not None and shut is not None:
            pairs.append((name, opened, shut))
    if not pairs:
        text = "No operating cell was held for long enough with the valve open and with it shut."
        return subject.not_judged(text, "both")
    change = np.array([opened.value - shut.value for _, opened, shut in pairs])
    half = np.array([np.hypot(opened.half, shut.half) for _, opened, shut in pairs])
    weight = half**-2.0 / np.sum(half**-2.0)
    spans = [span for _, opened, shut in pairs for span in (*opened.spans, *shut.spans)]
    remark = said("in {cells}", cells=", ".join(name for name, *_ in pairs))
    return subject.judged(
        "Total fuel trim with the valve open less that with it shut",
        Measured(float(weight @ change), float(np.sum(half**-2.0) ** -0.5), spans, (remark,)),
        bands["purge_shift"],
        "vapor",
    )


def _shut(view: View, bands: Bands, bank: int, cells: dict[str, Mask], command: Values) -> Finding:
    subject = Subject(KEY, "valve shut")
    for name, mask in cells.items():
        spans = view.stretches(mask & (command <= NEARLY_SHUT_PCT), 2.0)
        if not spans or spans[-1].end_ns - spans[0].start_ns < APART_S * NS:
            continue
        third = (spans[-1].end_ns - spans[0].start_ns) // 3
        first = _over(view, bank, [s for s in spans if s.end_ns < spans[0].start_ns + third])
        last = _over(view, bank, [s for s in spans if s.start_ns > spans[-1].end_ns - third])
        if first is None or last is None:
            continue
        remark = said(
            "{a:+.1f %} at first, {b:+.1f %} at last, {name}",
            a=first.value,
            b=last.value,
            name=name,
        )
        return subject.judged(
            "Change of the total fuel trim over the drive with the valve shut",
            Measured(
                last.value - first.value,
                float(np.hypot(first.half, last.half)),
                (*first.spans, *last.spans),
                (remark,),
            ),
            bands["purge_shut"],
            "leaks",
        )
    text = "No operating cell with the valve shut came early and late in the drive."
    return subject.not_judged(text, "both")
