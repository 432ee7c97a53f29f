"""What a `sim:` URL may say, and the car and adapter that come of it."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import cast, get_args
from urllib.parse import parse_qsl

from logbench.errors import LinkUnknownError, UsageError
from logbench.simulator.adapter import Adapter
from logbench.simulator.canbus import CanCar
from logbench.simulator.cars import CAR_NAMES, Car, Kind, named_car
from logbench.simulator.drawn import SHARES, draw_car, draw_kind
from logbench.simulator.drive import Drive
from logbench.simulator.driver import SCHEDULE_NAMES, schedule
from logbench.simulator.ecu import Edition
from logbench.simulator.exercise import ANY, Exercise, exercise_of
from logbench.simulator.faults import Faults
from logbench.simulator.model import CarSource, StillCar
from logbench.simulator.protocols import CAR_PROTOCOLS, PROTOCOLS
from logbench.simulator.server import Plug
from logbench.simulator.timing import CarClock, Timing
from logbench.simulator.trouble import Trouble, parse_trouble

DRAWN = "drawn"
STILL = "still"
EXAMPLE = "sim:?seed=7&fault=unmetered_air:0.8&schedule=test-drive&speed=20"


@dataclass(frozen=True, slots=True)
class SimOptions:
    """A simulated car and its adapter, as the query of a `sim:` URL gives them."""

    seed: int = 0
    """Draws the car where `car` is 'drawn', and all of its noise."""
    car: str = ""
    """A name of `cars.CAR_NAMES`, 'drawn' (from `seed`) or 'still' (fixed readings of a warm idle).
    '': drawn when a seed is given, else the demo car."""
    kind: str = "gasoline"
    """What is drawn: a kind of `cars.Kind`, or 'any' as roads have them."""
    exercise: Exercise | None = None
    """`exercise=TEXT`: its car, with what is hidden in it, on its drive."""
    faults: tuple[tuple[str, float], ...] = ()
    """`fault=NAME:SEVERITY[,…]`; the key may come more than once, severity 1 may be left out."""
    schedule: str = "test-drive"
    """A name of `schedules.SCHEDULE_NAMES`."""
    ambient_degc: float | None = None
    """`ambient`, -30 to 50 degC; None: that of the day, which `seed` draws."""
    altitude_m: float = 0.0
    """`altitude`, -100 to 4000 m."""
    baud: int = 115_200
    """Serial speed between client and adapter in bit/s; 0 takes no time."""
    latency_ms: float = 8.0
    """Answering time of the ECU."""
    delay_ms: float = 0.0
    """Delay of a radio link, each way."""
    protocol: str = "6"
    """Number of the vehicle's bus protocol, 1 to 9 as in the adapter's command language."""
    edition: Edition = "J1979"
    """'J1979' (services 01 to 0A) or 'J1979-2' (service 22 instead; CAN only)."""
    speed: float = 1.0
    """Car seconds per real second, 0.1 to 300 (a second of the physics takes about 1.3 ms here)."""
    start_s: float = 0.0
    """How far into the drive it begins; the clock stands there until a value is asked for."""
    trims: str = "learned"
    """Long-term trims at the start: 'learned' on earlier trips with these faults, or 'cleared'."""
    troubles: tuple[Trouble, ...] = field(default=())
    """`trouble=NAME@TIME[:DURATION][,…]` in seconds of the car's clock."""

    @property
    def timing(self) -> Timing:
        """The timing model these options make."""
        return Timing(baud=self.baud, latency_ms=self.latency_ms, delay_ms=self.delay_ms)

    @property
    def plug(self) -> Plug:
        """What is said to whatever is plugged into the car."""
        return {
            "protocol": self.protocol,
            "clock": CarClock(self.speed, self.start_s),
            "troubles": self.troubles,
            "edition": self.edition,
        }


def _exercise(text: str, keys: Collection[str]) -> Exercise:
    others = sorted(_OF_CAR & set(keys))
    if others:
        raise LinkUnknownError(
            f"exercise={text} in the sim: link says all of the car: leave out {', '.join(others)}."
        )
    try:
        return exercise_of(text)
    except UsageError as error:
        raise LinkUnknownError(str(error)) from error


def _number(key: str, text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise LinkUnknownError(
            f"{key}={text} in the sim: link must be a number from {low:g} to {high:g}."
        )
    if key in _WHOLE and value != int(value):
        raise LinkUnknownError(f"{key}={text} in the sim: link must be a whole number.")
    return int(value) if key in _WHOLE else value


def _value(key: str, text: str) -> object:
    if key in _NUMBERS:
        return _number(key, text, *_NUMBERS[key][1:])
    if text not in _CHOICES[key]:
        raise LinkUnknownError(
            f"{key}={text} in the sim: link must be one of {', '.join(sorted(_CHOICES[key]))}."
        )
    return text


def _faults(text: str) -> tuple[tuple[str, float], ...]:
    found = []
    for part in text.split(","):
        name, colon, severity = part.partition(":")
        value = _number("fault", severity, 0, 1) if colon else 1.0
        try:
            Faults({name: value})
        except UsageError as error:
            raise LinkUnknownError(str(error)) from error
        found.append((name, value))
    return tuple(found)


_NUMBERS: dict[str, tuple[str, float, float]] = {
    "seed": ("seed", 0, 2**31),
    "ambient": ("ambient_degc", -30, 50),
    "altitude": ("altitude_m", -100, 4000),
    "baud": ("baud", 0, 10_000_000),
    "latency_ms": ("latency_ms", 0, 10_000),
    "delay_ms": ("delay_ms", 0, 10_000),
    "speed": ("speed", 0.1, 300),
    "start_s": ("start_s", 0, 100_000),
}
"""Key to the option, its least and its highest value."""
_WHOLE = frozenset({"seed", "baud"})
_CHOICES: dict[str, tuple[str, ...]] = {
    "car": (*CAR_NAMES, DRAWN, STILL),
    "kind": (*SHARES, ANY),
    "schedule": SCHEDULE_NAMES,
    "protocol": tuple(sorted(CAR_PROTOCOLS)),
    "edition": get_args(Edition),
    "trims": ("learned", "cleared"),
}
_OF_CAR = frozenset({"seed", "car", "kind", "fault", "schedule", "ambient", "altitude"})
"""What an exercise draws."""
_NAMES = {**{key: name for key, (name, _, _) in _NUMBERS.items()}, **{key: key for key in _CHOICES}}
KEYS = ("fault", "trouble", "exercise", *_NAMES)


def parse_sim_url(url: str) -> SimOptions:
    """The options of `sim:?key=value&…` (the query alone will do).

    Raises `LinkUnknownError` with one sentence for an unknown key or a value out of range.
    """
    head, _, query = url.partition("?") if "?" in url or url.startswith("sim:") else ("", "", url)
    if head not in ("", "sim:", "sim://"):
        raise LinkUnknownError(f"{url!r} is not a simulated car: write {EXAMPLE}.")
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query))
    except ValueError:
        raise LinkUnknownError(f"{url!r} is not a simulated car: write {EXAMPLE}.") from None
    options = SimOptions()
    for key, text in pairs:
        if key == "fault":
            options = replace(options, faults=options.faults + _faults(text))
        elif key == "trouble":
            more = tuple(parse_trouble(part) for part in text.split(","))
            options = replace(options, troubles=options.troubles + more)
        elif key == "exercise":
            options = replace(options, exercise=_exercise(text, [key for key, _ in pairs]))
        elif key in _NAMES:
            changed: dict[str, object] = {_NAMES[key]: _value(key, text)}
            options = replace(options, **changed)  # type: ignore[arg-type]
        else:
            raise LinkUnknownError(
                f"A sim: link knows no {key!r}: its keys are {', '.join(sorted(KEYS))}."
            )
    if options.exercise is not None:
        return replace(options, seed=options.exercise.number)
    if not options.car:
        seeded = any(key in ("seed", "kind") for key, _ in pairs)
        options = replace(options, car=DRAWN if seeded else CAR_NAMES[0])
    if options.car != STILL:
        _fit(options)
    elif options.faults:
        raise LinkUnknownError("The still car has no engine to be faulty: leave out fault=.")
    return options


def _fit(options: SimOptions) -> Car:
    """The car of the options; `LinkUnknownError` for a fault that it cannot have."""
    car = _drawn(options) if options.car == DRAWN else named_car(options.car or CAR_NAMES[0])
    try:
        Faults(dict(options.faults)).fit(car)
    except UsageError as error:
        raise LinkUnknownError(str(error)) from error
    return car


def _drawn(options: SimOptions) -> Car:
    kind = draw_kind(options.seed) if options.kind == ANY else cast("Kind", options.kind)
    return draw_car(options.seed, kind)


def make_car(options: SimOptions) -> CarSource:
    """The car: still, or at the start of its drive."""
    learned = options.trims == "learned"
    if options.exercise is not None:
        return options.exercise.drive(learned=learned)
    if options.car == STILL:
        return StillCar()
    return Drive(
        _fit(options),
        dict(options.faults),
        schedule(options.schedule),
        ambient_degc=options.ambient_degc,
        altitude_m=options.altitude_m,
        seed=options.seed,
        learned=learned,
    )


def make_adapter(options: SimOptions) -> Adapter:
    """The car of `options`, moved to `start_s`, behind its adapter."""
    return Adapter(_started(options), options.timing, seed=options.seed, **options.plug)


def make_can_car(options: SimOptions) -> CanCar:
    """The same car directly on a CAN bus.

    Raises `LinkUnknownError` for a protocol that is not CAN.
    """
    if not PROTOCOLS[options.protocol].is_can:
        raise LinkUnknownError(f"protocol={options.protocol} is not CAN: choose 6, 7, 8 or 9.")
    return CanCar(_started(options), options.timing, **options.plug)


def _started(options: SimOptions) -> CarSource:
    car = make_car(options)
    car.advance(options.start_s)
    return car
