"""What a recording tells of the engine itself: its displacement, and whether it has a charger."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment, derived
from logbench.analysis.view import View


@dataclass(frozen=True, slots=True)
class Displacement:
    """Engine displacement in litres and where it comes from: `stated`, `LOAD_ABS` or `unknown`.

    `by_load_l` is the one by the definition of `LOAD_ABS`; None where it cannot be had.
    """

    litres: float | None
    source: str
    by_load_l: float | None


def find_displacement(view: View) -> Displacement:
    """The stated displacement, else the one from `LOAD_ABS`, else unknown."""
    stated, by_load = view.facts.vehicle.displacement_l, _by_load_l(view)
    if stated is not None:
        return Displacement(stated, "stated", by_load)
    return Displacement(by_load, "unknown" if by_load is None else "LOAD_ABS", by_load)


def _by_load_l(view: View) -> float | None:
    """The median over samples of one request (or, where the engine is steady, of neighbouring
    ones); needs ten of them."""
    load, rpm, flow = view.trace("LOAD_ABS"), view.trace("RPM"), view.trace("MAF")
    if load is None or rpm is None or flow is None:
        return None
    t = load.t_ns
    steady = alignment.inside(t, view.steady_spans())
    same = [alignment.same_request(trace, t) for trace in (flow, rpm)]
    near = [view.at(t, "MAF"), view.at(t, "RPM")]
    for (maf, speed), usable in ((same, np.ones(len(t), dtype=bool)), (near, steady)):
        good = usable & (load.value >= 8.0) & (speed > 400.0)
        litres = derived.displacement_from_load_abs_l(maf[good], load.value[good], speed[good])
        found = litres[np.isfinite(litres)]
        if len(found) >= 10:
            return float(np.median(found))
    return None


def find_charged(view: View) -> bool | None:
    """Whether the engine has a charger: as stated, else by a manifold pressure well above the
    surroundings; None when nothing tells."""
    if view.facts.vehicle.turbo is not None:
        return view.facts.vehicle.turbo
    manifold = view.trace("MAP")
    if manifold is None:
        return None
    highest = np.sort(manifold.value[np.isfinite(manifold.value)])[-3:]  # no single odd sample
    return bool(highest[0] > (view.baro_kpa or 101.3) + 12.0)
