"""The clues of a recording to what engine it is: looked for on the even time base, before any
driving condition is known, because conditions hang on the engine.

Of each clue stands here why it holds for any car. Figures are common practice, no source, unless
one is named.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from functools import cached_property

import numpy as np

from logbench.analysis.alignment import Mask, Values, edges, inside
from logbench.analysis.derived import SEA_LEVEL_KPA
from logbench.analysis.engine import Clue, Engine, Trait, know
from logbench.analysis.gearbox import find_gears
from logbench.analysis.grid import STEP_S, Grid
from logbench.analysis.starts import RUNS_RPM, Standing, find_standing
from logbench.analysis.statement import said
from logbench.recording.model import Facts
from logbench.signals.table import table

IDLE_RPM = 1200.0
"""Engines idle below this, cold ones too; above it stands a car whose engine is revved."""
LEAST_S = 5.0
LEAST_DRIVEN_S = 60.0
MANY, SOME = 12, 6
"""Quantities in a recording from which one that is missing was probably not offered."""
FLAP_OPEN_PCT = 50.0
DEEP, NEAR = 0.6, 0.85
"""Manifold pressure at idle over that of the air: a closed flap leaves 0.25 to 0.5, without one it
is near 1. [Pub: MOTOR, Aug 2008: idle MAP about 34 kPa at sea level]"""
CHARGE_LOW, CHARGE_HIGH, CHARGE_MOST = 0.35, 0.5, 1.1
"""Air of an intake stroke at idle over that of hard driving: a throttled engine draws a fifth to a
third, and more only where it is driven gently or idles under load; a healthy turbo-diesel 0.5 to
0.9 [measured on open road data]. More at idle than in hard driving is a sensor's doing."""
CHARGE_FALLS, CHARGE_STAYS = 0.85, 0.95
"""The least of driving over that at idle: on the overrun a closed flap lets through less than at
idle, which no engine without one does. Of a drive without overrun it tells nothing."""
GOVERNED_RPM = 5300.0
"""Above it no compression-ignition engine of a car runs: its governor ends at 4,500 to 5,000."""
RAIL_KPA, RAIL_SPARK_KPA = 60_000.0, 40_000.0
"""Direct injection of gasoline ends at 35 MPa; that of diesel begins at 25 and reaches 120."""
LEAN, NORMAL = 1.15, (0.93, 1.07)
CHARGED_S = 1.0
CHARGED_KPA, WELL_CHARGED_KPA = 12.0, 30.0
"""Above the air around it: more than sensors' tolerance and the pulses of an intake give."""
DIESEL_FUELS = (4.0, 19.0, 23.0)
SPARK_FUELS = (1.0, 2.0, 3.0, 5.0, 6.0, 7.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 17.0, 18.0)
HYBRID_FUELS = (16.0, 17.0, 18.0, 19.0, 21.0, 22.0)
"""Values of PID 51. [Pub: SAE J1979-DA]"""
STOP_S = (2.0, 300.0)
"""So long an engine stands that was stopped by itself: shorter it stalled, or a reading is odd."""
ROLLS_KMH = 25.0
"""Slower, stop-start of newer cars stops it on the way to a halt, too: below 20 km/h. [CP]"""
GEAR_NEAR, GEAR_FEW, GEAR_MANY = 0.015, 0.45, 0.7
GEAR_KMH = 40.0
"""From here on a step of 1 km/h is less than a gear's `GEAR_NEAR`, twice."""


def find_engine(grid: Grid, facts: Facts) -> Engine:
    """What engine it is, of the recording and of what is known of the car."""
    seen = Seen(grid, facts)
    found = [*_combustion(seen)]
    compression = know(facts.vehicle, found)[Trait.COMPRESSION].holds
    found += [*_metering(seen), *_charging(seen, compression), *_valves(seen, compression)]
    found += [*_banks(seen), *_stops(seen), *_gears(seen)]
    return know(facts.vehicle, found)


class Seen:
    """What the clues are looked for in: signals on the even time base, and what the car offers."""

    def __init__(self, grid: Grid, facts: Facts) -> None:
        self.grid = grid
        self.pids = {pid for ecu in facts.identity.ecus.values() for pid in ecu.pids}
        """Supported PIDs of all ECUs; empty where that is not known."""
        nothing = np.full(len(grid), np.nan)
        rpm, self.speed = grid.linear("RPM"), grid.linear("VSS")
        self.rpm = nothing if rpm is None else rpm
        self.running: Mask = self.rpm >= RUNS_RPM
        self.driving: Mask = (
            np.zeros(len(grid), dtype=bool)
            if self.speed is None
            else self.running & (self.speed > 20.0)
        )

    @cached_property
    def idle(self) -> Mask:
        """Where the engine idles and the car stands, as far as that is known."""
        calm = self.grid.span_of(self.rpm, 3.0) < 150.0
        idle = self.running & calm & (self.rpm < IDLE_RPM)
        return idle if self.speed is None else idle & ~(self.speed > 1.5)

    @cached_property
    def baro_kpa(self) -> float | None:
        """Pressure around the car: the barometer's, else the manifold's with the engine off."""
        around = self.values("BARO")
        if len(around):
            return float(np.median(around))
        still = self.values("MAP", inside(self.grid.t_ns, self.standing.still))
        return float(np.median(still)) if len(still) * STEP_S >= 1.0 else None

    @cached_property
    def standing(self) -> Standing:
        """Where the engine stands, by all signals that can tell."""
        return find_standing(self.grid.traces)

    def values(self, acronym: str, where: Mask | None = None) -> Values:
        """Known values of a signal on the grid, in order of time; empty where not recorded."""
        found = self.grid.linear(acronym)
        if found is None:
            return np.empty(0)
        good = np.isfinite(found) if where is None else np.isfinite(found) & where
        return found[good]

    def level(self, acronym: str, where: Mask, share_pct: float = 50.0) -> float:
        """A percentile of a signal there; NaN below `LEAST_S` of it."""
        found = self.values(acronym, where)
        enough = len(found) * STEP_S >= LEAST_S
        return float(np.percentile(found, share_pct)) if enough else float("nan")

    def samples(self, acronym: str) -> Values:
        """Finite samples of a signal itself."""
        trace = self.grid.traces.first(acronym)
        return np.empty(0) if trace is None else trace.value[np.isfinite(trace.value)]

    def moves(self, acronym: str, by: float) -> bool:
        """Whether a signal of that very name moved by more than `by`."""
        trace = self.grid.traces.first(acronym)
        found = self.samples(acronym)
        return trace is not None and trace.signal == acronym and float(np.ptp(found)) > by

    def high(self, acronym: str) -> float:
        """The third largest sample: no single odd one; NaN below ten of them."""
        found = np.sort(self.samples(acronym))
        return float(found[-3]) if len(found) >= 10 else float("nan")

    def offered(self, pids: Collection[int]) -> bool:
        """Whether the car offers one of these, or a signal of one was recorded."""
        recorded = (s for s in self.grid.traces.signals if s in table())
        return bool(
            self.pids & set(pids) or any(table().by_acronym(s).pid in pids for s in recorded)
        )

    @cached_property
    def quantities(self) -> int:
        """How many different PIDs the recording holds."""
        known = (s for s in self.grid.traces.signals if s in table())
        return len({table().by_acronym(s).pid for s in known})


def _combustion(seen: Seen) -> Iterator[Clue]:
    for look in (_told_fuel, _control, _after_treatment, _throttling, _mixture, _rail):
        for words, ratio in look(seen):
            yield Clue(Trait.COMPRESSION, words, ratio, look.__name__)
    highest = seen.high("RPM")
    if highest > GOVERNED_RPM:
        yield Clue(Trait.COMPRESSION, "it revs higher than compression ignition is governed", -3.0)


_Found = Iterator[tuple[str, float]]


def _told_fuel(seen: Seen) -> _Found:
    """The ECU itself: the monitors' bit for compression ignition, and the type of fuel."""
    monitors, fuel = seen.samples("CI_SUP"), seen.samples("FUEL_TYP")
    if len(monitors):
        if monitors[-1] == 1.0:
            yield "its monitors are those of compression ignition", 5.0
        else:  # before 2007 the bit was reserved, and 0
            yield "its monitors are not those of compression ignition", -1.5
    if len(fuel) and fuel[-1] in DIESEL_FUELS:
        yield "it reports diesel fuel", 5.0
    elif len(fuel) and fuel[-1] in SPARK_FUELS:
        yield "it reports a fuel for spark ignition", -5.0


def _control(seen: Seen) -> _Found:
    """What only spark ignition needs: its timing, trims of the mixture and their closed loop."""
    if seen.moves("SPARKADV", 3.0):
        yield "its ignition timing moves", -3.5
    elif seen.pids:
        offered = 0x0E in seen.pids
        yield (
            ("its ignition timing is " + ("" if offered else "not ") + "offered"),
            (-2.5 if offered else 2.0),
        )
    loop = seen.samples("FUELSYS1")
    if np.isin(loop, (2.0, 16.0)).any():
        yield "its mixture is in closed loop", -3.0
    if seen.moves("SHRTFT1", 1.0):
        yield "its fuel trims move", -3.0
    elif seen.pids and 0x06 not in seen.pids:
        yield "it offers no fuel trims", 1.0
    swing = seen.samples("O2S11")
    if seen.moves("O2S11", 0.3) and swing.min() < 0.3 and swing.max() > 0.6:
        yield "its oxygen sensor switches", -3.0


def _after_treatment(seen: Seen) -> _Found:
    """What serves one kind alone: purging the tank of gasoline, glowing, reducing nitrogen
    oxides."""
    if seen.offered({0x2E, 0x32, 0x53, 0x54}):
        yield "it purges its tank", -2.0
    if seen.offered({0x83, 0x85, 0x8B, 0xA1}):
        yield "it treats nitrogen oxides", 2.5
    if seen.offered({0x7A, 0x7B, 0x7C}):  # some gasoline engines have a filter, too
        yield "it has a particle filter", 1.5
    if seen.offered({0x78, 0x79}):
        yield "it reports exhaust gas temperatures", 1.0
    if seen.level("EGR_PCT", seen.idle) > 10.0:
        yield "it recirculates exhaust gas at idle", 1.5


def _throttling(seen: Seen) -> _Found:
    """Whether the air is throttled at idle: spark ignition needs that, compression does not. A
    spark engine whose valves throttle it looks alike, so it is not a strong clue by itself."""
    ratio = idle_ratio(seen)
    if ratio < DEEP:
        yield "a flap throttles its idle", -3.5
    elif ratio > NEAR and seen.moves("MAP", 1.0):  # else it may be stuck there
        yield "no flap throttles its idle", 2.5
    elif not np.isfinite(ratio) and seen.level("MAP", seen.running, 5.0) < DEEP * SEA_LEVEL_KPA:
        yield "a flap throttles it", -2.0
    if seen.level("TP", seen.idle) > FLAP_OPEN_PCT:
        yield "its flap is open at idle", 1.3
    share, lowest = _charge(seen)
    if share < CHARGE_LOW or lowest < CHARGE_FALLS:
        yield "its air falls far without load", -2.0
    elif CHARGE_HIGH < share < CHARGE_MOST and lowest > CHARGE_STAYS:
        yield "its air hardly falls without load", 2.0


def _charge(seen: Seen) -> tuple[float, float]:
    """Air of an intake stroke at idle over that of hard driving, and that of the overrun (the
    least of driving) over that at idle; NaN where too little of either was recorded."""
    flow = seen.grid.linear("MAF")
    if flow is None or not float(np.ptp(seen.samples("MAF"))) > 1.0:  # g/s: else it stands still
        return np.nan, np.nan
    calm = seen.grid.span_of(seen.rpm, 2.0) < 0.08 * np.maximum(seen.rpm, 1000.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        charge = flow * 120.0 / seen.rpm
    at_idle, driven = (charge[m & np.isfinite(charge)] for m in (seen.idle, calm & seen.driving))
    if len(at_idle) * STEP_S < LEAST_S or len(driven) * STEP_S < LEAST_DRIVEN_S:
        return np.nan, np.nan
    idle, (low, high) = float(np.median(at_idle)), np.percentile(driven, [5, 90])
    return (idle / float(high), float(low) / idle) if min(idle, low) > 0.0 else (np.nan, np.nan)


def idle_ratio(seen: Seen) -> float:
    """Manifold pressure at idle over that of the air around; NaN where not known."""
    return seen.level("MAP", seen.idle) / (seen.baro_kpa or SEA_LEVEL_KPA)


def _mixture(seen: Seen) -> _Found:
    """Compression ignition runs lean at any load, spark ignition near lambda 1."""
    measured = seen.grid.linear("LAMBDA11")
    if measured is None:
        return
    found = measured[seen.running & np.isfinite(measured)]
    if len(found) * STEP_S < LEAST_S or np.ptp(found) < 0.005 or found.min() <= 0.1:
        return  # it stands still, or at the end of its range: no sample
    if np.percentile(found, 25) > LEAN:
        yield "it runs lean", 3.5
    elif NORMAL[0] < np.median(found) < NORMAL[1]:
        yield "it runs at lambda 1", -3.0


def _rail(seen: Seen) -> _Found:
    highest = seen.high("FRP")
    if highest > RAIL_KPA:
        yield "its fuel pressure is that of compression ignition", 4.0
    elif highest < RAIL_SPARK_KPA and np.count_nonzero(seen.driving) * STEP_S >= LEAST_DRIVEN_S:
        yield "its fuel pressure stays low", -2.0


# --- air ---


def _metering(seen: Seen) -> Iterator[Clue]:
    sensors = (
        (Trait.FLOW_SENSOR, "MAF", "MAP", {0x10, 0x66}, "an air-flow sensor"),
        (Trait.PRESSURE_SENSOR, "MAP", "MAF", {0x0B, 0x87}, "a manifold pressure sensor"),
    )
    for trait, own, other, pids, words in sensors:
        values = seen.samples(own)
        if len(values) >= 10 and float(np.ptp(values)) > 0.0:
            yield Clue(trait, said("{own} was recorded", own=own), 4.0)
        elif seen.pids:
            offered = bool(seen.pids & pids)
            yield Clue(
                trait,
                said("it offers {own}" if offered else "it offers not {own}", own=own),
                4.0 if offered else -4.0,
            )
        elif len(seen.samples(other)) and seen.quantities >= SOME:
            many = seen.quantities >= MANY
            text = said(
                "of {quantities} quantities recorded none is that of {words}",
                quantities=seen.quantities,
                words=words,
            )
            yield Clue(trait, text, -2.0 if many else -0.7)


def _charging(seen: Seen, compression: bool | None) -> Iterator[Clue]:
    trait, group = Trait.CHARGED, "pressure"
    if seen.offered(range(0x6F, 0x78)):
        yield Clue(trait, "it offers signals of a charger", 3.0)
    if compression:
        yield Clue(trait, "compression ignition goes with it", 2.0)
    if _charges(seen, WELL_CHARGED_KPA):
        yield Clue(trait, "its manifold pressure rises far above that around", 5.0, group)
    elif _charges(seen, CHARGED_KPA):
        yield Clue(trait, "its manifold pressure rises above that around", 3.0, group)
    elif seen.baro_kpa is not None and not compression:
        yield from (Clue(trait, *found, group) for found in _uncharged(seen, seen.baro_kpa))


def _charges(seen: Seen, by_kpa: float) -> bool:
    """Whether the manifold pressure stays above that around for `CHARGED_S`, by three samples: a
    pulse of the intake is over sooner."""
    manifold, least = seen.grid.linear("MAP"), (seen.baro_kpa or SEA_LEVEL_KPA) + by_kpa
    if manifold is None or not seen.high("MAP") > least:
        return False
    return max((b - a for a, b in edges(manifold > least)), default=0) * STEP_S >= CHARGED_S


def _uncharged(seen: Seen, around_kpa: float) -> _Found:
    """Asked for all it has, a charged engine charges within two seconds."""
    manifold = seen.grid.linear("MAP")
    if manifold is None:
        return
    wide = seen.running & (seen.rpm > 2000.0) & (manifold > 0.93 * around_kpa)
    longest = max((b - a for a, b in edges(wide)), default=0) * STEP_S
    if longest >= 2.0:
        yield "its manifold pressure stays at that around under full load", -3.0
    elif longest > 0.0:
        yield "its manifold pressure does not rise above that around", -1.0


def _valves(seen: Seen, compression: bool | None) -> Iterator[Clue]:
    """Of spark engines, those that idle near the pressure around."""
    ratio, trait = idle_ratio(seen), Trait.VALVE_THROTTLED
    if compression:
        return
    if ratio < 0.7:
        yield Clue(trait, "its idle vacuum is that of a flap", -4.0)
    elif ratio > NEAR and compression is False:
        yield Clue(trait, "its manifold stands near the pressure around at idle", 3.0)
        if seen.level("TP", seen.idle) > FLAP_OPEN_PCT:
            yield Clue(trait, "its flap is open at idle", 2.0)


def _banks(seen: Seen) -> Iterator[Clue]:
    second = {0x08, 0x09, 0x18, 0x19, 0x28, 0x29, 0x38, 0x39, 0x3D, 0x3F}
    if seen.offered(second):
        yield Clue(Trait.TWO_BANKS, "it reports a second bank", 4.0)
    elif seen.pids & {0x06, 0x07}:
        yield Clue(Trait.TWO_BANKS, "it offers trims of one bank", -3.0)
    elif seen.offered({0x06, 0x07}) and seen.quantities >= MANY:
        yield Clue(Trait.TWO_BANKS, "trims of one bank were recorded", -1.5)


# --- the car ---


def _stops(seen: Seen) -> Iterator[Clue]:
    """Engine off between runs of it: at standstill, warm, and on the road."""
    if seen.offered({0x5B, 0x9A}):
        yield Clue(Trait.HYBRID, "it reports a traction battery", 4.0)
    fuel = seen.samples("FUEL_TYP")
    if len(fuel) and np.isin(fuel, HYBRID_FUELS).any():
        yield Clue(Trait.HYBRID, "it calls itself a hybrid", 5.0)
    if seen.speed is None:
        return
    standing, rolling = _count_stops(seen, seen.speed)
    if rolling:
        ratio = min(5.5, 2.5 + 1.5 * (rolling - 1))
        yield Clue(Trait.HYBRID, "its engine stops on the road", ratio)
    elif np.count_nonzero(seen.driving) * STEP_S >= 2.0 * LEAST_DRIVEN_S:
        yield Clue(Trait.HYBRID, "its engine runs all the time on the road", -1.5)
    if standing:
        ratio = min(4.0, 1.0 + 1.5 * (standing - 1))
        yield Clue(Trait.STOP_START, "its engine stops while the car stands", ratio)
    elif _warm_stops(seen) >= 3:  # it may be switched off
        yield Clue(Trait.STOP_START, "its engine idles through every stop", -2.0)


def _count_stops(seen: Seen, speed: Values) -> tuple[int, int]:
    """How often the engine stood still between two runs, warm at standstill, and on the road."""
    t_ns, ran_ns = seen.grid.t_ns, seen.standing.ran_ns
    coolant = seen.grid.slow("ECT")
    standing = rolling = 0
    for span in seen.standing.still:
        during = speed[(t_ns >= span.start_ns) & (t_ns < span.end_ns)]
        runs_again = seen.running[t_ns >= span.end_ns].any()
        if ran_ns is None or span.start_ns < ran_ns or not runs_again or np.isnan(during).all():
            continue
        if not STOP_S[0] <= span.duration_s <= STOP_S[1]:
            continue
        at = int(np.searchsorted(t_ns, span.start_ns))
        if np.nanmedian(during) > ROLLS_KMH:
            rolling += 1
        elif np.nanmin(during) < 1.5 and (coolant is None or not coolant[at] < 50.0):
            standing += 1
    return standing, rolling


def _warm_stops(seen: Seen) -> int:
    """Warm idles of fifteen seconds and more between two stretches of driving."""
    coolant = seen.grid.slow("ECT")
    warm = seen.idle if coolant is None else seen.idle & (coolant > 70.0)
    driven = np.cumsum(seen.driving)
    return sum((b - a) * STEP_S >= 15.0 and 0 < driven[a] < driven[-1] for a, b in edges(warm))


def _gears(seen: Seen) -> Iterator[Clue]:
    """Steady driving at few ratios, each at several speeds, or at ratios without steps."""
    if seen.speed is None:
        return
    grid, speed = seen.grid, seen.speed
    steady = seen.driving & (speed >= GEAR_KMH) & (seen.rpm > 900.0)
    steady &= (grid.span_of(speed, 2.0) < 4.0) & (grid.span_of(seen.rpm, 2.0) < 0.06 * seen.rpm)
    if np.count_nonzero(steady) * STEP_S < 2.0 * LEAST_DRIVEN_S:
        return
    ratio = seen.rpm[steady] / speed[steady]
    gears, gear_of = find_gears(ratio)
    near, several = _in_gears(ratio, gears, gear_of, speed[steady])
    if near > GEAR_MANY and several >= 2:
        yield Clue(
            Trait.FIXED_GEARS,
            said("{several} ratios were kept at several speeds", several=several),
            2.5,
        )
    elif near < GEAR_FEW:
        yield Clue(Trait.FIXED_GEARS, "the ratio of engine to road speed has no steps", -2.5)


def _in_gears(
    ratio: Values, gears: Values, gear_of: np.ndarray, speed: Values
) -> tuple[float, int]:
    """Share of samples close to a gear's ratio, and how many gears were seen at several speeds."""
    near = several = 0
    for gear, at in enumerate(gears):
        close = (gear_of == gear) & (np.abs(ratio / at - 1.0) <= GEAR_NEAR)
        near += int(np.count_nonzero(close))
        slow, fast = _range(speed[close])
        several += fast > 1.2 * slow
    return near / len(ratio), several


def _range(values: Sequence[float] | Values) -> tuple[float, float]:
    """The outer 5 % of values; nothing of too few."""
    if len(values) * STEP_S < LEAST_S:
        return 1.0, 0.0
    low, high = np.percentile(values, [5, 95])
    return float(low), float(high)
