"""The car as a recording, a job and a person know it, each fact with where it came from."""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from logbench.car.identity import Identity
from logbench.foreign import Line, ToldLine, ToldName, joined, raw

Source = Literal["stated", "read", "worked out"]
METERING = ("air-flow sensor", "manifold pressure", "both")
_FORMER: dict[str, Source] = {"PID A6": "read", "typed": "stated"}
"""What `odometer_source` said in jobs of earlier versions."""


class Ground(BaseModel):
    """What a fact that was worked out rests on."""

    model_config = ConfigDict(extra="allow")

    probability: float = Field(default=0.8, ge=0.5, le=1.0)
    """That it is so; the default, where nothing is kept of it, is the least that is a fact."""
    why: ToldLine = ""


class Car(BaseModel):
    """All that is known of a car; None and empty mean unknown, never a guess."""

    model_config = ConfigDict(extra="allow", validate_assignment=True)

    label: Line = ""
    vin: Line = ""
    registration: Line = ""
    make: Line = ""
    model: Line = ""
    year: int | None = Field(default=None, ge=1900, le=2200)
    displacement_l: float | None = Field(default=None, ge=0.05, le=20.0)
    cylinders: int | None = Field(default=None, ge=1, le=16)
    turbo: bool | None = None
    fuel: Line = ""
    metering: Line = ""
    """How the engine computer measures the air: one of `METERING`."""
    banks: int | None = Field(default=None, ge=1, le=4)
    valve_throttled: bool | None = None
    """The inlet valves throttle it, not a flap."""
    stop_start: bool | None = None
    """It stops the engine while the car stands."""
    hybrid: bool | None = None
    gearbox: Line = ""
    regulating_temp_degc: float | None = Field(default=None, ge=40.0, le=130.0)
    """Nominal regulating temperature of the thermostat."""
    odometer_km: float | None = Field(default=None, ge=0, le=10_000_000)
    identity: Identity = Field(default_factory=Identity)
    """What the car says of itself; its VIN is not the one on the papers where they differ."""
    sources: dict[str, Source] = Field(default_factory=dict)
    """By fact; one that is known and not named here was stated by a person."""
    grounds: dict[ToldName, Ground] = Field(default_factory=dict)
    """By fact that was worked out: how sure it is, and of what."""
    read_instead: dict[ToldName, ToldLine | float] = Field(default_factory=dict)
    """What the car itself gives where a person stated something else, by fact."""

    @model_validator(mode="before")
    @classmethod
    def _former(cls, content: Any) -> Any:
        """Take files of earlier versions."""
        if not isinstance(content, dict) or "odometer_source" not in content:
            return content
        taken = dict(content)
        source = _FORMER.get(taken.pop("odometer_source"))
        return {"sources": {"odometer_km": source}, **taken} if source else taken

    @field_validator("fuel")
    @classmethod
    def _one_name(cls, fuel: str) -> str:
        """Elsewhere, and in files of earlier versions, gasoline is called petrol."""
        return "gasoline" if fuel.casefold() == "petrol" else fuel

    @field_validator("vin")
    @classmethod
    def _in_capitals(cls, vin: str) -> str:
        return vin.upper()

    @property
    def name(self) -> str:
        """Make, model and year, as far as they are known."""
        return joined(" ", self.make, self.model, str(self.year or ""))

    @property
    def called(self) -> str:
        """What a list calls it: name, plate, make or VIN, whichever is known first."""
        return self.label or self.registration or self.name or self.vin or self.identity.vin

    @property
    def engine(self) -> str:
        """`2.3 L, 4 cylinders, turbocharged, gasoline`, as far as it is known; what was worked out
        is called probable."""
        facts = {
            "displacement_l": f"{self.displacement_l:g} L" if self.displacement_l else "",
            "cylinders": f"{self.cylinders} cylinders" if self.cylinders else "",
            "turbo": "turbocharged" if self.turbo else "",
            "fuel": self.fuel,
        }
        shown = {fact: text for fact, text in facts.items() if text}
        sure = {fact: "" if self.ground(fact) is None else "probably" for fact in shown}
        return joined(", ", *(joined(" ", sure[fact], text) for fact, text in shown.items()))

    @property
    def identified(self) -> Identity:
        """Which car it is: what it says itself, else the VIN that was stated."""
        if self.identity.known_vin or not self.vin:
            return self.identity
        return self.identity.model_copy(update={"vin": self.vin})

    @property
    def identities(self) -> tuple[Identity, ...]:
        """All that is said of which car it is: by itself, and by the VIN on its papers."""
        return (self.identified, Identity(vin=self.vin)) if self.vin else (self.identified,)

    @property
    def is_stated(self) -> bool:
        """A person stated something of it; else it is only the car that was met last."""
        return any(self.source(fact) == "stated" for fact in FACTS)

    def source(self, fact: str) -> Source | None:
        """Where a fact came from; None where it is not known."""
        known = getattr(self, fact) not in ("", None)
        return self.sources.get(fact, "stated") if known else None

    def state(self, fact: str, value: Any) -> None:
        """A person says so; what was read is kept beside it. Raises `ValidationError` for what it
        cannot be."""
        before, read = getattr(self, fact), self.source(fact) == "read"
        self._set(fact, value, None, None)
        value = getattr(self, fact)
        if read and before != value:
            self.read_instead[fact] = before
        elif fact in self.read_instead and _alike(self.read_instead[fact], value):
            del self.read_instead[fact]

    def work_out(self, fact: str, value: Any, probability: float, why: str) -> None:
        """It follows from what was recorded, with that probability, and of what, as a clause."""
        self._set(fact, value, "worked out", Ground(probability=probability, why=why))

    def ground(self, fact: str) -> Ground | None:
        """What a fact rests on that was worked out; None for any other."""
        worked_out = self.source(fact) == "worked out"
        return self.grounds.get(fact, Ground()) if worked_out else None

    def _set(self, fact: str, value: Any, source: Source | None, ground: Ground | None) -> None:
        setattr(self, fact, value)
        self.sources.pop(fact, None)
        self.grounds.pop(fact, None)
        if source is not None:
            self.sources[fact] = source
        if ground is not None:
            self.grounds[fact] = ground

    def over(self, other: Car) -> Car:
        """These facts, and those of the other where nothing is known here."""
        made = other.model_copy(deep=True)
        for fact in FACTS:
            if self.source(fact) is not None:
                kept = self.sources.get(fact), self.grounds.get(fact)
                made._set(fact, getattr(self, fact), *kept)
        made.identity = other.identity.renewed(self.identity)
        made.read_instead |= self.read_instead
        return made

    def learn(self, other: Car) -> None:
        """Take over what is not known here, and what the car now says of itself; what a person
        stated stays, and so does a VIN, with what was read beside it."""
        for fact in FACTS:
            value, source, own = getattr(other, fact), other.source(fact), self.source(fact)
            if source is None or (fact == "vin" and not Identity(vin=value).known_vin):
                continue
            alike = _alike(getattr(self, fact), value)
            fixed = own == "stated" or (fact == "vin" and not alike)  # no read VIN takes another's
            if own is None or (source == "read" and not fixed) or self._surer(other, fact):
                self._set(fact, value, source, other.grounds.get(fact))
            elif source == "read" and not alike:
                self.read_instead[fact] = value
            if alike:
                self.read_instead.pop(fact, None)
        vins = {self.identity.known_vin, other.identity.known_vin} - {""}
        if len(vins) < 2:
            self.identity = self.identity.renewed(other.identity)

    def _surer(self, other: Car, fact: str) -> bool:
        """Both have worked it out, and the other is at least as sure."""
        own, found = self.ground(fact), other.ground(fact)
        return own is not None and found is not None and found.probability >= own.probability

    @classmethod
    def read(cls, identity: Identity, **facts: Any) -> Self:
        """A car of which only is known what it says itself."""
        known = {fact: value for fact, value in facts.items() if value not in ("", None)}
        if identity.vin:
            known["vin"] = identity.vin
        return cls(identity=identity, sources=dict.fromkeys(known, "read"), **known)


def _alike(one: Any, other: Any) -> bool:
    return _written(one) == _written(other)


def _written(value: Any) -> str:
    return (raw(value) if isinstance(value, str) else str(value)).upper()


_NO_FACTS = ("identity", "sources", "grounds", "read_instead")
FACTS = tuple(name for name in Car.model_fields if name not in _NO_FACTS)
