"""A source of known samples for the capture's tests, with its own log of what it gave out."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.errors import LinkLostError, SignalUnsupportedError
from logbench.vehicle.model import CarFacts, Progress, Reading

SIGNALS = ("RPM", "VSS", "ECT", "MAF")


@dataclass
class FakeSource(Source):
    """Gives a reading of each signal every `period_s`; value k of a signal is k.

    `log`: a file to which the count of readings and the monotonic time go after each read, in one
    write each, so that a test knows what was given out even when the process is killed.
    """

    period_s: float = 0.01
    log: Path | None = None
    lose_at: tuple[int, ...] = ()
    """Reads before which the link breaks once."""
    refuse: int = 0
    """Attempts to open again that fail after each loss."""
    last: int | None = None
    """Reads after which the source has run out."""
    crash_at: int | None = None
    """Read at which the process dies without a word."""

    def __post_init__(self):
        self.count = 0
        self.opened = 0
        self._lost = 0
        self._refused = 0
        self._next = 0.0

    def open(self, progress: Progress) -> Opened:
        if self.opened and self._refused < self.refuse:
            self._refused += 1
            raise LinkLostError("The fake adapter is still away: plug it in.")
        self._refused = 0
        self.opened += 1
        progress("Opening the fake source")
        self._next = time.monotonic()
        facts = CarFacts(
            vin="ZZ9TEST170X000001",
            protocol="fake",
            adapter="fake adapter",
            supported={"7E8": frozenset({0x0C, 0x0D, 0x05, 0x10})},
            ecu_names={"7E8": "Engine"},
        )
        self.facts, self.signals = facts, SIGNALS
        return Opened(facts, SIGNALS, ("FRP",), simulated=True)

    def choose(self, signals, rates_hz) -> Opened:
        if "FRP" in signals:
            raise SignalUnsupportedError("This car does not report FRP: choose other signals.")
        self.signals = signals
        return Opened(self.facts, signals, (), simulated=True)

    def read(self) -> list[Reading]:
        if self._lost < len(self.lose_at) and self.count == self.lose_at[self._lost]:
            self._lost += 1
            raise LinkLostError("The fake adapter was unplugged: plug it in again.")
        if self.last is not None and self.count >= self.last:
            raise EndOfSourceError
        if self.count == self.crash_at:
            os._exit(9)
        self._next += self.period_s
        time.sleep(max(0.0, self._next - time.monotonic()))
        t_ns = time.monotonic_ns()
        readings = [Reading(signal, "7E8", t_ns, float(self.count)) for signal in self.signals]
        self.count += 1
        if self.log is not None:
            with self.log.open("a") as file:
                file.write(f"{self.count} {t_ns}\n")
        return readings

    def now_ns(self) -> int:
        return time.monotonic_ns()


@dataclass(frozen=True)
class MakeFake:
    """A picklable maker of fake sources."""

    period_s: float = 0.01
    log: Path | None = None
    lose_at: tuple[int, ...] = ()
    refuse: int = 0
    last: int | None = None
    crash_at: int | None = None

    def __call__(self, request: CaptureRequest) -> FakeSource:
        return FakeSource(
            self.period_s, self.log, self.lose_at, self.refuse, self.last, self.crash_at
        )
