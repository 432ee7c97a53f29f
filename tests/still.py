"""The simulated car that stands still, with a memory: codes and tests are what you say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from logbench.simulator import model
from logbench.simulator.monitors import MonitorTest


@dataclass
class StillCar(model.StillCar):
    """It is its own memory, and has a key."""

    stored: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    permanent: tuple[str, ...] = ()
    frame: Mapping[str, float] | None = None
    key_on: bool = True
    calibration_ids: tuple[str, ...] = ("LB-BENCH-0001",)
    tests: Mapping[str, tuple[MonitorTest, ...]] = field(default_factory=dict)
    """ECU to what its service 06 reports."""
    counters: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """ECU to its in-use counters."""
    controls: Mapping[str, frozenset[int]] = field(default_factory=dict)
    """ECU to the test IDs of its service 08; they start only while the engine stands."""
    started: list[tuple[str, int]] = field(default_factory=list)
    """ECU and test ID of every test started through service 08."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.calibrations = dict.fromkeys(self.pids, self.calibration_ids)

    def ignition(self) -> bool:
        """Whether the key is on."""
        return self.key_on

    def codes(self, service: int) -> tuple[str, ...]:
        """The codes given for service 03, 07 or 0A."""
        return {0x03: self.stored, 0x07: self.pending, 0x0A: self.permanent}.get(service, ())

    def clear(self) -> None:
        """Forget stored and pending codes and the freeze frame."""
        self.stored = ()
        self.pending = ()
        self.frame = None
        self.tests = {
            ecu: tuple(MonitorTest(t.monitor, t.test, t.scaling) for t in tests)
            for ecu, tests in self.tests.items()
        }

    def monitor_tests(self, ecu: str) -> tuple[MonitorTest, ...]:
        """The tests given for `ecu`."""
        return self.tests.get(ecu, ())

    def in_use(self, ecu: str) -> tuple[int, ...]:
        """The counters given for `ecu`."""
        return self.counters.get(ecu, ())

    def control_tests(self, ecu: str) -> frozenset[int]:
        """The test IDs given for `ecu`."""
        return self.controls.get(ecu, frozenset())

    def start_test(self, ecu: str, test: int) -> bool:
        """Note the test; refused while the engine runs."""
        if self.readings(ecu).get("RPM", 0.0) > 0:
            return False
        self.started.append((ecu, test))
        return True
