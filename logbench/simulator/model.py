"""What the simulated ECUs ask the simulated car; the seam between physics and protocol."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Protocol

from logbench.simulator.monitors import MonitorTest


class Memory(Protocol):
    """What the ECUs of a car have stored, and what may be changed in them."""

    frame: Mapping[str, float] | None
    """Readings when the first stored code was set (`codes(0x03)[0]`), or None."""

    def codes(self, service: int) -> tuple[str, ...]:
        """Trouble codes like `P0171` for service 0x03, 0x07 or 0x0A."""
        ...

    def clear(self) -> None:
        """Service 04: codes, freeze frame, learnt monitors. Permanent codes stay."""
        ...

    def monitor_tests(self, ecu: str) -> tuple[MonitorTest, ...]:
        """What service 06 of an ECU reports; empty for one without monitors."""
        ...

    def control_tests(self, ecu: str) -> frozenset[int]:
        """Test IDs of service 08 that an ECU knows; empty for one without."""
        ...

    def start_test(self, ecu: str, test: int) -> bool:
        """Service 08: start one of `control_tests`; False when the conditions are not right."""
        ...


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
