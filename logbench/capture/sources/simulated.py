"""The simulated car as a source: started in a process of its own, reached over a socket."""

from __future__ import annotations

import dataclasses
import time
from contextlib import ExitStack

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.car import PolledSource
from logbench.capture.sources.model import Opened
from logbench.signals.table import table
from logbench.simulator.options import parse_sim_url
from logbench.simulator.serve import SimulatedCar
from logbench.vehicle.model import Progress, Reading


class SimulatedSource(PolledSource):
    """See `sources.model.Source`. With `speed` in the URL its clock runs that much faster.

    Raises `LinkUnknownError` for a URL that is not understood.
    """

    def __init__(self, request: CaptureRequest) -> None:
        self._options = parse_sim_url(request.link_url)
        self._speed = self._options.speed
        self._stack = ExitStack()
        self._base_ns = time.monotonic_ns()
        rates_hz = self._hurried(request.rates_hz)
        super().__init__(dataclasses.replace(request, rates_hz=rates_hz), "")

    def open(self, progress: Progress) -> Opened:
        """Start the simulated car the first time; connect to it."""
        self._url = self._url or self._start_car(progress)
        return self._ours(super().open(progress))

    def _start_car(self, progress: Progress) -> str:
        """Its URL."""
        progress("Starting the simulated car")
        return self._stack.enter_context(SimulatedCar(self._options)).url

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Other signals of the same simulated car."""
        return self._ours(super().choose(signals, self._hurried(rates_hz)))

    def _ours(self, opened: Opened) -> Opened:
        return dataclasses.replace(opened, simulated=True, time_scale=self._speed)

    def _hurried(self, rates_hz: dict[str, float]) -> dict[str, float]:
        """Wanted rates count on the recording's clock, those that nobody has given as well."""
        if self._speed == 1.0:
            return rates_hz
        wanted = {signal.acronym: signal.rate_hz for signal in table()}
        return {name: hz * self._speed for name, hz in (wanted | rates_hz).items()}

    def read(self) -> list[Reading]:
        """The samples of one request, on the hurried clock."""
        return [dataclasses.replace(r, t_ns=self._hurry(r.t_ns)) for r in super().read()]

    def now_ns(self) -> int:
        """The car's clock."""
        return self._hurry(super().now_ns())

    def _hurry(self, t_ns: int) -> int:
        if self._speed == 1.0:
            return t_ns
        return self._base_ns + round((t_ns - self._base_ns) * self._speed)

    def voltage(self) -> float | None:
        """As the simulated adapter measures it."""
        return super().voltage() if self._url else None

    def close(self) -> None:
        """Hang up and end the simulated car."""
        super().close()
        self._stack.close()
        self._url = ""
