"""Simulated drives as recordings in memory, for the tests of the checks."""

from __future__ import annotations

from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.table import table
from logbench.simulator import cars
from logbench.simulator.day import STANDARD
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule
from logbench.simulator.faults import possible_faults
from logbench.simulator.produce import produce

WANTED = (
    *("RPM", "VSS", "ECT", "IAT", "BARO", "MAF", "MAP", "TP", "APP_D", "FUELSYS1", "LOAD_PCT"),
    *("LOAD_ABS", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2", "EVAP_PCT"),
)


_START = (Phase("key on", "key on", 4), Phase("cranking", "crank", 6))
WARM = Schedule(
    "warm drive",
    (
        *_START,
        Phase("idle", "idle", 75),
        Phase("hold", "hold", 50, 2500),
        Phase("cruise at 60", "cruise", 60, 60),
        Phase("cruise at 110", "cruise", 75, 110),
        Phase("hill", "cruise", 70, 75, grade=0.06),
        Phase("slow down", "cruise", 15, 38),
        Phase("pull", "pull", 20, 0.92),
        Phase("coast", "coast", 30, 30),
        Phase("stop", "stop", 20),
        Phase("idle at the end", "idle", 30),
    ),
    warm=True,
)
COLD = Schedule(
    "cold drive",
    (
        *_START,
        Phase("idle", "idle", 30),
        Phase("cruise at 60", "cruise", 150, 60),
        Phase("cruise at 90", "cruise", 400, 90),
        Phase("stop", "stop", 20),
        Phase("idle at the end", "idle", 60),
    ),
)


def simulated(seed: int, faults: dict[str, float], *given: object, **options: object) -> Recording:
    """The whole drive of the gasoline car of that seed: see `drive_of`."""
    return drive_of(draw_car(seed), seed, faults, *given, **options)


def drive_of(
    car: cars.Car,
    seed: int,
    faults: dict[str, float],
    schedule: Schedule | None = None,
    wanted: tuple[str, ...] = WANTED,
    rates_hz: dict[str, float] | None = None,
    stated: bool = True,
    **options: object,
) -> Recording:
    """The whole drive of a car, a warm one unless told, on a day that moves nothing.

    `stated`: displacement and regulating temperature are known."""
    options = {"day": STANDARD} | options
    drive = Drive(car, faults, schedule or WARM, seed=seed, **options)
    return recorded(drive, seed, wanted, rates_hz, stated)


def recorded(
    drive: Drive,
    seed: int,
    wanted: tuple[str, ...] = WANTED,
    rates_hz: dict[str, float] | None = None,
    stated: bool = True,
) -> Recording:
    """The whole of a drive that begins, which has ended then."""
    car, pids = drive.car, drive.supported("7E8")
    told = drive.readings("7E8")
    signals = [s for s in wanted if table().by_acronym(s).pid in pids and s in told]
    samples = produce(drive, signals, rates_hz, seed=seed)
    traces = [
        Trace(a, ecu, table().by_acronym(a).unit, t_ns, values)
        for (a, ecu), (t_ns, values) in samples.items()
    ]
    vehicle = Car()
    if stated:
        vehicle = Car(
            displacement_l=car.displacement_l,
            cylinders=car.cylinders,
            turbo=car.turbo,
            regulating_temp_degc=car.regulating_degc,
        )
    return Recording.of(traces, Facts(vehicle=vehicle))


def fits(car: cars.Car, fault: str) -> bool:
    """Whether the fault can be seen in this car's fuel trims, airflow or coolant: unmetered air
    needs an air-flow sensor (trade-notes 1: on a manifold-pressure engine trim stays normal)."""
    return fault in possible_faults(car) and (fault != "unmetered_air" or car.has_maf)


def seeds_for(fault: str, count: int, start: int) -> list[int]:
    """The first `count` seeds from `start` whose cars fit the fault."""
    found: list[int] = []
    seed = start
    while len(found) < count:
        if not fault or fits(draw_car(seed), fault):
            found.append(seed)
        seed += 1
    return found
