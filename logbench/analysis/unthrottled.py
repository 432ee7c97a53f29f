"""Airflow of an engine that no flap throttles, by what is known of its recirculation.

With recirculation shut such an engine draws what its displacement takes at the manifold's pressure
and temperature, times an efficiency of three quarters to nearly one: there the air-flow sensor is
judged, charged and not charged. Where it is never known to be shut only an upper limit holds: no
more air passes the sensor than the engine takes, unless it leaks out between them. Where the
displacement is not known, only the sensor's shape shows: charged against not charged where the
command tells that recirculation is shut, else high load against the overrun, `watch` at most.
"""

from __future__ import annotations

import math

import numpy as np

from logbench.analysis.air_state import find_air
from logbench.analysis.airflow import find_displacement
from logbench.analysis.alignment import Mask
from logbench.analysis.bands import Bands
from logbench.analysis.filling import Filling, find_filling
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding
from logbench.analysis.statistics import MIN_SAMPLES, Estimate, estimate, half_width_of_few
from logbench.analysis.view import View, evidence

KEY = "airflow"
LEAST, LEAST_OF_ALL = 3, 30
CHARGED = 1.3
"""Of the air around: from there on a leak behind the charger shows, below it recirculation does."""
UNCHARGED = 1.1
"""Up to there hardly anything leaks out behind the charger. [CP]"""
LEAKS = 0.9
"""Less air for each kPa without charge than that of with it: a valve leaks more where little flows,
a sensor that reads low does so alike."""
MOST_SHARE_PCT = 90.0
"""The upper limit holds for the highest tenth as a whole: single samples lie apart in time."""


def judge_unthrottled(view: View, bands: Bands) -> list[Finding | None]:
    """Efficiency with recirculation shut and its upper limit, or the sensor's shape."""
    filling = view.once(find_filling)
    if filling is None:
        missing = view.missing("MAF", "RPM", "MAP")
        return [Subject(KEY, "airflow").not_recorded(view, missing, "record")]
    liters = view.once(find_displacement).liters
    if liters is None:
        return [_shape(view, bands, filling)]
    charged = filling.map_kpa >= CHARGED * view.once(find_air).pressure_kpa
    parts = {"charged": filling.shut & charged, "not charged": filling.shut & ~charged}
    levels = [level_of(filling, where) for where in parts.values()]
    high, low = (math.nan if level is None else level.mean for level in levels)
    leaks = low < LEAKS * high
    found = [_shut(bands, filling, liters, name, where, leaks) for name, where in parts.items()]
    judged = [finding for finding in found if finding is not None]
    return [*judged] or [_most(bands, filling, liters)]


def level_of(filling: Filling, where: Mask) -> Estimate | None:
    """Mean filling there; of few samples with what they scatter; None of fewer than three."""
    values = filling.liters[where]
    if len(values) < LEAST:
        return None
    found = estimate(values, filling.group[where])
    if len(values) >= MIN_SAMPLES:
        return found
    return Estimate(found.mean, half_width_of_few(values), found.n, found.n_effective, found.sd)


def _proof(filling: Filling) -> str:
    return "high load" if filling.commanded_pct is None else "valve commanded shut"


def _shut(
    bands: Bands, filling: Filling, liters: float, name: str, shut: Mask, leaks: bool
) -> Finding | None:
    """The efficiency there; None of too few samples."""
    level = level_of(filling, shut)
    if level is None:
        return None
    efficiency = 100.0 * level.mean / liters
    half = math.hypot(
        100.0 * level.half_width / liters,
        efficiency * float(np.mean(filling.temperature_half[shut])),
    )
    return Subject(KEY, f"recirculation shut, {name}").judged(
        "Volumetric efficiency to the manifold with recirculation shut",
        Measured(
            efficiency,
            half,
            evidence(filling.spans, filling.t_ns[shut]),
            (_proof(filling),),
            {"samples": float(level.n), "map_kpa": float(np.mean(filling.map_kpa[shut]))},
        ),
        bands["ve_unthrottled"],
        "leaks" if leaks else "unthrottled_low",
        "unthrottled_high",
    )


def _most(bands: Bands, filling: Filling, liters: float) -> Finding:
    subject = Subject(KEY, "most air")
    if len(filling.liters) < LEAST_OF_ALL:
        return subject.not_judged("Too little steady running was recorded.", "high_load")
    limit = float(np.percentile(filling.liters, MOST_SHARE_PCT))
    where = filling.liters >= limit
    efficiency = 100.0 * limit / liters
    half = efficiency * float(np.mean(filling.temperature_half[where]))
    return subject.judged(
        "The most air drawn, of what the displacement takes at that pressure,",
        Measured(efficiency, half, evidence(filling.spans, filling.t_ns[where])),
        bands["ve_unthrottled_most"],
        "unthrottled_high",
    )


def _shape(view: View, bands: Bands, filling: Filling) -> Finding:
    """High load over the overrun; where the command tells, charged over not charged, shut."""
    subject = Subject(KEY, "shape of the air-flow sensor")
    told = filling.commanded_pct is not None
    ratio_kpa = filling.map_kpa / view.once(find_air).pressure_kpa
    loaded = filling.shut & (ratio_kpa >= CHARGED if told else ~filling.overrun)
    little = filling.shut & (ratio_kpa <= UNCHARGED) if told else filling.overrun
    high, low = level_of(filling, loaded), level_of(filling, little)
    if high is None or low is None:
        text = (
            "The displacement is unknown, and too little of high load and overrun was recorded to"
            " hold one against the other."
        )
        return subject.not_judged(text, "no_displacement", "high_load")
    ratio = 100.0 * high.mean / low.mean
    own = math.hypot(high.half_width / high.mean, low.half_width / low.mean)
    half = ratio * math.hypot(own, filling.half_between(loaded, little))
    return subject.judged(
        "Air for the pressure with charge over that without"
        if told
        else "Air for the pressure at high load over that on the overrun",
        Measured(
            ratio,
            half,
            evidence(filling.spans, filling.t_ns[loaded | little]),
            ("the displacement is not known, so a sensor that reads low throughout does not show",),
            {"charged_l": high.mean, "uncharged_l": low.mean},
        ),
        bands["maf_shape_told" if told else "maf_shape"],
        "shape_low",
        "unthrottled_high",
    )
