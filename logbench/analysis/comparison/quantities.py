"""What is compared in the operating cells: recorded signals and signals derived from them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from logbench.analysis import derived
from logbench.analysis.airflow import find_displacement
from logbench.analysis.alignment import Values
from logbench.analysis.engine import Trait
from logbench.analysis.view import View
from logbench.errors import SignalUnknownError
from logbench.signals.catalog import catalog
from logbench.signals.table import table

Kind = Literal["trim", "part", "air", "plain"]
"""`trim`, and its `part`s, between which the engine computer's learning moves it: need closed loop.
`air`: a mass of air or fuel, which hangs on the air's pressure and temperature."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing to compare.

    `quantum` is the step of one sample on the wire, in `unit`.
    """

    key: str
    title: str
    unit: str
    kind: Kind
    make: Callable[[View], Values | None]
    quantum: float = 0.0
    derived: bool = False

    @property
    def needs_closed_loop(self) -> bool:
        """Whether only samples in closed loop count."""
        return self.kind in ("trim", "part")


_NOT_COMPARED = re.compile(
    r"RPM|VSS|APP_.|DTC_CNT|RUNTM|.*_DIST|.*_TIME|WARM_UPS|ODO|GEAR_.*|TQ_.*|BARO|AAT|IAT\d*|FLI"
    r"|ALCH_PCT|.*_MAX|EVAP_.*|LAMBDA|BP_.*|FUEL_TIMING|BAT_PWR|CATEMP\d+|ECT\d?|EOT|EGR?T\d+"
)
"""Axes of the cells, the driver's choices, counters, the surroundings, commands, and temperatures
that follow the minutes before rather than the operating point."""
_NOT_OF_COMPRESSION = re.compile(r"TP(_.)?|TAC_PCT|EGR_PCT|EGR_[AB]_(CMD|ACT)")
"""Of compression ignition: flap and recirculation are set for exhaust and filter, too."""
_KINDS: tuple[tuple[re.Pattern[str], Kind], ...] = (
    (re.compile(r"(SHRT|LONG)FT\d+|(ST|LG)SO2FT\d"), "part"),
    (re.compile(r"MAF[AB]?|LOAD_ABS|FUEL_RATE|.*_FUEL_RATE"), "air"),
)

SURROUNDINGS: tuple[tuple[str, str, str, float], ...] = (
    ("IAT", "intake air temperature", "degC", 10.0),
    ("AAT", "ambient air temperature", "degC", 10.0),
    ("ECT", "coolant temperature", "degC", 8.0),
    ("BARO", "air pressure", "kPa", 3.0),
)
"""Signal, name, unit, and the largest difference of medians that still is comparable (common
practice, no source)."""


def of_compression(views: Sequence[View]) -> bool:
    """Whether one of the recordings of a car shows that its engine ignites by compression."""
    return any(view.engine.holds(Trait.COMPRESSION) for view in views)


def quantities_of(views: Sequence[View], axis: Sequence[str]) -> list[Quantity]:
    """Everything to compare that any of the recordings holds: derived first, then signals by name.

    `axis` names the signals that the cells are made of, which cannot be compared in them.
    """
    held = sorted({name for view in views for name in view.traces.signals})
    if of_compression(views):
        held = [name for name in held if not _NOT_OF_COMPRESSION.fullmatch(name)]
    return [*_derived(views, axis), *(q for name in held if (q := _signal(name, axis)))]


def _signal(name: str, axis: Sequence[str]) -> Quantity | None:
    try:
        signal = table().by_acronym(name)
    except SignalUnknownError:
        return None
    if signal.kind != "number" or name in axis or _NOT_COMPARED.fullmatch(name):
        return None
    kind: Kind = "plain"
    for pattern, found in _KINDS:
        if pattern.fullmatch(name):
            kind = found

    def make(view: View) -> Values | None:
        return view.grid.linear(name)

    return Quantity(name, signal.name, signal.unit, kind, make, signal.scale)


def _derived(views: Sequence[View], axis: Sequence[str]) -> list[Quantity]:
    banks = sorted({bank for view in views for bank in view.banks})
    found = [_total_trim(bank) for bank in banks]
    if any(view.trace("MAF") and view.trace("MAP") for view in views) and "MAF" not in axis:
        found.append(efficiency())
    return found


def _total_trim(bank: int) -> Quantity:
    entry = catalog().by_acronym(f"TOTAL_TRIM{bank}")
    key = entry.acronym

    def make(view: View) -> Values | None:
        return view.grid.linear(key)

    return Quantity(key, entry.title, entry.unit, "trim", make, 100 / 128, derived=True)


def efficiency() -> Quantity:
    """Volumetric efficiency against the manifold in %, where `MAF`, `MAP` and the displacement are
    known; 25 degC where no air temperature is recorded."""

    def make(view: View) -> Values | None:
        maf, pressure, rpm = (view.grid.linear(a) for a in ("MAF", "MAP", "RPM"))
        liters = view.once(find_displacement).liters
        if maf is None or pressure is None or rpm is None or liters is None:
            return None
        degc = view.grid.slow("IAT", "AAT")
        if degc is None:
            degc = np.full(len(rpm), 25.0)
        return 100.0 * derived.volumetric_efficiency(maf, rpm, liters, pressure, degc)

    title = "volumetric efficiency against the manifold"
    return Quantity("VE", title, "%", "plain", make, 0.01, derived=True)
