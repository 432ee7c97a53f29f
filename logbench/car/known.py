"""Cars met before, and what was answered where two identities looked like two cars."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from pydantic import BaseModel, ConfigDict, Field

from logbench.car.identity import Identity, Match, Meeting, meet
from logbench.car.model import Car
from logbench.car.peer import PeerProfile

MOST_CARS = 1000
"""Kept; those met longest ago go first."""


class KnownCar(BaseModel):
    """A car that was met before. `identities`: all that are this one car."""

    model_config = ConfigDict(extra="allow")

    car: Car
    identities: list[Identity] = Field(default_factory=list)
    last_job: str = ""
    """Folder of the job it was in last."""
    last_met_utc: str = ""
    peer: PeerProfile | None = None
    """How it answers, so that its next drive starts at full rate."""

    @property
    def keys(self) -> set[str]:
        """By which it is known."""
        return {identity.key for identity in self.identities}


class KnownCars(BaseModel):
    """All of them; without any it is what two identities say by themselves."""

    model_config = ConfigDict(extra="allow")

    cars: list[KnownCar] = Field(default_factory=list)
    """The one met last is last."""
    answers: dict[str, bool] = Field(default_factory=dict)
    """Whether a pair of identities is one car, as a person said; by `_pair`."""

    def met(self, identity: Identity) -> KnownCar | None:
        """The car of this identity; None for one never met, or where too little is known."""
        key = identity.key
        return next((one for one in reversed(self.cars) if key and key in one.keys), None)

    def named(self, label: str) -> KnownCar | None:
        """The car that bears this name, met last."""
        wanted = label.casefold()
        cars = reversed(self.cars)
        return next((one for one in cars if wanted and one.car.label.casefold() == wanted), None)

    def judge(self, here: Identity, there: Identity) -> Meeting:
        """Whether they are one car: as they say themselves, or as a person said of them."""
        meeting = meet(here, there)
        if meeting.match is not Match.OTHER:
            return meeting
        car, answer = self.met(here), self.answers.get(_pair(here, there))
        if answer or (car is not None and there.key in car.keys):
            return replace(meeting, match=Match.SAME, answered=True)
        return replace(meeting, answered=answer is not None)

    def judge_car(self, car: Car, there: Identity) -> Meeting:
        """Whether it is this car, by what it says itself or by its papers."""
        meetings = [self.judge(here, there) for here in car.identities]
        order = (Match.SAME, Match.OTHER, Match.UNKNOWN)
        return min(meetings, key=lambda meeting: order.index(meeting.match))

    def remember(self, car: Car, utc: str, job: str = "", *, whole: bool = False) -> None:
        """Keep what is known of a car that can be known again; its odometer is soon out of date.
        `whole`: what is not known of it any more was taken back."""
        if not car.identified.key:
            return
        known = self.met(car.identified) or KnownCar(car=Car())
        known.car = car.model_copy(deep=True) if whole else car.over(known.car)
        known.car.odometer_km = None
        for fact in ("odometer_km", "vin"):
            known.car.read_instead.pop(fact, None)
        if car.identified.key not in known.keys:
            known.identities.append(car.identified)
        known.last_job, known.last_met_utc = job or known.last_job, utc
        others = [one for one in self.cars if one is not known]
        self.cars = [*others[-MOST_CARS + 1 :], known]

    def learn(self, identity: Identity, found: Car, peer: PeerProfile | None = None) -> None:
        """Keep what was worked out of a drive of a car that is known."""
        known = self.met(identity)
        if known is not None:
            known.car.learn(found)
            known.peer = peer or known.peer

    def forget(self, keys: Collection[str], cars: Collection[KnownCar]) -> None:
        """Let go of cars, of all that bear one of these keys, and of what was answered about
        them."""
        self.cars = [one for one in self.cars if one not in cars and not one.keys & set(keys)]
        pairs = [pair for pair in self.answers if set(pair.split()) & set(keys)]
        for pair in pairs:
            del self.answers[pair]

    def answer(self, here: Identity, there: Identity, same: bool) -> None:
        """A person said whether they are one car; of those that say too little nothing is kept."""
        if not here.key or not there.key or here.key == there.key:
            return
        self.answers[_pair(here, there)] = same
        if same:
            known = [car for car in (self.met(here), self.met(there)) if car is not None]
            joined = KnownCar(car=known[0].car if known else Car(), identities=[here, there])
            for car in known:
                keys = joined.keys
                joined.identities += [one for one in car.identities if one.key not in keys]
                joined.last_job = joined.last_job or car.last_job
            self.cars = [*[one for one in self.cars if one not in known], joined]


def _pair(here: Identity, there: Identity) -> str:
    return " ".join(sorted((here.key, there.key)))
