"""The simulated car as a source: started in a process of its own, reached over a socket."""

from __future__ import annotations

import dataclasses
import threading
import time
from contextlib import ExitStack

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.car import PolledSource
from logbench.capture.sources.model import Opened
from logbench.signals.table import table
from logbench.simulator.options import parse_sim_url
from logbench.simulator.serve import SimulatedCar
from logbench.vehicle.model import Progress, Reading


class SimulatedSource:
    """See `sources.model.Source`. With `speed` in the URL its clock runs that much faster.

    Raises `LinkUnknownError` for a URL that is not understood.
    """

    def __init__(self, request: CaptureRequest) -> None:
        self._request = request
        self._options = parse_sim_url(request.link_url)
        self._speed = self._options.speed
        self._cancelled = threading.Event()
        self._stack = ExitStack()
        self._polled: PolledSource | None = None
        self._base_ns = time.monotonic_ns()

    def open(self, progress: Progress) -> Opened:
        """Start the simulated car the first time; connect to it."""
        if self._polled is None:
            progress("Starting the simulated car")
            car = self._stack.enter_context(SimulatedCar(self._options))
            self._polled = PolledSource(self._hurried(), car.url, self._cancelled)
        return self._ours(self._polled.open(progress))

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Other signals of the same simulated car."""
        assert self._polled is not None
        self._request = dataclasses.replace(self._request, signals=signals, rates_hz=rates_hz)
        return self._ours(self._polled.choose(signals, self._hurried().rates_hz))

    def _ours(self, opened: Opened) -> Opened:
        return dataclasses.replace(opened, simulated=True, time_scale=self._speed)

    def _hurried(self) -> CaptureRequest:
        """Wanted rates count on the recording's clock, those that nobody has given as well."""
        if self._speed == 1.0:
            return self._request
        wanted = {signal.acronym: signal.rate_hz for signal in table()}
        rates_hz = {
            name: hz * self._speed for name, hz in (wanted | self._request.rates_hz).items()
        }
        return dataclasses.replace(self._request, rates_hz=rates_hz)

    def read(self) -> list[Reading]:
        """The samples of one request, on the hurried clock."""
        assert self._polled is not None
        return [
            dataclasses.replace(reading, t_ns=self._hurry(reading.t_ns))
            for reading in self._polled.read()
        ]

    def now_ns(self) -> int:
        """The car's clock."""
        return self._hurry(time.monotonic_ns())

    def _hurry(self, t_ns: int) -> int:
        if self._speed == 1.0:
            return t_ns
        return self._base_ns + round((t_ns - self._base_ns) * self._speed)

    def voltage(self) -> float | None:
        """As the simulated adapter measures it."""
        return None if self._polled is None else self._polled.voltage()

    def sleep(self) -> None:
        """The simulated adapter knows the low-power state, too."""
        if self._polled is not None:
            self._polled.sleep()

    def cancel(self) -> None:
        """From any thread: connecting ends."""
        self._cancelled.set()

    def close(self) -> None:
        """Hang up and end the simulated car."""
        if self._polled is not None:
            self._polled.close()
        self._stack.close()
        self._polled = None
