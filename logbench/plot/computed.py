"""Derived signals as traces: of a recording, and total fuel trim while the samples come in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import StripTrace, group_of
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.alignment import Times, Values
    from logbench.analysis.grid import RecordingLike
    from logbench.analysis.view import View

COMPUTED = "computed"
"""The ECU of derived signals."""
TOTALS = {
    "TOTAL_TRIM1": ("SHRTFT1", "LONGFT1", tr("Total fuel trim, bank 1")),
    "TOTAL_TRIM2": ("SHRTFT2", "LONGFT2", tr("Total fuel trim, bank 2")),
}
_LONG_AGE_NS = 10_000_000_000
"""A long trim older than this is none."""
_SLOW_AGE_S = 60.0
Made = tuple[str, str, str, "Times", "Values"]


def extend_total(total: Pyramid, short: Pyramid, long: Pyramid, done: int) -> int:
    """Extend a total by what is new of its short trim; the sum is taken as the trade does.

    `done`: how many samples of the short trim are in its total. Returns how many are then.
    """
    if done < len(short):
        t_ns, value = short.from_sample(done)
        long_t, long_value = long.between(int(t_ns[0]) - _LONG_AGE_NS, int(t_ns[-1]) + 1)
        place = np.searchsorted(long_t, t_ns, side="right") - 1
        known = place >= 0
        known[known] &= t_ns[known] - long_t[place[known]] <= _LONG_AGE_NS
        total.append(t_ns[known], value[known] + long_value[place[known]])
    return len(short)


def computed_traces(recording: RecordingLike) -> tuple[StripTrace, ...]:
    """Those that the recording's signals and facts allow, at the samples of their quickest input.

    Total fuel trim of each bank; volumetric efficiency to atmosphere; airflow for each litre and
    1,000 rpm; the displacement that `LOAD_ABS` implies.
    """
    from logbench.analysis.view import View

    view = View(recording)
    return tuple(
        StripTrace(
            signal,
            COMPUTED,
            unit,
            Pyramid.of(t_ns, values),
            label=label,
            group=_group(signal, unit),
        )
        for signal, label, unit, t_ns, values in (*_trims(view), *_airflow(view))
        if len(t_ns) and bool(np.isfinite(values).any())
    )


def _group(signal: str, unit: str) -> str:
    """Airflow a litre is too small to be seen beside airflow."""
    return f"{unit} a litre" if signal == "AIR_PER_LITRE" else group_of(signal, unit)


def _trims(view: View) -> Iterator[Made]:
    from logbench.analysis.derived import total_trim_pct

    for bank in (1, 2):
        short = view.trace(f"SHRTFT{bank}")
        if short is not None and not view.missing(f"LONGFT{bank}"):
            long_pct = view.last(short.t_ns, f"LONGFT{bank}", max_age_s=_LONG_AGE_NS / 1e9)
            total = total_trim_pct(short.value, long_pct)
            yield f"TOTAL_TRIM{bank}", tr("Total trim {bank}", bank=bank), "%", short.t_ns, total


def _airflow(view: View) -> Iterator[Made]:
    from logbench.analysis import derived

    flow = view.trace("MAF")
    if flow is None or view.missing("RPM"):
        return
    t_ns, rpm = flow.t_ns, view.at(flow.t_ns, "RPM")
    litres = view.facts.vehicle.displacement_l
    if not view.missing("LOAD_ABS"):
        load = view.at(t_ns, "LOAD_ABS")
        implied = derived.displacement_from_load_abs_l(flow.value, load, rpm)
        yield "DISPLACEMENT", tr("Litres by LOAD_ABS"), "", t_ns, implied
    if litres is None:
        return
    per_litre = derived.airflow_per_litre_1000rpm(flow.value, rpm, litres)
    yield "AIR_PER_LITRE", tr("Airflow a litre and 1,000 rpm"), "g/s", t_ns, per_litre
    if not view.missing("BARO", "IAT"):
        around = view.last(t_ns, "BARO", max_age_s=_SLOW_AGE_S)
        warmth = view.last(t_ns, "IAT", max_age_s=_SLOW_AGE_S)
        share = derived.volumetric_efficiency(flow.value, rpm, litres, around, warmth)
        yield "VOL_EFF", tr("Volumetric efficiency"), "%", t_ns, 100.0 * share
