"""Airflow against displacement, engine speed and manifold pressure.

Inputs: `MAF`, `RPM`; `MAP`, `BARO`, `IAT`, `LOAD_ABS` and the displacement where there are.
Enabled: warm and steady for idle and part load; throttle full for a second, 3,000 rpm and above,
for full throttle; of an engine that no flap throttles, see below. Method: volumetric efficiency by
the ideal gas law, to the surroundings and to the manifold, from samples of one request where there
are; airflow for each liter at idle; displacement by the definition of `LOAD_ABS`. Uncertainty: the
scatter of the samples, which minds that they follow each other, and in quadrature what is not known
of the air. Evidence: the stretches.
"""

from __future__ import annotations

from logbench.analysis import air_state, filling, unthrottled
from logbench.analysis.airflow import (
    AirCell,
    Airflow,
    find_airflow,
    find_displacement,
)
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Band, Finding
from logbench.analysis.statement import said
from logbench.analysis.statistics import Estimate
from logbench.analysis.view import View

KEY = "airflow"
TITLE = "Airflow against displacement and engine speed"
PLAIN = "The amount of air the engine draws"
STRIPS = (("MAF",), ("MAP",), ("RPM",))
SHOWN = r"MAFA?|MAP|RPM|LOAD_ABS|VOL_EFF"
INPUTS = ("MAF", "RPM", "MAP", "IAT", "LOAD_ABS", "ECT")
ORDER = 2
PARTS = (air_state, filling, unthrottled)

MIN_SAMPLES = 8
MIN_FULL_SAMPLES = 4

LOAD_ABS_HALF = 0.02
"""Relative half width of a displacement from `LOAD_ABS`: its step is 0.4 % of load, at about 20 %
of load. [Calc]"""

SENSOR_LOW_PCT = 74.0
"""Efficiency to the manifold at full throttle below which low charge pressure is not an excuse."""
HYBRIDS = (
    ("ve_full_throttle", "ve_full_throttle_hybrid"),
    ("ve_manifold_full", "ve_manifold_full_hybrid"),
    ("ve_manifold_cruise", "ve_manifold_cruise_hybrid"),
)
"""Bands with those of a hybrid."""
SENSOR_HIGH_PCT = 115.0
"""The same above which much charge pressure is none."""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on idle airflow, full throttle, air-flow sensor against pressure, displacement."""
    if view.engine.holds(Trait.COMPRESSION):
        return unthrottled.judge_unthrottled(view, bands)
    found = view.once(find_airflow)
    if found is None:
        return [Subject(KEY, "airflow").not_recorded(view, view.missing("MAF", "RPM"), "record")]
    return [
        _full_throttle(view, bands, found),
        *_manifold(view, bands, found),
        _idle(bands, found),
        _displacement(view, bands),
    ]


def _full_throttle(view: View, bands: Bands, found: Airflow) -> Finding:
    subject, cell = Subject(KEY, "full throttle"), found.full
    if cell.maf_g_s.n < MIN_FULL_SAMPLES:
        return subject.not_judged(
            "No full-throttle pull of more than a second above 3,000 rpm was recorded.", "pull"
        )
    if cell.ve_atmosphere_pct.n == 0:
        return subject.not_judged("The displacement is unknown.", "no_displacement")
    known = view.engine.holds(Trait.CHARGED)
    charged = known or (known is None and cell.ve_atmosphere_pct.mean > 108.0)
    by_map = cell.ve_manifold_pct.mean
    weak_boost = charged and not by_map < SENSOR_LOW_PCT
    much_boost = charged and not by_map > SENSOR_HIGH_PCT
    what = "Volumetric efficiency to atmosphere at full throttle"
    return subject.judged(
        what + (" (charged engine)" if charged else ""),
        _measured(cell, cell.ve_atmosphere_pct, found),
        bands["ve_full_throttle_turbo" if charged else _of(HYBRIDS[0], view)],
        "low_boost" if weak_boost else "low_full",
        "high_boost" if much_boost else "high",
    )


def _manifold(view: View, bands: Bands, found: Airflow) -> list[Finding]:
    if view.trace("MAP") is None:
        subject = Subject(KEY, "air-flow sensor against manifold pressure")
        return [subject.not_recorded(view, ["MAP"], "pressure")]
    cells = [found.idle, found.part]
    if found.full.ve_manifold_pct.n >= MIN_FULL_SAMPLES:
        cells.append(found.full)
    return [_manifold_in(view, cell, bands, found) for cell in cells]


def _manifold_in(view: View, cell: AirCell, bands: Bands, found: Airflow) -> Finding:
    subject = Subject(KEY, f"air-flow sensor against manifold pressure, {cell.name}")
    least = MIN_FULL_SAMPLES if cell is found.full else MIN_SAMPLES
    if cell.maf_g_s.n < least or 0 < cell.ve_manifold_pct.n < least:
        return subject.not_judged(
            said("Too few steady samples at {name}.", name=cell.name),
            said(
                "Record 30 s of {name}, warm, with MAF, RPM and MAP in one request.", name=cell.name
            ),
        )
    if cell.ve_manifold_pct.n == 0:
        return subject.not_judged("The displacement is unknown.", "no_displacement")
    charged = view.engine.holds(Trait.CHARGED) is True
    full = bands[_of(HYBRIDS[1], view)]
    part = bands[_of(HYBRIDS[2], view)]
    return subject.judged(
        said("Volumetric efficiency to the manifold at {name}", name=cell.name),
        _measured(cell, cell.ve_manifold_pct, found),
        {"warm idle": bands["ve_manifold_idle"], "full throttle": full}.get(cell.name, part),
        "low_slow" if cell is not found.full and _full_is_usual(full, found) else "low",
        "high_charged" if charged else "high",
    )


def _of(bands: tuple[str, str], view: View) -> str:
    """The band, or that for a hybrid, whose engine may close its intake late, unless it is none."""
    return bands[view.engine.holds(Trait.HYBRID) is not False]


def _full_is_usual(band: Band, found: Airflow) -> bool:
    """Whether the efficiency to the manifold at full throttle is as it should be: a sensor that
    reads low does so there, too."""
    full, least = found.full.ve_manifold_pct, band.within[0]
    return full.n >= MIN_FULL_SAMPLES and least is not None and full.mean >= least


def _idle(bands: Bands, found: Airflow) -> Finding:
    subject, cell = Subject(KEY, "idle airflow"), found.idle
    if cell.maf_g_s.n < MIN_SAMPLES:
        return subject.not_judged("Too little steady warm idle was recorded.", "idle")
    if cell.per_liter_g_s.n == 0:
        return subject.not_judged("The displacement is unknown.", "no_displacement")
    return subject.judged(
        "Airflow at warm idle for each liter",
        _measured(cell, cell.per_liter_g_s, found),
        bands["idle_airflow"],
        "low",
        "idle_high",
    )


def _measured(cell: AirCell, value: Estimate, found: Airflow) -> Measured:
    numbers = {
        "maf_g_s": cell.maf_g_s.mean,
        "ve_atmosphere_pct": cell.ve_atmosphere_pct.mean,
        "ve_manifold_pct": cell.ve_manifold_pct.mean,
        "g_s_per_liter": cell.per_liter_g_s.mean,
        "samples": float(value.n),
        "seconds": cell.seconds,
        "same_request_share": cell.same_request_share,
    }
    return Measured(value.mean, value.half_width, cell.spans, found.remarks, numbers)


def _displacement(view: View, bands: Bands) -> Finding | None:
    """The stated displacement against the one by the definition of `LOAD_ABS`."""
    subject, found = Subject(KEY, "displacement"), view.once(find_displacement)
    by_load, stated = found.by_load_l, found.liters if found.source == "stated" else None
    if by_load is None:
        return None
    if stated is None:
        text = said(
            "LOAD_ABS, MAF and RPM imply {l:.2f} liters; none is stated to compare with.", l=by_load
        )
        return subject.not_judged(text, "displacement")
    ratio = 100.0 * by_load / stated
    return subject.judged(
        said(
            "Displacement by LOAD_ABS, {by:.2f} liters, against the stated {stated:.2f} liters,",
            by=by_load,
            stated=stated,
        ),
        Measured(ratio, ratio * LOAD_ABS_HALF, numbers={"displacement_l": by_load}),
        bands["displacement_ratio"],
        "displacement",
    )
