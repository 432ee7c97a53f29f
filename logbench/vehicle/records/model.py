"""The words of a reading of the car: plain, dated, written as JSON or TOML as they stand.

Unknown keys survive a round trip. None means 'the car did not report it', never a guess.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from logbench.car import identity as who
from logbench.car.identity import Ecu
from logbench.car.model import Car
from logbench.foreign import ToldLine, ToldName, ToldText, ToldUnit, in_label
from logbench.system.limits import CAR_ANSWERS

SCHEMA_VERSION = "1.0"
CodeState = Literal["stored", "pending", "permanent"]
STATES: tuple[CodeState, ...] = ("stored", "pending", "permanent")
Ignition = Literal["spark", "compression", ""]


class _Record(BaseModel):
    model_config = ConfigDict(extra="allow")


class Calibration(_Record):
    """One piece of software of an ECU and its verification number (8 hex digits, or ``)."""

    id: ToldLine = ""
    cvn: ToldLine = ""


class EcuIdentity(_Record):
    """One ECU that answered. `address`: its response address in hex, `7E8`."""

    address: ToldName
    name: ToldLine = ""
    calibrations: list[Calibration] = Field(default_factory=list)
    requirement: ToldLine = ""
    """The OBD requirement it was built to (PID 0x1C), in the standard's words."""
    ignition: Ignition = ""


class Identity(_Record):
    """The vehicle identification number and what it says by itself; the rest from the link."""

    vin: ToldLine = ""
    vin_problem: ToldLine = ""
    """Why what the car sent cannot be a VIN; `` when it can."""
    vin_notice: ToldLine = ""
    model_years: list[int] = Field(default_factory=list)
    """The letter of the year comes round every 30 years: all that are possible."""
    region: ToldLine = ""
    country: ToldLine = ""
    maker: ToldLine = ""
    """As the library of manufacturer codes has it; `` when it does not know the code."""
    protocol: ToldLine = ""
    adapter: ToldLine = ""
    voltage_v: float | None = None
    ecus: list[EcuIdentity] = Field(default_factory=list)


class Code(_Record):
    """One trouble code of one ECU."""

    code: ToldName
    state: CodeState
    ecu: ToldName
    text: ToldLine = ""
    manufacturer: bool = False
    """The maker's own: the standard gives it no meaning."""


class FrozenValue(_Record):
    """One signal of a freeze frame; `value` None: the ECU says 'not used'."""

    signal: ToldName
    name: ToldLine = ""
    value: float | None = None
    unit: ToldUnit = ""
    text: ToldLine = ""
    """The value in words."""


class FreezeFrame(_Record):
    """One instant that an ECU kept. `code`: what caused it."""

    ecu: ToldName
    number: int
    code: ToldName = ""
    values: list[FrozenValue] = Field(default_factory=list)


class MonitorState(_Record):
    """One monitor of an ECU; None: not reported."""

    key: ToldName
    """Stem of its acronyms: `MIS`, `CAT` …"""
    name: ToldLine
    complete: bool
    """Since the codes were cleared."""
    enabled_this_cycle: bool | None = None
    complete_this_cycle: bool | None = None


class Readiness(_Record):
    """Lamp, monitors and counters of one ECU."""

    ecu: ToldName
    lamp_on: bool | None = None
    code_count: int | None = None
    ignition: Ignition = ""
    monitors: list[MonitorState] = Field(default_factory=list)
    """Those that the ECU supports."""
    warm_ups: int | None = None
    cleared_distance_km: float | None = None
    cleared_minutes: float | None = None
    lamp_distance_km: float | None = None
    lamp_minutes: float | None = None

    @property
    def missing(self) -> list[str]:
        """Names of the monitors not complete since clearing."""
        return [monitor.name for monitor in self.monitors if not monitor.complete]


ResultOutcome = Literal["passed", "failed", "not run", "no limits"]


class MonitorResult(_Record):
    """One test of one on-board monitor, in `unit`; None where there is no number.

    On the older buses monitor and test are the maker's, and so is the scaling: raw counts, and one
    limit at a time.
    """

    ecu: ToldName
    monitor_id: int | None = None
    monitor: ToldLine = ""
    test_id: int
    test: ToldLine = ""
    component: int | None = None
    """Of the older buses only."""
    scaling: int | None = None
    unit: ToldUnit = ""
    value: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    passed: bool | None = None
    """None: the test has not run since the codes were cleared, or cannot be judged."""
    margin: float | None = None
    """How far inside its limits, 1 the middle (or as far as can be from the one limit that says
    anything), 0 on a limit, negative outside; at least -1."""

    @property
    def outcome(self) -> ResultOutcome:
        """In a word; a constant of the ECU's own has a value and nothing to be held against."""
        if self.passed is None:
            return "not run" if self.value is None else "no limits"
        return "passed" if self.passed else "failed"


class MonitorUse(_Record):
    """How often one monitor has run in use."""

    monitor: ToldLine
    ran: int
    """Driving cycles in which it finished."""
    of: int
    """Driving cycles that were long enough to expect it; 0 also for one that the car lacks."""

    @property
    def ratio(self) -> float | None:
        """None before any driving cycle counted."""
        return self.ran / self.of if self.of else None


class InUse(_Record):
    """In-use counters of one ECU (service 09, 08 or 0B); each stops or is halved at 65,535."""

    ecu: ToldName
    ignition: Ignition = ""
    encountered: int
    """Driving cycles with the general conditions."""
    ignition_cycles: int
    monitors: list[MonitorUse] = Field(default_factory=list)

    @property
    def counted(self) -> list[MonitorUse]:
        """Those for which any driving cycle counted."""
        return [use for use in self.monitors if use.ran or use.of]


CarOutcome = Literal["accepted", "refused", "waiting", "not answered"]


class CarAnswer(_Record):
    """What an ECU said to a change, and when it came. `data`: its bytes in hex, `44`."""

    ecu: ToldLine
    data: ToldLine
    at_utc: ToldLine

    @property
    def message(self) -> bytes:
        """Its bytes; b'' where what is kept is not hex."""
        try:
            return bytes.fromhex(self.data)
        except ValueError:
            return b""

    @property
    def outcome(self) -> CarOutcome:
        """Of this ECU, if it says no more."""
        head, reason = self.message[:1], self.message[2:3]
        if not head:
            return "not answered"
        if head != b"\x7f":
            return "accepted"
        return "waiting" if reason == b"\x78" else "refused"


class CarChange(_Record):
    """One request that changes a car, sent once, with all that was said about it. Times: ISO 8601,
    UTC, to the millisecond."""

    request: ToldLine
    """Its bytes in hex, service first: `04`."""
    consent: ToldLine
    """The words that were given."""
    saved: ToldName
    """The file of the reading before."""
    rpm: float | None = Field(default=None, allow_inf_nan=False)
    speed_kmh: float | None = Field(default=None, allow_inf_nan=False)
    """Of engine and wheels, as the car said right before."""
    asked_utc: ToldLine = ""
    """When it was asked for that."""
    sent_utc: ToldLine = ""
    to: ToldLine = ""
    """The address it was sent to; `` is all ECUs."""
    wire: ToldLine = ""
    """Every byte that left, in hex: an adapter's line, or a frame behind its identifier."""
    answers: list[CarAnswer] = Field(default_factory=list, max_length=CAR_ANSWERS)
    said: list[ToldLine] = Field(default_factory=list, max_length=CAR_ANSWERS)
    """What the adapter said itself."""
    ended: ToldText = ""
    """Why the waiting ended early; `` when it did not."""

    @property
    def last(self) -> dict[str, CarAnswer]:
        """By ECU, those that said anything, its last word."""
        found = {in_label(answer.ecu): answer for answer in self.answers}
        return dict(sorted(found.items()))

    @property
    def accepted(self) -> list[str]:
        """ECUs that did it."""
        return [ecu for ecu, answer in self.last.items() if answer.outcome == "accepted"]

    @property
    def waiting(self) -> list[str]:
        """ECUs that said 'response pending' and nothing after it."""
        return [ecu for ecu, answer in self.last.items() if answer.outcome == "waiting"]

    @property
    def refused(self) -> dict[str, str]:
        """ECU to why not, in words."""
        return {
            ecu: refusal(answer.message)
            for ecu, answer in self.last.items()
            if answer.outcome == "refused"
        }

    @property
    def outcome(self) -> CarOutcome:
        """Of all ECUs: one that did it counts most, then one that may have, then a refusal."""
        found = {answer.outcome for answer in self.last.values()}
        order: tuple[CarOutcome, ...] = ("accepted", "waiting", "refused")
        return next((outcome for outcome in order if outcome in found), "not answered")


REASONS = {
    0x10: "general reject",
    0x11: "the service is not supported",
    0x12: "this part of the service is not supported",
    0x13: "the length or format is wrong",
    0x21: "busy, ask again",
    0x22: "the conditions are not right",
    0x31: "the request is out of range",
    0x33: "access is denied",
}
"""ISO 14229-1, from memory."""


def refusal(data: bytes) -> str:
    """Why an ECU refuses, by its negative response, in words."""
    number = data[2] if len(data) > 2 else 0
    return REASONS.get(number, f"negative response {number:02X}")


class CarReading(_Record):
    """Everything that was read from a car at one time; kept in a job as it is."""

    schema_version: str = SCHEMA_VERSION
    read_utc: ToldName = ""
    """ISO 8601, UTC."""
    software: ToldLine = ""
    complete: bool = False
    """False when the link broke: what had been read until then is here."""
    identity: Identity = Field(default_factory=Identity)
    codes: list[Code] = Field(default_factory=list)
    answered: dict[ToldLine, list[ToldName]] = Field(default_factory=dict)
    """What was asked (`stored codes`, `freeze frames` …) to the ECUs that answered it."""
    freeze_frames: list[FreezeFrame] = Field(default_factory=list)
    readiness: list[Readiness] = Field(default_factory=list)
    monitor_results: list[MonitorResult] = Field(default_factory=list)
    in_use: list[InUse] = Field(default_factory=list)
    odometer_km: float | None = None
    rpm: float | None = None
    speed_kmh: float | None = None
    problems: list[ToldText] = Field(default_factory=list)
    """One sentence each: refused, not understood, never answered, link lost."""
    remarks: list[ToldText] = Field(default_factory=list)

    def codes_in(self, state: CodeState) -> list[Code]:
        """Codes of one state, in the order read."""
        return [code for code in self.codes if code.state == state]

    def codes_known(self, state: CodeState) -> bool:
        """Whether any ECU answered: without, 'no codes' cannot be said."""
        return bool(self.answered.get(f"{state} codes"))

    @property
    def car(self) -> Car:
        """What the car says of itself."""
        told = self.identity
        ecus = {
            ecu.address: Ecu(name=ecu.name, calibrations={c.id: c.cvn for c in ecu.calibrations})
            for ecu in told.ecus
        }
        identity = who.Identity(vin=told.vin, protocol=told.protocol, ecus=ecus)
        return Car.read(identity, odometer_km=self.odometer_km)
