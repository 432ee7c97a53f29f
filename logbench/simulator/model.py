"""What the simulated ECUs ask the simulated car; the seam between physics and protocol."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from logbench.simulator.monitors import MonitorTest


class CarSource(Protocol):
    """A car that can be asked. Implemented by the physics; tests may use a still one."""

    @property
    def vin(self) -> str:
        """17 characters."""
        ...

    @property
    def ecus(self) -> tuple[str, ...]:
        """ECU response addresses in hex, engine first: `('7E8', '7E9')`."""
        ...

    def ecu_name(self, ecu: str) -> str:
        """At most 20 ASCII characters, for service 09 info type 0A."""
        ...

    def calibrations(self, ecu: str) -> tuple[str, ...]:
        """Calibration IDs of at most 16 ASCII characters, for service 09 info type 04."""
        ...

    def supported(self, ecu: str) -> frozenset[int]:
        """Service 01 PIDs this ECU answers, without the 'supported' PIDs themselves."""
        ...

    def advance(self, t_s: float) -> None:
        """Move the car's clock forward to `t_s` seconds since its start; never backward."""
        ...

    def ignition(self) -> bool:
        """True while the key is on: with it off, no ECU answers."""
        ...

    def battery_v(self) -> float:
        """Voltage at the diagnostic connector."""
        ...

    def readings(self, ecu: str) -> Mapping[str, float]:
        """What the ECU's sensors and software hold now: acronym of the signal table to physical
        value in the table's unit; NaN for 'not used'. Unquantised: the encoder does that."""
        ...

    def codes(self, service: int) -> tuple[str, ...]:
        """Trouble codes like `P0171` for service 0x03, 0x07 or 0x0A."""
        ...

    def freeze_frame(self) -> Mapping[str, float] | None:
        """Readings when the first stored code was set (`codes(0x03)[0]`), or None."""
        ...

    def clear(self) -> None:
        """Service 04: codes, freeze frame, learnt monitors. Permanent codes stay."""
        ...

    def monitor_tests(self, ecu: str) -> tuple[MonitorTest, ...]:
        """What service 06 of an ECU tells; empty for one without monitors."""
        ...

    def control_tests(self, ecu: str) -> frozenset[int]:
        """Test IDs of service 08 that an ECU knows; empty for one without."""
        ...

    def start_test(self, ecu: str, test: int) -> bool:
        """Service 08: start one of `control_tests`; False when the conditions are not right."""
        ...
