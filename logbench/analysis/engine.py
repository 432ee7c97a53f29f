"""What engine it is: each fact with a probability, worked out of independent clues.

A clue is a likelihood ratio: how much likelier it is to be seen where the fact holds than where it
does not. They are modest (the strongest about 150 to 1), and clues that tell the same thing in
other ways form a group in which each further one counts half of the one before. All ratios and
priors are common practice, no source, unless one is named beside them: they are orders of
magnitude for cars in general, and none is fitted to a recording. What a person stated or the car
itself says is certain; what was worked out is never surer than `MOST_SURE`; without a clue a fact
is not known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import groupby

from logbench.analysis.statement import joined, said
from logbench.car.model import METERING, Car

MOST_SURE = 0.99
SURE, UNSURE = 0.8, 0.2
"""From `SURE` on a fact holds for limits and checks, up to `UNSURE` it does not; between them it
is not known, and no limit that hangs on it carries `act`."""
MOST_SHOWN = 3
"""So many clues are named for a fact."""
MOST_KEPT = 3.0
"""Of the logarithm of the odds that earlier drives gave: so much weighs what is kept with a car
against one drive's own clues."""


class Trait(StrEnum):
    """A fact of an engine or its car that is so or is not."""

    COMPRESSION = "compression ignition"
    FLOW_SENSOR = "air-flow sensor"
    PRESSURE_SENSOR = "manifold pressure sensor"
    CHARGED = "charged"
    VALVE_THROTTLED = "throttled by its valves"
    TWO_BANKS = "two banks"
    STOP_START = "stop-start"
    HYBRID = "hybrid drive"
    FIXED_GEARS = "fixed gears"


PRIORS: Mapping[Trait, float] = {
    Trait.COMPRESSION: 0.5,
    Trait.FLOW_SENSOR: 0.5,
    Trait.PRESSURE_SENSOR: 0.5,
    Trait.CHARGED: 0.5,
    Trait.VALVE_THROTTLED: 0.05,
    Trait.TWO_BANKS: 0.3,
    Trait.STOP_START: 0.3,
    Trait.HYBRID: 0.05,
    Trait.FIXED_GEARS: 0.8,
}
"""Before anything was seen of it. [CP]"""

WORDS: Mapping[Trait, tuple[str, str]] = {
    Trait.COMPRESSION: ("a compression-ignition engine", "a spark-ignition engine"),
    Trait.FLOW_SENSOR: (
        "an engine with an air-flow sensor",
        "an engine without an air-flow sensor",
    ),
    Trait.PRESSURE_SENSOR: (
        "an engine with a manifold pressure sensor",
        "an engine without a manifold pressure sensor",
    ),
    Trait.CHARGED: ("a charged engine", "a naturally aspirated engine"),
    Trait.VALVE_THROTTLED: (
        "an engine that is throttled by its valves",
        "an engine that its valves do not throttle",
    ),
    Trait.TWO_BANKS: ("an engine of two banks", "an engine of one bank"),
    Trait.STOP_START: ("a car with stop-start", "a car without stop-start"),
    Trait.HYBRID: ("a hybrid car", "a car that its engine alone drives"),
    Trait.FIXED_GEARS: ("a transmission with fixed gears", "a continuously variable transmission"),
}
"""What it is where a trait holds, and where it does not."""


@dataclass(frozen=True, slots=True)
class Clue:
    """One piece of evidence: what was seen, as a clause; the natural logarithm of its likelihood
    ratio, positive where it speaks for the trait; the group of those that tell the same."""

    trait: Trait
    seen: str
    ratio: float
    group: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one trait."""

    trait: Trait
    probability: float
    clues: tuple[Clue, ...] = ()
    """The strongest first; none where it is not known, or was stated."""
    certain: str = ""
    """`as stated`, `as the car itself says`; empty where it was worked out."""

    @property
    def told(self) -> bool:
        """Something was seen of it, or somebody said so."""
        return bool(self.clues or self.certain)

    @property
    def holds(self) -> bool | None:
        """Whether it does, as limits and checks take it; None between."""
        return True if self.probability >= SURE else False if self.probability <= UNSURE else None

    @property
    def words(self) -> str:
        """The likelier of the two: `a compression-ignition engine`."""
        return WORDS[self.trait][self.probability < 0.5]

    @property
    def sureness(self) -> float:
        """The probability of the likelier of the two, 0.5 to 1."""
        return max(self.probability, 1.0 - self.probability)

    @property
    def why(self) -> str:
        """What speaks most for the likelier of the two, the strongest first."""
        side = 1.0 if self.probability >= 0.5 else -1.0
        seen = [clue.seen for clue in self.clues if clue.ratio * side > 0.0]
        return self.certain or joined(seen[:MOST_SHOWN], ", ")

    @property
    def brief(self) -> str:
        """`probably a spark-ignition engine (96 %)`, or as a person stated it."""
        return self._said(self.certain or percent(self.sureness))

    @property
    def text(self) -> str:
        """`probably a spark-ignition engine (96 %: …)`."""
        return self._said(
            self.certain
            or said("{share}: {why}", share=percent(self.sureness), why=self.why or "not known")
        )

    def _said(self, how_sure: str) -> str:
        how = "{words} ({sure})"
        if not self.certain:
            unknown = self.holds is None
            how = "perhaps {words} ({sure})" if unknown else "probably {words} ({sure})"
        return said(how, words=self.words, sure=how_sure)


def unknown_whether(trait: Trait) -> str:
    """Why a limit that hangs on a trait carries no `act`: as a clause."""
    return said("it is not known whether it is {words}", words=WORDS[trait][0])


def percent(probability: float) -> str:
    """`97 %`."""
    return f"{100.0 * probability:.0f} %"


def weigh(trait: Trait, clues: Iterable[Clue]) -> Known:
    """All clues of one trait together."""
    mine = sorted((c for c in clues if c.trait is trait), key=lambda c: -abs(c.ratio))
    odds = math.log(PRIORS[trait] / (1.0 - PRIORS[trait]))
    alone = [[clue] for clue in mine if not clue.group]
    in_groups = sorted((c for c in mine if c.group), key=lambda c: c.group)
    groups = [list(group) for _, group in groupby(in_groups, key=lambda c: c.group)]
    for group in alone + groups:
        odds += sum(clue.ratio / 2.0**place for place, clue in enumerate(group))
    probability = 1.0 / (1.0 + math.exp(-odds))
    return Known(trait, min(MOST_SURE, max(1.0 - MOST_SURE, probability)), tuple(mine))


@dataclass(frozen=True, slots=True)
class Engine:
    """What is known of the engine and its car."""

    known: Mapping[Trait, Known] = field(default_factory=dict)

    def __getitem__(self, trait: Trait) -> Known:
        """What is known of a trait; its prior where nothing is."""
        return self.known.get(trait) or Known(trait, PRIORS[trait])

    def holds(self, trait: Trait) -> bool | None:
        """See `Known.holds`."""
        return self[trait].holds

    @property
    def told(self) -> tuple[Known, ...]:
        """The traits of which anything is known."""
        return tuple(self[trait] for trait in Trait if self[trait].told)

    @property
    def metering(self) -> str:
        """One of `METERING`, where both sensors are known to be there or not; else empty."""
        sensors = self.holds(Trait.FLOW_SENSOR), self.holds(Trait.PRESSURE_SENSOR)
        ways = ((True, False), (False, True), (True, True))
        return METERING[ways.index(sensors)] if sensors in ways else ""


# --- what is known of the car already ---

_DIESEL = ("diesel", "derv", "gas oil", "hvo", "biodiesel")
_SPARK = ("gasoline", "petrol", "ethanol", "e5", "e10", "e85", "e100", "lpg", "cng", "methane")
_STEPLESS, _STEPPED = ("cvt", "variable", "stepless"), ("fixed", "manual", "speed", "dual-clutch")


def kept_of(car: Car) -> list[tuple[Trait, bool, str]]:
    """What a car's facts say of its traits: trait, whether it holds, and the fact that says so."""
    found: list[tuple[Trait, bool, str]] = []
    fuel, gearbox = car.fuel.casefold(), car.gearbox.casefold()
    if any(word in fuel for word in _DIESEL):
        found.append((Trait.COMPRESSION, True, "fuel"))
    elif any(word in fuel for word in _SPARK):
        found.append((Trait.COMPRESSION, False, "fuel"))
    if car.metering in METERING:
        sensor, manifold, _ = METERING
        found.append((Trait.FLOW_SENSOR, car.metering != manifold, "metering"))
        found.append((Trait.PRESSURE_SENSOR, car.metering != sensor, "metering"))
    if any(word in gearbox for word in _STEPLESS):
        found.append((Trait.FIXED_GEARS, False, "gearbox"))
    elif any(word in gearbox for word in _STEPPED):
        found.append((Trait.FIXED_GEARS, True, "gearbox"))
    if car.banks is not None:
        found.append((Trait.TWO_BANKS, car.banks == 2, "banks"))
    flags = {
        Trait.CHARGED: "turbo",
        Trait.VALVE_THROTTLED: "valve_throttled",
        Trait.STOP_START: "stop_start",
        Trait.HYBRID: "hybrid",
    }
    for trait, fact in flags.items():
        value = getattr(car, fact)
        if value is not None:
            found.append((trait, value, fact))
    return found


def know(car: Car, clues: Iterable[Clue]) -> Engine:
    """The engine of what is known of the car and of the clues of one recording."""
    seen, certain = list(clues), {}
    for trait, holds, fact in kept_of(car):
        ground = car.ground(fact)
        if ground is None:
            how = "as the car itself says" if car.source(fact) == "read" else "as stated"
            certain[trait] = Known(trait, 1.0 if holds else 0.0, certain=how)
            continue
        probability = min(ground.probability, MOST_SURE)
        ratio = min(math.log(probability / (1.0 - probability)), MOST_KEPT)
        seen.append(Clue(trait, "as in earlier recordings", ratio if holds else -ratio))
    return Engine({trait: certain.get(trait) or weigh(trait, seen) for trait in Trait})


def learned(engine: Engine) -> Car:
    """What of the engine is sure enough to be kept with its car; only what was worked out."""
    car = Car()

    def keep(fact: str, value: object, *basis: Known) -> None:
        if not any(known.certain for known in basis):
            why = "; ".join(dict.fromkeys(known.why for known in basis))
            car.work_out(fact, value, min(known.sureness for known in basis), why)

    told = {known.trait: known for known in engine.told if known.holds is not None}
    if compression := told.get(Trait.COMPRESSION):
        keep("fuel", "diesel" if compression.holds else "gasoline", compression)
    sensors = [told.get(trait) for trait in (Trait.FLOW_SENSOR, Trait.PRESSURE_SENSOR)]
    if engine.metering and all(sensors):
        keep("metering", engine.metering, *(s for s in sensors if s))
    if banks := told.get(Trait.TWO_BANKS):
        keep("banks", 2 if banks.holds else 1, banks)
    if gears := told.get(Trait.FIXED_GEARS):
        keep("gearbox", "fixed gears" if gears.holds else "continuously variable", gears)
    for trait, fact in (
        (Trait.CHARGED, "turbo"),
        (Trait.VALVE_THROTTLED, "valve_throttled"),
        (Trait.STOP_START, "stop_start"),
        (Trait.HYBRID, "hybrid"),
    ):
        if known := told.get(trait):
            keep(fact, known.holds, known)
    return car
