"""Operating cells, engine speed by load, and the steady running of each side in them.

A drive is cut into slots of two seconds. A slot counts where the engine is warm and steady, without
fuel cut or full throttle. Slots that follow each other in one cell are one visit: a long visit is
worth more than a short one, but not in proportion, since what one visit has of its own (where the
throttle stood, what was learned) does not average out by staying.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import NS, Mask, Values
from logbench.analysis.comparison.quantities import SURROUNDINGS, Quantity, of_compression
from logbench.analysis.fuel import fuel_by_pid_g_s
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Span
from logbench.analysis.statement import Quantity as Figure
from logbench.analysis.statement import said
from logbench.analysis.view import View

SLOT_S = 2.0
_PER_SLOT = round(SLOT_S / STEP_S)
_LEAST_POINTS = 0.6
"""Share of a slot that must be usable."""

RPM_EDGES = (
    *(400.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 5000.0, 6000.0, 9000.0),
)

ALIKE = 0.3
"""How alike the slots of one visit are taken to be when evidence is weighed: the correlation of two
slots of one visit. Only the weights depend on it, never the intervals."""

LOOP_SETTLE_S = 8.0
"""After the loop has closed, fuel control takes this long to find its place (common practice)."""

COOLANT_DEGC = 8.0
"""Coolant this far below the level that both sides reach still is comparable."""

MIN_SLOTS = 2
"""A side has been in a cell from this many slots."""

Ints = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class LoadAxis:
    """The second axis of the cells: `key` with its name, unit and width of a cell; `signals` it is
    made of, all of which must be recorded."""

    key: str
    title: str
    unit: str
    width: float
    signals: tuple[str, ...]

    def values(self, view: View) -> Values | None:
        """Load on the grid; None where a signal is missing."""
        grid = view.grid
        if self.key == "PRESSURE_RATIO":
            pressure, around = grid.linear("MAP"), view.baro_kpa
            return None if pressure is None or not around else 100.0 * pressure / around
        if self.key not in _FOR_EACH_TURN:
            return grid.linear(self.key)
        flow, rpm = _FOR_EACH_TURN[self.key](view), grid.linear("RPM")
        if flow is None or rpm is None:
            return None
        return np.asarray(1000.0 * flow / np.where(rpm > 300.0, rpm / 60.0, np.nan))


def _air_g_s(view: View) -> Values | None:
    return view.grid.linear("MAF")


_FOR_EACH_TURN = {"AIR_REV": _air_g_s, "FUEL_REV": fuel_by_pid_g_s}
"""Axes of what flows for each turn of the crankshaft."""

LOAD_AXES = (
    LoadAxis("PRESSURE_RATIO", "manifold over air pressure", "%", 10.0, ("MAP",)),
    LoadAxis("MAP", "manifold pressure", "kPa", 10.0, ("MAP",)),
    LoadAxis("LOAD_ABS", "absolute load", "%", 10.0, ("LOAD_ABS",)),
    LoadAxis("LOAD_PCT", "calculated load", "%", 10.0, ("LOAD_PCT",)),
    LoadAxis("AIR_REV", "air for each revolution", "mg", 100.0, ("MAF", "RPM")),
)
"""Best first: manifold pressure does not depend on an air-flow sensor that may be the fault; held
against the pressure of the surroundings it does not depend on the height above the sea either."""

COMPRESSION_AXES = (
    LoadAxis("FUEL_REV", "fuel for each revolution", "mg", 10.0, ("ENG_FUEL_RATE", "RPM")),
    LoadAxis("FUEL_REV", "fuel for each revolution", "mg", 10.0, ("FUEL_RATE", "RPM")),
    LoadAxis("TQ_ACT", "torque", "%", 10.0, ("TQ_ACT",)),
    LoadAxis("LOAD_PCT", "calculated load", "%", 10.0, ("LOAD_PCT",)),
    LoadAxis("APP_D", "accelerator pedal", "%", 5.0, ("APP_D",)),
    *LOAD_AXES,
)
"""Those of compression ignition: fuel and what asks for it set its load. Pressure and air answer to
it, by way of a charger and recirculation that may be the fault."""


def choose_axis(before: Sequence[View], after: Sequence[View]) -> LoadAxis | None:
    """The best load axis that every recording of both sides has, or None."""
    views = (*before, *after)
    for axis in COMPRESSION_AXES if of_compression(views) else LOAD_AXES:
        if any(view.missing(*axis.signals, "RPM") for view in views):
            continue
        if axis.key != "PRESSURE_RATIO" or all(view.baro_kpa for view in views):
            return axis
    return None


@dataclass(frozen=True, slots=True, order=True)
class CellKey:
    """A cell by its indices: into `RPM_EDGES` and multiples of the load axis' width."""

    rpm_index: int
    load_index: int

    @property
    def rpm(self) -> tuple[float, float]:
        """Engine speeds, lowest included."""
        return RPM_EDGES[self.rpm_index], RPM_EDGES[self.rpm_index + 1]

    def load(self, axis: LoadAxis) -> tuple[float, float]:
        """Loads, lowest included."""
        return self.load_index * axis.width, (self.load_index + 1) * axis.width

    def text(self, axis: LoadAxis) -> str:
        """`1300-1600 rpm, manifold pressure 30-40 kPa`."""
        rpm, load = (
            Figure(low, unit, decimals=0, others=(high,), join="-")
            for (low, high), unit in ((self.rpm, "rpm"), (self.load(axis), axis.unit))
        )
        return said("{rpm}, {title} {load}", rpm=rpm, title=axis.title, load=load)


@dataclass(frozen=True, slots=True)
class Slots:
    """All usable slots of one side, in order of time, recordings one after the other.

    n slots: `recording` (index), `start_ns`, `rpm`, `load`, `purge` (commanded, %, NaN where not
    recorded), `code` (number of the cell, unique over
    both axes), `visit` (number of the visit), `weight` (what the slot adds to the evidence of its
    visit), `closed` (wholly in closed loop). `values`: (n, quantities), NaN where not known or not
    allowed. `surroundings`: acronym to its median over the slots.
    """

    recording: Ints
    start_ns: npt.NDArray[np.int64]
    rpm: Values
    load: Values
    purge: Values
    code: Ints
    visit: Ints
    weight: Values
    values: Values
    surroundings: dict[str, float]

    def __len__(self) -> int:
        return len(self.rpm)

    @property
    def seconds(self) -> float:
        """Steady running in all slots together."""
        return len(self) * SLOT_S


_LOADS = 1000


def key_of(code: int) -> CellKey:
    """The cell of a `Slots.code`."""
    return CellKey(code // _LOADS, code % _LOADS)


def slots_of(
    views: Sequence[View], axis: LoadAxis, quantities: Sequence[Quantity], rules: Rules
) -> Slots:
    """The usable slots of a side by `rules`. Without closed loop, quantities that need it are left
    unknown."""
    parts = [_of_one(view, axis, quantities, i, rules) for i, view in enumerate(views)]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    visit = _visits(joined["recording"], joined.pop("slot"), joined["code"])
    length = np.bincount(visit, minlength=1)[visit].astype(np.float64)
    return Slots(
        **joined,
        visit=visit,
        weight=1.0 / (1.0 + ALIKE * (length - 1.0)),
        surroundings=_surroundings(views, rules),
    )


def seconds_in_cells(views: Sequence[View], axis: LoadAxis) -> dict[CellKey, float]:
    """Warm, steady seconds that some recordings of one car spent in each cell."""
    slots = slots_of(views, axis, (), rules_for(views, views))
    counts = sorted(Counter(slots.code.tolist()).items())
    return {key_of(code): n * SLOT_S for code, n in counts}


def _visits(recording: Ints, slot: Ints, code: Ints) -> Ints:
    """Number of the visit of each slot: a new one where the cell changes or a slot is left out."""
    if len(code) == 0:
        return np.empty(0, dtype=np.intp)
    new = (np.diff(recording) != 0) | (np.diff(slot) > 1) | (np.diff(code) != 0)
    return np.concatenate(([0], np.cumsum(new))).astype(np.intp)


@dataclass(frozen=True, slots=True)
class Rules:
    """What running counts: `closed_loop` only, and coolant from `coolant_degc` on."""

    closed_loop: bool = True
    coolant_degc: float = float("-inf")


def usable(view: View, rules: Rules) -> Mask:
    """On the grid: warm, steady, running, no fuel cut, no full throttle, no regeneration, and
    within `rules`: in closed loop for `LOOP_SETTLE_S`, coolant warm enough (or unknown)."""
    found = view.conditions
    out = found.mask(Condition.FUEL_CUT, Condition.FULL_THROTTLE, Condition.CRANKING)
    mask = view.steady & found.running & found.warm & ~out & ~found.regenerating
    if rules.closed_loop and len(mask):
        back = round(LOOP_SETTLE_S / STEP_S)
        mask &= np.convolve(~found.closed_loop, np.ones(back), "full")[: len(mask)] < 0.5
    coolant = view.grid.slow("ECT")
    return mask if coolant is None else mask & ~(coolant < rules.coolant_degc)


def rules_for(before: Sequence[View], after: Sequence[View]) -> Rules:
    """The strictest rules that leave something of both sides: closed loop if both have it (and the
    engine has one), coolant within `COOLANT_DEGC` of the level that both sides reach."""
    closed = all(any(has_closed_loop(view) for view in side) for side in (before, after))
    closed &= not of_compression((*before, *after))
    together = (_running_values(side, "ECT", Rules(closed)) for side in (before, after))
    levels = [float(np.quantile(values, 0.9)) for values in together if len(values)]
    lowest = min(levels, default=float("-inf"))
    return Rules(closed, lowest - COOLANT_DEGC)


def has_closed_loop(view: View) -> bool:
    """Whether there is warm, steady running in closed loop at all."""
    return bool(usable(view, Rules()).any())


def _of_one(
    view: View, axis: LoadAxis, quantities: Sequence[Quantity], index: int, rules: Rules
) -> dict[str, npt.NDArray[np.generic]]:
    """Slots of one recording by name of field."""
    grid = view.grid
    count = len(grid) // _PER_SLOT
    unknown = np.full(len(grid), np.nan)
    rpm, load = (unknown if x is None else x for x in (grid.linear("RPM"), axis.values(view)))
    mask = usable(view, rules) & np.isfinite(load)
    rpm_mean, load_mean = (_means(x, mask, count) for x in (rpm, load))
    share = _cut(mask, count).mean(axis=1)
    row = np.searchsorted(RPM_EDGES, rpm_mean, side="right") - 1
    inside = (row >= 0) & (row < len(RPM_EDGES) - 1) & (load_mean >= 0.0)
    keep = np.flatnonzero((share >= _LEAST_POINTS) & inside)
    columns = np.full((len(keep), len(quantities)), np.nan)
    for k, quantity in enumerate(quantities):
        values = (
            None if quantity.needs_closed_loop and not rules.closed_loop else quantity.make(view)
        )
        if values is not None:
            columns[:, k] = _means(values, mask, count)[keep]
    purge = grid.slow("EVAP_PCT")
    column = np.floor(load_mean[keep] / axis.width).astype(np.intp)
    return {
        "recording": np.full(len(keep), index, dtype=np.intp),
        "start_ns": grid.t_ns[keep * _PER_SLOT],
        "slot": keep,
        "rpm": rpm_mean[keep],
        "load": load_mean[keep],
        "purge": np.full(len(keep), np.nan) if purge is None else _means(purge, mask, count)[keep],
        "code": row[keep] * _LOADS + np.minimum(column, _LOADS - 1),
        "values": columns,
    }


def _cut(x: npt.NDArray[np.generic], count: int) -> npt.NDArray[np.generic]:
    """One row a slot."""
    return x[: count * _PER_SLOT].reshape(count, _PER_SLOT)


def _means(values: Values, mask: Mask, count: int) -> Values:
    """Mean of the known, usable points of each slot, shape (count,); NaN where fewer than half."""
    known = np.asarray(_cut(mask & np.isfinite(values), count))
    total = np.where(known, _cut(values, count), 0.0).sum(axis=1)
    number = known.sum(axis=1)
    enough = number >= _PER_SLOT // 2
    return np.asarray(np.where(enough, total / np.maximum(number, 1), np.nan))


def _surroundings(views: Sequence[View], rules: Rules) -> dict[str, float]:
    """Median of each of `SURROUNDINGS` over the usable running of all recordings."""
    found = {}
    for name, *_ in SURROUNDINGS:
        values = _running_values(views, name, rules)
        if len(values):
            found[name] = float(np.median(values))
    return found


def _running_values(views: Sequence[View], name: str, rules: Rules) -> Values:
    """All that is known of a slow signal in the usable running of some recordings."""
    found = [np.empty(0)]
    for view in views:
        if (values := view.grid.slow(name)) is not None:
            found.append(values[usable(view, rules) & np.isfinite(values)])
    return np.concatenate(found)


def spans_in(slots: Slots, code: int, recording: int) -> tuple[Span, ...]:
    """The stretches of one recording that were spent in a cell."""
    chosen = (slots.code == code) & (slots.recording == recording)
    spans = []
    for visit in np.unique(slots.visit[chosen]):
        starts = slots.start_ns[slots.visit == visit]
        spans.append(Span(int(starts[0]), int(starts[-1]) + int(SLOT_S * NS)))
    return tuple(spans)
