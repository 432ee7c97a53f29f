"""An exercise: a simulated car with something hidden wrong with it, drawn from a short text.

The same text is the same exercise for everybody who has the same version of the program. What is
wrong stands nowhere: it is drawn anew whenever the car is made.
"""

from __future__ import annotations

import random
import re
from collections.abc import Mapping
from dataclasses import dataclass

from logbench.errors import UsageError
from logbench.simulator.cars import Car
from logbench.simulator.day import draw_day
from logbench.simulator.drawn import SHARES, draw_car, draw_kind
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.faults import possible_faults

ANY = "any"
KINDS = (*SHARES, ANY)
MOST = 999_999
HOW_MANY = {0: 0.15, 1: 0.7, 2: 0.15}
"""Share of exercises with so many faults."""
PLAIN = (0.6, 0.8, 1.0)
"""Severities of hidden faults: all of them can be found."""
COLD_DEGC, WARM_DEGC = -5.0, 30.0


@dataclass(frozen=True, slots=True)
class Exercise:
    """Its number, 0 to `MOST`, and the kind of the car: one of `KINDS`."""

    number: int
    kind: str = ANY

    @property
    def text(self) -> str:
        """What is handed on to others: `4711`, or `diesel-4711` for a car of that kind."""
        return f"{self.number}" if self.kind == ANY else f"{self.kind}-{self.number}"

    @property
    def link(self) -> str:
        """The way to the car, for a drive of one's own."""
        return f"sim:?exercise={self.text}"

    @property
    def car(self) -> Car:
        """The car, as anybody sees it."""
        kind = next((kind for kind in SHARES if kind == self.kind), draw_kind(self.number))
        return draw_car(self.number, kind)

    def faults(self) -> Mapping[str, float]:
        """What is wrong with it, with severities: for whoever draws outcomes, or tells the truth
        once a person has committed to a cause."""
        rng = random.Random(f"exercise {self.text}")
        (many,) = rng.choices(tuple(HOW_MANY), tuple(HOW_MANY.values()))
        return {name: rng.choice(PLAIN) for name in rng.sample(possible_faults(self.car), many)}

    def drive(self, *, learned: bool = True) -> Drive:
        """The car at the start of its drive."""
        rng = random.Random(f"exercise weather {self.text}")
        return Drive(
            self.car,
            self.faults(),
            schedule("test-drive"),
            ambient_degc=rng.uniform(COLD_DEGC, WARM_DEGC),
            altitude_m=rng.choice((0.0, 0.0, 300.0, 900.0)),
            seed=self.number,
            learned=learned,
            day=draw_day(self.number),
        )


def exercise_of(text: str) -> Exercise:
    """The exercise of a text. Raises UsageError."""
    found = re.fullmatch(r"(?:([a-z]+)-)?([0-9]{1,6})", text.strip().lower())
    kind = (found[1] or ANY) if found else ""
    if found is None or kind not in KINDS:
        kinds = ", ".join(KINDS)
        raise UsageError(
            f"{text!r} is not an exercise: give a number up to {MOST}, or a kind of car and it, "
            f"like diesel-4711; kinds are {kinds}."
        )
    return Exercise(int(found[2]), kind)
