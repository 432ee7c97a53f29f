"""Each fault shows itself in the trade's numbers, through the physics, and grows with severity.

Bands: trade practice as in `analysis/bands.toml`; common practice, no source, where nothing else is
said.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from statistics import fmean

import pytest

from logbench.errors import UsageError
from logbench.simulator.cars import Car, named_car
from logbench.simulator.day import STANDARD
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.faults import FAULT_NAMES, Faults, possible_faults
from tests.simulator import test_physics_behind, test_physics_charge

IDLE, HOLD, HILL, CRUISE = (
    "idle after start",
    "2,500 rpm hold",
    "hill at 70 km/h",
    "cruise at 80 km/h",
)


@dataclass
class Seen:
    """Means over the settled second half of each phase."""

    trims: dict[str, tuple[float, ...]] = field(default_factory=dict)
    map_kpa: dict[str, float] = field(default_factory=dict)
    rpm: dict[str, float] = field(default_factory=dict)
    swing: dict[str, float] = field(default_factory=dict)
    best_ve: float = 0.0
    full_lambda: float = 0.0
    crank_v: float = 99.0
    run_v: float = 0.0
    first_ect: float = 0.0
    codes: tuple[str, ...] = ()


def car_of(key: str) -> Car:
    return draw_car(int(key)) if key.isdigit() else named_car(key)


@cache
def short(key: str, fault: str = "", severity: float = 0.0) -> Seen:
    """A short warm drive, observed through the sensors."""
    car = car_of(key)
    drive = Drive(
        car, {fault: severity} if fault else None, schedule("short-drive"), seed=3, day=STANDARD
    )
    seen = Seen()
    rows: dict[str, list[tuple[float, ...]]] = {}
    full: list[float] = []
    volts: list[float] = []
    lengths = {p.name: p.duration_s for p in drive.schedule.phases}
    begin = {drive.phase: 0.0}
    drive.advance(2)
    seen.first_ect = drive.readings("7E8")["ECT"]
    while not drive.done:
        drive.advance(drive.t_s + 0.1)
        s = drive.state
        r = drive.readings("7E8")
        begin.setdefault(drive.phase, drive.t_s)
        if s.cranking or (s.running and s.since_start_s < 0.3):
            seen.crank_v = min(seen.crank_v, drive.battery_v())
        if s.since_start_s > 30 and s.running:
            volts.append(drive.battery_v())
        if drive.t_s - begin[drive.phase] > 0.5 * lengths[drive.phase]:
            totals = [r[f"SHRTFT{b}"] + r[f"LONGFT{b}"] for b in range(1, car.banks + 1)]
            rows.setdefault(drive.phase, []).append((r["RPM"], r["MAP"], *totals))
        if drive.phase == "full-throttle pull" and r["RPM"] > 3000 and s.demand > 0.95:
            full.append(s.banks[0].lambda_seen)
            density = s.p_amb_kpa / (0.28705 * (s.t_amb_degc + 273.15))
            ve = s.air_est_g_s * 120 / (density * car.displacement_l * r["RPM"])
            seen.best_ve = max(seen.best_ve, ve)
    for phase, values in rows.items():
        columns = list(zip(*values, strict=True))
        seen.rpm[phase], seen.map_kpa[phase] = fmean(columns[0]), fmean(columns[1])
        seen.trims[phase] = tuple(fmean(c) for c in columns[2:])
        seen.swing[phase] = max(columns[2]) - min(columns[2])
    seen.full_lambda = fmean(full[-10:])
    seen.run_v = fmean(volts)
    seen.codes = drive.memory.codes(0x03)
    return seen


@pytest.mark.parametrize("seed", range(10))
def test_healthy_cars_are_healthy(seed: int):
    seen = short(str(seed))
    for phase in (IDLE, HOLD, HILL, CRUISE):
        # acceptable: within 10 [two tutorials; common practice]
        assert all(abs(total) < 8.0 for total in seen.trims[phase]), (phase, seen.trims)
    assert seen.codes == ()
    assert seen.crank_v >= 10.0  # good cranking
    assert 13.5 <= seen.run_v <= 14.8  # alternator supplier
    assert 0.78 < seen.full_lambda < 0.92
    low, high = (1.1, 2.2) if car_of(str(seed)).turbo else (0.8, 1.0)
    assert low < seen.best_ve < high


@pytest.mark.parametrize("key", ["demo", "demo-v6", "1", "8"])
def test_unmetered_air_is_worst_at_idle(key: str):
    assert car_of(key).has_maf
    seen = short(key, "unmetered_air", 1.0)
    for bank in range(car_of(key).banks):
        idle, fast = seen.trims[IDLE][bank], seen.trims[HOLD][bank]
        assert idle > 15.0
        assert idle - fast >= 8.0
        assert abs(seen.trims[HILL][bank]) < 7.0


@pytest.mark.parametrize("key", ["demo-small", "2", "7"])
def test_a_leak_raises_idle_not_trim_where_pressure_is_measured(key: str):
    assert not car_of(key).has_maf
    healthy, leaking = short(key), short(key, "unmetered_air", 1.0)
    assert abs(leaking.trims[IDLE][0]) < 5.0
    assert leaking.map_kpa[IDLE] > healthy.map_kpa[IDLE] + 4.0
    assert leaking.rpm[IDLE] > healthy.rpm[IDLE] + 100


@pytest.mark.parametrize("key", ["demo", "demo-v6", "1"])
def test_air_flow_sensor_low(key: str):
    healthy, faulty = short(key), short(key, "maf_low", 1.0)
    for phase in (IDLE, HOLD, HILL):
        for good, bad in zip(healthy.trims[phase], faulty.trims[phase], strict=True):
            assert bad - good > 15.0
    assert faulty.best_ve < 0.8 * healthy.best_ve
    if not car_of(key).turbo:
        assert faulty.best_ve < 0.70


@pytest.mark.parametrize("key", ["demo", "demo-v6", "demo-small", "0"])
def test_weak_fuel_rises_with_load(key: str):
    seen = short(key, "weak_fuel", 1.0)
    for idle, hill in zip(seen.trims[IDLE], seen.trims[HILL], strict=True):
        assert abs(idle) < 8.0
        assert hill > 20.0
    assert seen.full_lambda > 0.86 + 0.05  # lean against commanded


@pytest.mark.parametrize("key", ["demo", "demo-v6", "5"])
def test_leaking_injector_is_rich_and_worst_at_idle(key: str):
    seen = short(key, "leaking_injector", 1.0)
    assert seen.trims[IDLE][0] < -15.0
    assert seen.trims[IDLE][0] < seen.trims[HILL][0] - 5.0


def test_one_bank_lean_leaves_the_other_alone():
    seen = short("demo-v6", "one_bank_lean", 1.0)
    for phase in (IDLE, HOLD, HILL):
        first, second = seen.trims[phase]
        assert first > 18.0
        assert abs(second) < 4.0


@pytest.mark.parametrize("key", ["demo", "demo-v6"])
def test_biased_sensor_shifts_its_bank_everywhere(key: str):
    seen = short(key, "biased_o2", 1.0)
    for phase in (IDLE, HOLD, HILL):
        assert seen.trims[phase][0] > 10.0
        assert all(abs(total) < 4.0 for total in seen.trims[phase][1:])


def test_lazy_sensor_swings_slow_and_wide():
    healthy, lazy = short("demo-v6"), short("demo-v6", "lazy_o2", 1.0)
    assert lazy.swing[HOLD] > healthy.swing[HOLD] + 1.5
    assert "P0133" in lazy.codes


@pytest.mark.parametrize("key", ["demo", "demo-v6", "demo-small"])
def test_battery_and_alternator(key: str):
    assert short(key, "worn_battery", 1.0).crank_v < 9.6  # suspect
    assert short(key, "weak_alternator", 1.0).run_v < 13.0  # undercharge


def test_coolant_sensor_reads_cold():
    assert short("demo").first_ect - short("demo", "ect_offset", 1.0).first_ect > 15.0


MEASURES = {
    "unmetered_air": ("demo", lambda s: s.trims[IDLE][0]),
    "maf_low": ("demo", lambda s: s.trims[HOLD][0]),
    "weak_fuel": ("demo", lambda s: s.trims[HILL][0]),
    "leaking_injector": ("demo", lambda s: -s.trims[IDLE][0]),
    "ect_offset": ("demo", lambda s: -s.first_ect),
    "weak_alternator": ("demo", lambda s: -s.run_v),
    "worn_battery": ("demo", lambda s: -s.crank_v),
    "lazy_o2": ("demo-v6", lambda s: s.swing[HOLD]),
    "biased_o2": ("demo", lambda s: s.trims[CRUISE][0]),
    "one_bank_lean": ("demo-v6", lambda s: s.trims[CRUISE][0]),
    "purge_open": ("demo-small", lambda s: -s.trims[HOLD][0]),
    "wrong_ethanol": ("demo", lambda s: s.trims[CRUISE][0]),
    "cam_stuck": ("demo", lambda s: s.map_kpa[IDLE]),
}


@pytest.mark.parametrize("fault", MEASURES)
def test_severity_is_monotone_and_zero_is_healthy(fault: str):
    key, measure = MEASURES[fault]
    values = [measure(short(key, fault, severity)) for severity in (0.0, 0.5, 1.0)]
    assert values == sorted(values)
    assert values[2] > values[0]
    assert values[0] == pytest.approx(measure(short(key)), abs=1e-9)


def test_every_fault_is_measured_somewhere():
    elsewhere = {"thermostat_open", *test_physics_behind.MEASURES, *test_physics_charge.MEASURES}
    assert set(MEASURES) | elsewhere == set(FAULT_NAMES)  # that one: test_physics_drive


def test_faults_refuse_what_cannot_be():
    with pytest.raises(UsageError, match="choose one of"):
        Faults({"flat_tire": 1.0})
    with pytest.raises(UsageError, match="between 0 and 1"):
        Faults({"maf_low": 1.5})
    assert "one_bank_lean" not in possible_faults(named_car("demo"))
    assert "maf_low" not in possible_faults(named_car("demo-small"))
    with pytest.raises(UsageError, match="cannot have"):
        Drive(named_car("demo-small"), {"maf_low": 0.4}, schedule("idle"))
