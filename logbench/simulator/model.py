"""What the simulated ECUs ask the simulated car; the seam between physics and protocol.

Beside it the car that stands still, with fixed readings or functions of time.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from logbench.simulator.data import tables
from logbench.simulator.monitors import MonitorTest


class Memory:
    """What the ECUs of a car have stored, and what may be changed in them: here nothing."""

    frame: Mapping[str, float] | None = None
    """Readings when the first stored code was set (`codes(0x03)[0]`), or None."""

    def codes(self, service: int) -> tuple[str, ...]:
        """Trouble codes like `P0171` for service 0x03, 0x07 or 0x0A."""
        return ()

    def clear(self) -> None:
        """Service 04: codes, freeze frame, learned monitors. Permanent codes stay."""

    def monitor_tests(self, ecu: str) -> tuple[MonitorTest, ...]:
        """What service 06 of an ECU reports; empty for one without monitors."""
        return ()

    in_use_type = 0x08
    """Info type of service 09 with the in-use counters: 08 of spark, 0B of compression ignition."""

    def in_use(self, ecu: str) -> tuple[int, ...]:
        """What it counts at an ECU; empty for one without."""
        return ()

    def control_tests(self, ecu: str) -> frozenset[int]:
        """Test IDs of service 08 that an ECU knows; empty for one without."""
        return frozenset()

    def start_test(self, ecu: str, test: int) -> bool:
        """Service 08: start one of `control_tests`; False when the conditions are not right."""
        return False


class CarSource(ABC):
    """A car that can be asked: the physics, or a still one for tests."""

    vin: str
    """17 characters."""
    pids: Mapping[str, frozenset[int]]
    """Response address of each ECU in hex, engine first (`7E8`, `7E9`), to the Service 01 PIDs that
    it answers, without the 'supported' PIDs themselves."""
    names: Mapping[str, str]
    """ECU to at most 20 ASCII characters, for service 09 info type 0A."""
    calibrations: Mapping[str, tuple[str, ...]]
    """ECU to calibration IDs of at most 16 ASCII characters, for service 09 info type 04."""
    memory: Memory

    @property
    def ecus(self) -> tuple[str, ...]:
        """Response addresses, engine first."""
        return tuple(self.pids)

    def supported(self, ecu: str) -> frozenset[int]:
        """PIDs of `ecu`; empty for an ECU that is not there."""
        return self.pids.get(ecu, frozenset())

    @abstractmethod
    def advance(self, t_s: float) -> None:
        """Move the car's clock forward to `t_s` seconds since its start; never backward."""

    @abstractmethod
    def ignition(self) -> bool:
        """True while the key is on: with it off, no ECU answers."""

    @abstractmethod
    def battery_v(self) -> float:
        """Voltage at the diagnostic connector."""

    @abstractmethod
    def readings(self, ecu: str) -> Mapping[str, float]:
        """What the ECU's sensors and software hold now: acronym of the signal table to physical
        value in the table's unit; NaN for 'not used'. Unquantised: the encoder does that."""


Value = float | Callable[[float], float]
"""A fixed reading, or its value at a car time in seconds."""

WARM_IDLE: Mapping[str, Value] = {**tables("warm_idle.toml"), "RUNTM": lambda t_s: t_s}
"""Invented readings of a warm four-cylinder at idle, in the units of the signal table."""

ENGINE_PIDS = frozenset(
    {0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11}
    | {0x13, 0x15, 0x1C, 0x1F, 0x2E, 0x2F, 0x33, 0x34, 0x42, 0x43, 0x44, 0x45, 0x46, 0x51}
)
TRANSMISSION_PIDS = frozenset({0x01, 0x0C, 0x0D, 0x1C})


@dataclass
class StillCar(CarSource, Memory):
    """A car whose readings are what you say; the same for every ECU. It has nothing stored."""

    vin: str = "ZZ9TEST170X000001"
    values: Mapping[str, Value] = field(default_factory=lambda: dict(WARM_IDLE))
    pids: Mapping[str, frozenset[int]] = field(
        default_factory=lambda: {"7E8": ENGINE_PIDS, "7E9": TRANSMISSION_PIDS}
    )
    battery: Value = 13.9
    t_s: float = 0.0
    """The car's clock; `advance` moves it."""

    def __post_init__(self) -> None:
        known = ("ECM-EngineControl", "TCM-TransmissionCtrl")
        self.names = {ecu: (*known, *["ECU"] * 6)[k] for k, ecu in enumerate(self.pids)}
        self.calibrations = dict.fromkeys(self.pids, ("LB-BENCH-0001",))
        self.memory = self

    def advance(self, t_s: float) -> None:
        """Move the clock forward; going back is ignored."""
        self.t_s = max(self.t_s, t_s)

    def ignition(self) -> bool:
        """The key is on."""
        return True

    def battery_v(self) -> float:
        """Voltage at the connector."""
        return self.battery(self.t_s) if callable(self.battery) else self.battery

    def readings(self, ecu: str) -> Mapping[str, float]:
        """All values at the clock's time."""
        return {
            acronym: value(self.t_s) if callable(value) else value
            for acronym, value in self.values.items()
        }
