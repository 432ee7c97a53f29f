"""The words of a recording: traces, events, facts, surroundings. No file handling here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic_core import PydanticSerializationError

from logbench.car.identity import Ecu, Identity
from logbench.car.model import Car
from logbench.foreign import MOST_LINE, ToldLine, ToldName, ToldText, ToldUnit
from logbench.recording.even import MOST_T_NS
from logbench.signals.catalog import catalog
from logbench.signals.table import table

ModelT = TypeVar("ModelT", bound=BaseModel)

SCHEMA_VERSION = "1.0"
"""Of the facts document and the columns. A newer major version is refused when read."""

EventKind = Literal[
    "marker", "link lost", "link back", "codes read", "key on", "key off", "gap", "note"
]


@dataclass(frozen=True)
class Trace:
    """The samples of one signal of one ECU of one recording, in order of time.

    `t_ns`: int64, shape (n,), nanoseconds on the recording's own clock (0 is its start).
    `value`: float64, shape (n,), in `unit`; NaN means that the ECU said 'not used'.
    Samples of one request share their time stamp exactly.
    """

    signal: str
    ecu: str
    unit: str
    t_ns: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]

    @property
    def t_s(self) -> npt.NDArray[np.float64]:
        """Times in seconds since the recording's start, shape (n,)."""
        return self.t_ns / 1e9

    @cached_property
    def interval_s(self) -> float:
        """Typical time between samples in seconds (the median); infinite below two samples.

        Samples that share a time stamp are counted once.
        """
        steps = np.diff(self.t_ns)
        steps = steps[steps > 0]
        return float(np.median(steps)) / 1e9 if len(steps) else float("inf")

    def part(self, rows: npt.NDArray[Any]) -> Trace:
        """The samples of these rows, a mask or an index, in that order."""
        return replace(self, t_ns=self.t_ns[rows], value=self.value[rows])

    def in_order(self) -> Trace:
        """Sorted by time; samples of one instant stay as they came."""
        if bool(np.all(self.t_ns[1:] >= self.t_ns[:-1])):
            return self
        return self.part(np.argsort(self.t_ns, kind="stable"))

    def __len__(self) -> int:
        return len(self.t_ns)


class _Open(BaseModel):
    """Base of what is read from disk: checked, but unknown keys survive a round trip."""

    model_config = ConfigDict(extra="allow")


class Event(_Open):
    """Something with a time but no value."""

    t_ns: int
    """One beyond `even.MOST_T_NS` counts as that."""
    kind: ToldName
    """One of `EventKind` when written by this version; others survive."""
    text: ToldText = ""
    source: ToldName = ""
    """`rule`: a rule put this marker; otherwise a person, or the program by the event's kind."""

    @field_validator("t_ns")
    @classmethod
    def _within(cls, t_ns: int) -> int:
        return min(max(t_ns, -MOST_T_NS), MOST_T_NS)


class LinkFacts(_Open):
    """The way the samples came."""

    url: ToldLine = ""
    adapter: ToldLine = ""
    protocol: ToldLine = ""
    simulated: bool = False
    time_scale: float = 1.0
    """Seconds of the recording's clock per second of real time; not 1 for a hurried simulated car
    only."""


class SignalFacts(_Open):
    """One signal as it was when recorded."""

    unit: ToldUnit = ""
    name: ToldLine = ""
    pid: int | None = None
    held_rows: float | None = None
    """Rows of another program's table in which one reading stands, on average; None where every
    row is one, or it is not known."""
    apart_s: float | None = None
    """The same of a table: seconds from a reading to the nearest of the engine speed, median."""


class ExchangesFacts(_Open):
    """Where in the finished file the exchanges with the car lie (`recording/exchanges.py`)."""

    start: int
    """Place of the first byte."""
    bytes: int
    rows: int
    """Messages of ECUs, and requests that nobody answered."""
    lost: int = 0
    """Rows that had been in the journal and could not be read any more."""
    sha256: str
    """Of these bytes."""


class Correction(_Open):
    """One fact of a recording that a person corrected after the drive."""

    fact: ToldName
    """`started`, or the name of a fact of the car or of the surroundings."""
    value: ToldLine | bool | float | None = None
    """What is right; None: nothing is known."""
    before: ToldLine | bool | float | None = None
    """What stood there."""
    made_utc: ToldName = ""


def signal_facts(acronyms: Iterable[str]) -> dict[str, SignalFacts]:
    """Unit, name and, of measured ones, PID of each signal that the catalog knows."""
    facts = {}
    for entry in (catalog().by_acronym(name) for name in acronyms if name in catalog()):
        pid = None if entry.formula else table().by_acronym(entry.acronym).pid
        facts[entry.acronym] = SignalFacts(unit=entry.unit, name=entry.title, pid=pid)
    return facts


def iso_utc(moment: datetime) -> str:
    """ISO 8601 in UTC with microseconds."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def start_of(moment: datetime | None) -> tuple[str, str]:
    """The facts `started_utc` and `started_local` of a moment: none without a zone."""
    if moment is None:
        return "", ""
    if moment.tzinfo is None:
        return "", moment.isoformat()
    return moment.astimezone(UTC).isoformat(), ""


PEER = "peer"
"""In `extra`: how the car answers, as `car.peer.PeerProfile`."""
CLOCK_KEY = "clock"
"""In the `extra` of a journal: the computer's clock at t = 0, for a capture that goes on; not in a
finished recording, which has no use for it."""


class Facts(_Open):
    """All that is known of a recording besides its samples; one JSON document in the file."""

    schema_version: str = SCHEMA_VERSION
    recording_id: ToldName = ""
    started_utc: ToldName = ""
    """ISO 8601, UTC: the instant of t = 0. The one tie between the two clocks."""
    started_local: ToldName = ""
    """ISO 8601 without a zone, where whoever told it named none: the instant is not known, and
    `started_utc` is ``."""
    software: ToldLine = ""
    vehicle: Car = Field(default_factory=Car)
    link: LinkFacts = Field(default_factory=LinkFacts)
    signals: dict[ToldName, SignalFacts] = Field(default_factory=dict)
    ecus: dict[ToldName, ToldLine] = Field(default_factory=dict)
    """ECU address in hex (`7E8`) to its name or ``."""
    events: list[Event] = Field(default_factory=list)
    note: ToldText = ""
    recovered: bool = False
    """True when the file was made from a journal that its writer never finished."""
    samples_sha256: str = ""
    """Checksum of the samples, see `hash_samples`; `` only before the file is finished."""
    exchanges: ExchangesFacts | None = None
    """None where none are kept."""
    corrections: list[Correction] = Field(default_factory=list)
    """What of these facts a person corrected after the drive, in order; the samples are as they
    were."""
    extra: dict[ToldLine, Any] = Field(default_factory=dict)

    @field_validator("vehicle", mode="before")
    @classmethod
    def _cut(cls, vehicle: Any) -> Any:
        """A file opens whatever the length of the car's name in it."""
        if not isinstance(vehicle, dict):
            return vehicle
        return {k: v[:MOST_LINE] if isinstance(v, str) else v for k, v in vehicle.items()}

    @property
    def started(self) -> str:
        """When t = 0 was, for lists and their order: an instant, else a local time without a zone;
        `` where neither is known."""
        return self.started_utc or self.started_local

    @property
    def corrected(self) -> str:
        """Which facts were corrected after the drive, as a list prints them; `` where none was."""
        return ", ".join(dict.fromkeys(one.fact.replace("_", " ") for one in self.corrections))

    def rows_a_reading(self, signal: str) -> float:
        """Rows in which one reading of a signal stands, on average: 1 where each is one."""
        told = self.signals.get(signal)
        return (told and told.held_rows) or 1.0

    @property
    def is_imported(self) -> bool:
        """Whether another program recorded it."""
        return "import" in self.extra

    @property
    def no_car(self) -> str:
        """Why an imported file is of no car, as a sentence; `` where it may be of one."""
        told = self.extra.get("import")
        return str(told.get("no_car", ""))[:MOST_LINE] if isinstance(told, dict) else ""

    @property
    def identity(self) -> Identity:
        """Which car it is, also of files that name only its VIN and its ECUs."""
        named = self.is_imported and not self.link.protocol  # ECUs as another program names
        ecus = {} if named else {at: Ecu(name=name) for at, name in self.ecus.items()}
        told = Identity(protocol=self.link.protocol, ecus=ecus)
        return told.renewed(self.vehicle.identified)

    @property
    def car(self) -> Car:
        """Its facts, with its identity."""
        return self.vehicle.model_copy(update={"identity": self.identity})


def facts_document(facts: Facts) -> bytes:
    """The facts as JSON in UTF-8; half an emoji in them becomes a question mark."""
    try:
        return facts.model_dump_json().encode()
    except PydanticSerializationError:
        text = json.dumps(facts.model_dump(mode="json"), ensure_ascii=False)
        plain = json.loads(text.encode(errors="replace"))
        return Facts.model_validate(plain).model_dump_json().encode()


def hash_samples(digest: hashlib._Hash, trace: Trace) -> None:
    """Take a trace into the SHA-256 over all of them: its signal, ECU, length, times and values.

    Traces must come sorted by (signal, ECU). Independent of the file format: names are UTF-8 and
    end in a zero byte, the length is 8 bytes, times are int64 and values float64, all
    little-endian; every NaN counts as the same one.
    """
    digest.update(f"{trace.signal}\0{trace.ecu}\0".encode() + len(trace).to_bytes(8, "little"))
    unused = np.isnan(trace.value)
    value = np.where(unused, np.nan, trace.value) if unused.any() else trace.value
    digest.update(np.ascontiguousarray(trace.t_ns, "<i8").data)
    digest.update(np.ascontiguousarray(value, "<f8").data)


@dataclass(frozen=True)
class JournalOutcome:
    """What became of one journal that a crash left."""

    journal: Path
    kind: Literal["recovered", "empty", "in use", "foreign", "left"]
    """`empty`: nothing was in it, and it is removed. `foreign`: it is none of ours. `left`: it
    stays; the sentence says why."""
    sentence: str
    path: Path | None = None
    """The recording made of it."""

    @property
    def matters(self) -> bool:
        """Somebody should hear of it who did not ask."""
        return self.kind in ("recovered", "left")


class Surroundings(BaseModel):
    """What no PID tells and a person states; None means unknown.

    Kept in the facts' `extra` under the names of the fields, so that a recording made before they
    were known stays readable, and one with them is readable to programs that do not know them.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    soak_hours: float | None = Field(default=None, ge=0.0, le=10_000.0, allow_inf_nan=False)
    """How long the car had stood before the recording began."""
    altitude_m: float | None = Field(default=None, ge=-500.0, le=6_000.0, allow_inf_nan=False)
    """Height above sea level where the recording began."""
    humidity_pct: float | None = Field(default=None, ge=0.0, le=100.0, allow_inf_nan=False)
    """Relative humidity of the air outside."""

    def extra(self) -> dict[str, float]:
        """What is known, for the facts' `extra`."""
        return self.model_dump(exclude_none=True)


def stated(facts: Facts) -> Surroundings:
    """What the facts state; a value there that is not legal counts as not stated."""
    return legal_part(
        Surroundings, {name: facts.extra.get(name) for name in Surroundings.model_fields}
    )


def legal_part(model: type[ModelT], values: dict[str, Any]) -> ModelT:
    """A model of those values that are legal; the others count as not given."""
    while True:
        try:
            return model.model_validate(values)
        except ValidationError as error:
            wrong = {one["loc"][0] for one in error.errors()}
            values = {name: value for name, value in values.items() if name not in wrong}
