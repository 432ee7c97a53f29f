"""The day of a simulated drive, and how far it moves what the checks report.

Outside reference: the standard deviations between 123 drives of one healthy gasoline car that
nobody touched, measured (carOBD open dataset, IEEE, document 8891367).
"""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import astuple, replace

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logbench.analysis.run import run_checks
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.table import default_signals, table
from logbench.simulator.cars import STOICH_E10, STOICH_GASOLINE, Car, named_car
from logbench.simulator.day import STANDARD, Day, draw_day
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule, schedule
from logbench.simulator.produce import produce
from tests.analysis.fleet import fleet_schedule

REAL_SD = {
    "fuel_trim/bank 1, warm idle": 2.18,
    "fuel_trim/bank 1, light cruise": 2.65,
    "fuel_trim/bank 1, brisk cruise": 2.53,
    "fuel_trim/bank 1, load": 2.58,
    "fuel_trim/bank 1, idle against higher airflow": 1.83,
    "fuel_trim/bank 1, load against idle": 1.80,
    "pressures/idle vacuum": 3.6,
    "idle/ignition timing at idle": 0.86,
    "charging/charging": 0.20,
    "charging/rest before the start": 0.36,
    "cold_soak/agreement before the start": 3.6,
    "warm_up/rate of warm-up": 2.1,
    "warm_up/heat for the warm-up": 1.33,
    "warm_up/settled coolant temperature": 1.0,
    "warm_up/highest coolant temperature": 2.95,
}
"""Standard deviation between drives, and 1.5 times either way is near enough."""
DRIVES = 14


def longer(seed: int) -> Schedule:
    """A drive of the fleet that goes on for some minutes and ends with an idle of any length."""
    rng = random.Random(f"longer {seed}")
    drive = fleet_schedule(seed)
    more = (
        Phase("on", "cruise", rng.uniform(60, 400), rng.uniform(40, 100)),
        Phase("stop again", "stop", 40),
        Phase("long idle", "idle", rng.uniform(20, 300)),
    )
    return replace(drive, phases=(*drive.phases, *more))


def reported(car: Car, seed: int) -> dict[str, float]:
    """What the checks report of one drive, by check and subject."""
    drive = Drive(car, None, longer(seed), seed=seed)
    samples = produce(drive, default_signals(drive.supported("7E8")), seed=seed)
    traces = [
        Trace(signal, ecu, table().by_acronym(signal).unit, t_ns, values)
        for (signal, ecu), (t_ns, values) in samples.items()
    ]
    findings = run_checks(Recording.of(traces, Facts()))
    return {f"{f.check}/{f.subject}": f.value for f in findings if f.value is not None}


@pytest.mark.slow
def test_an_untouched_car_moves_from_day_to_day_as_a_real_one():
    squares, degrees = defaultdict(float), defaultdict(int)
    for k, car in enumerate((named_car("demo-small"), named_car("demo"), draw_car(10_004))):
        drives = [reported(car, 100 * k + n) for n in range(DRIVES)]
        for key in REAL_SD:
            values = [found[key] for found in drives if key in found]
            squares[key] += float(np.var(values) * len(values))
            degrees[key] += len(values) - 1
    ratios = {key: np.sqrt(squares[key] / degrees[key]) / sd for key, sd in REAL_SD.items()}
    assert min(degrees.values()) >= 20
    assert {key: round(r, 2) for key, r in ratios.items() if not 1 / 1.5 < r < 1.5} == {}


def test_a_day_is_that_of_its_seed_and_the_standard_one_moves_nothing():
    assert draw_day(7) == draw_day(7) != draw_day(8)
    car = named_car("demo")
    drives = [Drive(car, None, schedule("idle"), seed=7, day=d) for d in (None, draw_day(7))]
    for drive in drives:
        drive.advance(60.0)
    assert drives[0].readings("7E8") == drives[1].readings("7E8")
    for metered in (False, True):
        assert STANDARD.air_for_fuel(20.0, metered) == 1.0


def test_a_rare_day_is_odd():
    days = np.array([astuple(draw_day(seed)) for seed in range(3000)])
    drawn = {"injected": 0.015, "load_tilt": 0.008, "pressure_kpa": 0.9}
    names = list(Day.__dataclass_fields__)
    for name, spread in drawn.items():
        values = days[:, names.index(name)]
        far = np.mean(np.abs(values - values.mean()) > 4.0 * spread)
        assert 0.001 < far < 0.01, name  # of normal ones 0.00006


@pytest.mark.parametrize("degc", [0.0, 20.0, 35.0])
def test_water_takes_the_place_of_oxygen(degc: float):
    # CoolProp's moist air (Herrmann and others, ASHRAE RP-1485)
    day = Day(humidity=0.8)
    at = ("T", degc + 273.15, "P", 101_325.0, "R", 0.8)
    ratio = HAPropsSI("W", *at)  # kg of water for each kg of dry air
    assert day.air_for_fuel(degc, True) == pytest.approx(1.0 + ratio, abs=8e-4)
    assert day.air_for_fuel(degc, False) == pytest.approx(
        1.0 / (1.0 - HAPropsSI("psi_w", *at)), abs=8e-4
    )


def test_ten_percent_of_ethanol_is_that_of_the_car_table():
    assert Day(ethanol=0.1).air_for_fuel(20.0, True) * STOICH_GASOLINE == pytest.approx(
        STOICH_E10, abs=0.05
    )


def settled(day: Day, for_s: float = 90.0) -> dict[str, float]:
    """Mean readings of the last 30 s of an idle."""
    drive = Drive(named_car("demo"), None, replace(schedule("idle"), warm=True), seed=3, day=day)
    drive.advance(for_s - 30.0)
    rows = []
    for _ in range(60):
        drive.advance(drive.t_s + 0.5)
        rows.append(drive.readings("7E8"))
    mean = {name: float(np.mean([row[name] for row in rows])) for name in rows[0]}
    return {**mean, "TOTAL": mean["SHRTFT1"] + mean["LONGFT1"]}


@pytest.mark.parametrize(
    ("day", "reading", "change"),
    [
        (Day(ethanol=0.05), "TOTAL", 2.0),
        (Day(injected=1.02), "TOTAL", -2.0),
        (Day(humidity=0.9), "TOTAL", -1.3),
        (Day(pressure_kpa=-2.0), "BARO", -2.0),
        (Day(aim_v=0.3), "VPWR", 0.3),
        (Day(charge=0.6), "VPWR", 0.15),
    ],
)
def test_what_each_cause_does_at_idle(day: Day, reading: str, change: float):
    moved = settled(day)[reading] - settled(STANDARD)[reading]
    assert moved == pytest.approx(change, rel=0.35)


def test_what_grows_from_idle_leaves_the_idle_alone():
    tilted = settled(Day(rpm_tilt=0.02, load_tilt=0.02))["TOTAL"]
    assert tilted == pytest.approx(settled(STANDARD)["TOTAL"], abs=0.4)
    fuel_map = named_car("demo").fuel_map
    more = fuel_map.tilted_from_idle(0.0, 0.02).error(2000.0, 0.8) - fuel_map.error(2000.0, 0.8)
    assert more == pytest.approx(0.03)


def test_consumers_load_the_idle():
    quiet, loaded = settled(STANDARD), settled(Day(consumers_a=25.0))
    assert loaded["MAP"] > quiet["MAP"] + 3.0
    assert loaded["SPARKADV"] < quiet["SPARKADV"] - 0.5
    assert loaded["RPM"] == pytest.approx(quiet["RPM"], abs=10)


def test_trims_begin_where_other_days_left_them():
    def trims(day: Day) -> list[float]:
        car, route = named_car("demo"), schedule("idle")
        return Drive(car, None, route, seed=3, day=day).state.banks[0].long_trims

    usual = np.array(trims(STANDARD))
    assert np.array(trims(Day(unlearned_pct=2.0))) - usual == pytest.approx(2.0)
    assert np.array(trims(Day(injected=1.02))) - usual == pytest.approx(-2.0, abs=0.2)


def test_the_canister_empties():
    drive = Drive(named_car("demo"), None, schedule("short-drive"), day=Day(vapor=0.06))
    drive.advance(300.0)
    assert 0.03 < drive.state.vapor < 0.055


def test_in_the_heat_the_driver_cools():
    def cooled(ambient_degc: float, **options: object) -> bool:
        day = Day(cooled_above_degc=24.0)
        drive = Drive(
            named_car("demo"), None, schedule("idle"), ambient_degc=ambient_degc, day=day, **options
        )
        drive.advance(60.0)
        return drive.state.compressor_left_s != 0.0

    assert cooled(26.0)
    assert not cooled(22.0)
    assert cooled(22.0, cooled=True)
    assert not cooled(26.0, cooled=False)
