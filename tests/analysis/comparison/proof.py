"""Simulated pairs with a known true change: how often the interval covers the truth, how often a
change is claimed where there is none, and what size of change is found.

For each car three drives are simulated, each with its own schedule, day (`simulator/day.py`),
weather and height: before;
after with nothing changed; after with a change of the fuel delivered for each command (which the
total fuel trim must take back in every cell) and of the reading of the air-flow sensor (which the
volumetric efficiency shows). Half of the cars with an air-flow sensor leak air behind it in all
three drives, so that their trims hang on the operating point. Nothing is read of the simulation but
the recordings; the truth is arithmetic on what was put in. Warm-ups are held against a twin: the
changed car on the very same day and schedule as an unchanged one.
`python -m tests.analysis.comparison.proof_report` runs it all.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.quantities import efficiency
from logbench.analysis.comparison.results import Comparison, SignalVerdict
from logbench.analysis.comparison.warmup_curves import compare_warm_up
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.table import default_signals, table
from logbench.simulator import cars
from logbench.simulator.day import Day, draw_day
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule
from logbench.simulator.produce import produce

FIRST_SEED = 1
"""Seeds from here on are the proof's; what was calibrated by simulation used `CALIBRATION_SEED` on.
"""
CALIBRATION_SEED = 9000


@dataclass(frozen=True, slots=True)
class Claim:
    """One quantity of one pair: the truth, the estimate with its half width, and what was said.

    `naive` is the difference of plain means over both drives, `naive_half` its textbook 95 % half
    width as if all samples were independent; NaN where there is none.
    """

    key: str
    seed: int
    changed_pair: bool
    truth: float
    value: float
    half_width: float
    said_changed: bool
    naive: float = float("nan")
    naive_half: float = float("nan")

    @property
    def covered(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(self.value - self.truth) <= self.half_width


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that one car yields."""

    seed: int
    claims: tuple[Claim, ...]
    false_signals: tuple[str, ...] = ()
    """Signals said to have changed in the pair without a change."""
    judged_signals: int = 0
    false_cells: int = 0
    judged_cells: int = 0
    not_comparable: int = field(default=0)
    """Pairs in which the total trim was not comparable."""


def random_schedule(rng: random.Random, *, warm: bool = True, parts: int = 7) -> Schedule:
    """A drive through traffic: cruises, hills, stops, holds in random order and length."""
    phases = [
        Phase("key on, engine off", "key on", 2),
        Phase("cranking", "crank", 6),
        Phase("idle", "idle", rng.uniform(10, 40)),
    ]
    kinds = ["cruise"] * 5 + ["idle"] * 2 + ["hold", "hill"]
    rng.shuffle(kinds)
    for kind in kinds[:parts]:
        if kind == "cruise":
            speed = rng.choice((40, 50, 60, 70, 80, 90, 100, 110)) + rng.uniform(-5, 5)
            phases.append(Phase("cruise", "cruise", rng.uniform(20, 50), speed))
        elif kind == "hill":
            grade = rng.uniform(0.02, 0.06)
            speed = rng.uniform(50, 80)
            phases.append(Phase("hill", "cruise", rng.uniform(20, 40), speed, grade=grade))
        else:
            phases.append(Phase("stop", "stop", 30))
            if kind == "idle":
                phases.append(Phase("idle", "idle", rng.uniform(15, 50)))
            else:
                speed = rng.uniform(1800, 2800)
                phases.append(Phase("hold", "hold", rng.uniform(15, 40), speed))
    phases += [Phase("stop", "stop", 30), Phase("idle at the end", "idle", 20)]
    return Schedule("random", tuple(phases), warm=warm)


def record(
    car: cars.Car,
    schedule: Schedule,
    seed: int,
    *,
    ambient_degc: float,
    altitude_m: float,
    faults: dict[str, float] | None = None,
    day: Day | None = None,
) -> Recording:
    """A simulated drive in memory, with the signals that are recorded when nobody has chosen, on
    the day of the seed unless another is given."""
    weather = {"ambient_degc": ambient_degc, "altitude_m": altitude_m}
    drive = Drive(car, faults, schedule, **weather, seed=seed, day=day)
    samples = produce(drive, default_signals(drive.supported("7E8")), seed=seed)
    traces = [
        Trace(signal, ecu, table().by_acronym(signal).unit, t_ns, values)
        for (signal, ecu), (t_ns, values) in samples.items()
    ]
    vehicle = Car(vin=car.vin, displacement_l=car.displacement_l, cylinders=car.cylinders)
    return Recording.of(traces, Facts(vehicle=vehicle))


def operating_point_pair(seed: int, day: Day | None = None) -> Outcome:
    """Warm drives of the car of this seed: before, after unchanged, after changed; all of the same
    day if one is given."""
    rng = random.Random(f"proof {seed}")
    car = draw_car(seed)
    fuel = rng.choice((-1, 1)) * (
        rng.uniform(0.0, 0.02) if rng.random() < 0.4 else rng.uniform(0.02, 0.10)
    )
    metered = car.has_maf and car.has_map
    air = rng.choice((-1, 1)) * rng.uniform(0.0, 0.08) if metered else 0.0
    leak = rng.uniform(0.2, 0.8) if car.has_maf and rng.random() < 0.5 else 0.0
    changed = replace(
        car,
        injector_gains=tuple(gain / (1.0 + fuel) for gain in car.injector_gains),
        maf_gain=car.maf_gain * (1.0 + air),
    )
    drives = [
        record(
            which,
            random_schedule(rng),
            10 * seed + k,
            ambient_degc=rng.uniform(-5, 32),
            altitude_m=rng.uniform(0, 600),
            faults={"unmetered_air": leak},
            day=day,
        )
        for k, which in enumerate((car, car, changed))
    ]
    unchanged = compare([drives[0]], [drives[1]], with_findings=False)
    different = compare([drives[0]], [drives[2]], with_findings=False)
    claims = [
        *_claims(seed, False, unchanged, drives[0], drives[1], 0.0, 0.0),
        *_claims(seed, True, different, drives[0], drives[2], fuel, air),
    ]
    judged = [s for s in unchanged.signals if s.verdict is not SignalVerdict.NOT_COMPARABLE]
    return Outcome(
        seed,
        tuple(claims),
        tuple(s.key for s in judged if s.verdict is SignalVerdict.CHANGED),
        len(judged),
        sum(sum(s.cells_changed) for s in judged),
        sum(len(s.cells) for s in judged),
        sum(c.signal("TOTAL_TRIM1").change is None for c in (unchanged, different)),
    )


def _claims(
    seed: int,
    changed: bool,
    result: Comparison,
    before: Recording,
    after: Recording,
    fuel: float,
    air: float,
) -> Iterable[Claim]:
    """What the comparison says of the quantities whose truth is known; for the pair without a
    change of every signal, whose truth is 0."""
    views = View(before), View(after)
    for s in result.signals:
        if s.change is None or s.before is None or s.half_width is None:
            continue
        if s.key.startswith("TOTAL_TRIM"):
            # in closed loop the fuel delivered for the air is what it was: (1 + trim) makes up for
            # the injectors' gain and for the air that the sensor reports
            base = 1.0 + s.before / 100.0
            truth = 100.0 * base * ((1.0 + fuel) / (1.0 + air) - 1.0)
        elif s.key == "VE":
            truth = s.before * air
        elif changed:
            continue
        else:
            truth = 0.0
        naive, half = _naive(views, s.key)
        said = s.verdict is SignalVerdict.CHANGED
        yield Claim(s.key, seed, changed, truth, s.change, s.half_width, said, naive, half)


def _naive(views: Sequence[View], key: str) -> tuple[float, float]:
    """The difference of means over whole drives, as one would do in a spreadsheet, and 1.96
    standard errors of independent samples."""
    means, squares = [], 0.0
    for view in views:
        if key.startswith("TOTAL_TRIM"):
            bank = key.removeprefix("TOTAL_TRIM")
            short = view.trace(f"SHRTFT{bank}")
            if short is None:
                return float("nan"), float("nan")
            values = short.value + view.last(short.t_ns, f"LONGFT{bank}", max_age_s=10.0)
        elif key == "VE":
            made = efficiency().make(view)
            values = np.empty(0) if made is None else made[view.conditions.running]
        else:
            trace = view.trace(key)
            values = np.empty(0) if trace is None else trace.value
        values = values[np.isfinite(values)]
        if len(values) < 2:
            return float("nan"), float("nan")
        means.append(float(values.mean()))
        squares += float(values.var(ddof=1)) / len(values)
    return means[1] - means[0], 1.96 * math.sqrt(squares)


def warm_up_pair(seed: int) -> Outcome:
    """Cold drives of the car of this seed: before; unchanged and with a leaking thermostat in other
    weather on another route. The truth is what the change does on that very drive."""
    rng = random.Random(f"warm-up proof {seed}")
    car = draw_car(seed)
    severity = rng.uniform(0.05, 0.5)
    ambient = rng.uniform(-5, 25)
    weather = [(ambient, rng.uniform(0, 600)), (ambient + rng.uniform(-8, 8), rng.uniform(0, 600))]
    schedules = [random_schedule(rng, warm=False, parts=9) for _ in weather]
    days = [draw_day(10 * seed + place) for place in (0, 1)]
    drives = []
    for k, (place, fault) in enumerate(((0, 0.0), (1, 0.0), (1, severity))):
        degc, height = weather[place]
        drives.append(
            record(
                car,
                schedules[place],
                10 * seed + k,
                ambient_degc=degc,
                altitude_m=height,
                faults={"thermostat_open": fault},
                day=days[place],
            )
        )
    views = [View(d) for d in drives]
    claims = []
    for changed, other in ((False, views[1]), (True, views[2])):
        found = compare_warm_up([views[0]], [other])
        twin = compare_warm_up([views[1]], [views[2]])
        if found.ratio is None or found.after is None or twin.before is None:
            continue
        truth = 0.0
        if changed:
            low, high = found.low_degc, found.high_degc
            truth = 100.0 * (
                found.after.heat_between(low, high) / twin.before.heat_between(low, high) - 1.0
            )
        minutes = [_minutes(v, found.low_degc, found.high_degc) for v in (views[0], other)]
        claims.append(
            Claim(
                "warm-up",
                seed,
                changed,
                truth,
                found.ratio.value,
                found.ratio.half_width,
                found.changed,
                100.0 * (minutes[1] / minutes[0] - 1.0),
            )
        )
    return Outcome(seed, tuple(claims))


def _minutes(view: View, low: float, high: float) -> float:
    """Minutes from `low` to `high` degC: the naive measure; NaN where not reached."""
    trace = view.trace("ECT")
    if trace is None:
        return float("nan")
    # both levels come from lines between samples, which may end a rounding error above a sample
    reached = [trace.value >= level - 1e-6 for level in (low, high)]
    if not all(r.any() for r in reached):
        return float("nan")
    times = [trace.t_ns[np.argmax(r)] for r in reached]
    return float(times[1] - times[0]) / alignment.NS / 60.0


def root_mean_square(errors: Iterable[float]) -> float:
    """Of the finite ones; NaN for none."""
    known = np.array([e for e in errors if math.isfinite(e)])
    return float(np.sqrt(np.mean(known**2))) if len(known) else float("nan")


def binomial_interval(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson, by scipy)."""
    from scipy import stats

    found = stats.binomtest(hits, count).proportion_ci(0.95, "wilson")
    return float(found.low), float(found.high)


def power(claims: Sequence[Claim], edges: Sequence[float]) -> list[tuple[float, float, int, float]]:
    """(from, to, pairs, share said to have changed) by size of the true change."""
    rows = []
    for low, high in itertools.pairwise(edges):
        inside = [c for c in claims if low <= abs(c.truth) < high]
        if inside:
            rows.append((low, high, len(inside), float(np.mean([c.said_changed for c in inside]))))
    return rows


def run(
    work: Callable[[int], Outcome],
    seeds: Sequence[int],
    jobs: int,
    tell: Callable[[int, int], None],
) -> list[Outcome]:
    """The outcome of every seed, in `jobs` processes; `tell(done, of)` as they come."""
    if jobs <= 1:
        found = []
        for seed in seeds:
            found.append(work(seed))
            tell(len(found), len(seeds))
        return found
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    found = []
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(work, seeds, chunksize=4):
            found.append(outcome)
            tell(len(found), len(seeds))
    return found
