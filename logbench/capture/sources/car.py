"""A car behind a link, polled; and the simulated car, which is started first and has a socket."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import threading
import time
from collections import deque
from contextlib import ExitStack

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.model import Opened, Source
from logbench.car.identity import Match, meet
from logbench.car.peer import PeerProfile
from logbench.errors import (
    CarSilentError,
    LinkError,
    LinkLostError,
    ReplyError,
    SignalUnsupportedError,
)
from logbench.recording.exchanges import Said
from logbench.signals.table import default_signals, supported_signals, table
from logbench.vehicle.discovery import discover, identify
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.model import CarFacts, Progress, Protocol, Reading, Witnessed
from logbench.vehicle.poller import Poller

log = logging.getLogger(__name__)

SILENT_S = 3.0
"""So long without any answer, the car counts as silent: its ignition is probably off."""
_MOST_SAID = 50_000
"""Exchanges that wait to be fetched; of more, those of longest ago go."""
_SOFT_TRIES = 5
"""Times a silent car is simply asked again before the link is set up anew."""


class PolledSource(Source):
    """See `sources.model.Source`. The car is asked for its facts once only, and the link is kept
    over a loss, with the speed, the protocol and the costs it has learned.
    """

    def __init__(self, request: CaptureRequest, url: str) -> None:
        self._request = request
        self._url = url
        self._cancelled = threading.Event()
        self._link: Link | None = None
        self._poller: Poller | None = None
        self._profile: PeerProfile | None = None
        self._bus: tuple[Protocol, int] | None = None
        self._opened: Opened | None = None
        self._waiting: list[Reading] = []
        self._soft_tries = 0
        self._said: deque[Said] = deque(maxlen=_MOST_SAID)

    def open(self, progress: Progress) -> Opened:
        """Connect; after a loss, ask again or connect anew."""
        if self._opened is not None and self._answers(progress):
            return self._opened
        link = self._own_link()
        link.progress, link.given_up = progress, self._cancelled.is_set
        if link.connected:  # and broken
            link.close()
        try:
            link.connect()
            self._opened = self._ready(link, progress)
        except BaseException:
            link.close()
            raise
        finally:
            link.given_up = None
        return self._opened

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Other signals on the link there is, or on the one that will be connected anew."""
        assert self._opened is not None
        before, self._request = (
            self._request,
            dataclasses.replace(self._request, signals=signals, rates_hz=rates_hz),
        )
        link, progress = self._own_link(), self._own_link().progress
        try:
            opened = self._chosen(self._opened.facts)
        except SignalUnsupportedError:
            self._request = before
            raise
        self._profile = self.profile()
        self._opened, self._poller, self._waiting = opened, None, []
        if link.connected:
            with contextlib.suppress(LinkLostError):  # the next read will find the same
                self._poll(link, opened, progress)
        return opened

    def _own_link(self) -> Link:
        if self._link is None:
            self._link = open_link(self._url)
            self._link.witness = self._keep if self._request.exchanges else None
        return self._link

    def _keep(self, seen: Witnessed) -> None:
        for ecu, data in seen.messages or (("", b""),):
            times = seen.sent_ns, seen.arrived_ns
            self._said.append(Said(*times, seen.to, seen.request, ecu, bytes(data)))

    def exchanges(self) -> list[Said]:
        """Everything since the last call, what was asked to find the car included."""
        said = list(self._said)
        self._said.clear()
        return said

    def _ready(self, link: Link, progress: Progress) -> Opened:
        """Choose the signals and make the poller, or the one there is ready to go on."""
        opened = self._found(link, progress)
        bus = link.protocol, link.service
        if self._poller is not None and bus == self._bus and opened is self._opened:
            self._poller.go_on()
        else:
            self._bus = bus
            self._poll(link, opened, progress)
        return opened

    def _poll(self, link: Link, opened: Opened, progress: Progress) -> None:
        rates_hz = self._request.rates_hz
        known = self.profile()
        if known is None and (car := self._request.known.met(opened.facts.identity)) is not None:
            known = car.peer
        self._poller = Poller(link, opened.facts, opened.signals, rates_hz, progress, known)

    def _found(self, link: Link, progress: Progress) -> Opened:
        """What there is; while nothing was heard of it, another car may have come in its place."""
        if self._opened is None:
            return self._chosen(discover(link, progress, whole=False))
        before = self._opened.facts
        facts = identify(link, before, progress)
        if meet(before.identity, facts.identity).match is not Match.OTHER:
            return self._opened
        try:
            return self._chosen(facts)
        except SignalUnsupportedError:
            return Opened(facts, default_signals(frozenset().union(*facts.supported.values())))

    def _chosen(self, facts: CarFacts) -> Opened:
        supported = frozenset[int]().union(*facts.supported.values())
        if not self._request.signals:
            return Opened(facts, default_signals(supported))
        have, missing = supported_signals(self._request.signals, supported)
        if not have:
            raise SignalUnsupportedError(
                f"This car does not report {', '.join(missing)}: choose other signals."
            )
        return Opened(facts, have, missing)

    def _answers(self, progress: Progress) -> bool:
        """Whether a car that only fell silent answers again, or another in its place; raises
        CarSilentError while not."""
        if self._poller is None or self._link is None or not self._link.connected:
            return False
        self._soft_tries += 1
        if self._soft_tries > _SOFT_TRIES:
            self._soft_tries = 0
            return False
        try:
            self._waiting = self._poller.step()
            if not self._waiting:
                raise CarSilentError("The car does not answer: turn the ignition on to go on.")
            opened = self._found(self._link, progress)
            if opened is not self._opened:
                self._opened, self._waiting = opened, []
                self._poll(self._link, opened, progress)
        except LinkLostError:
            return False
        self._soft_tries = 0
        return True

    def read(self) -> list[Reading]:
        """The samples of one request."""
        if self._waiting:
            waiting, self._waiting = self._waiting, []
            return waiting
        if self._poller is None:
            raise LinkLostError("The link is not connected.")
        readings = self._poller.step()
        if not readings and self._poller.silent_s > SILENT_S:
            raise CarSilentError(
                f"The car has not answered for {SILENT_S:.0f} s: is the ignition off? "
                "Recording goes on when it answers again."
            )
        return readings

    def profile(self) -> PeerProfile | None:
        """As its poller has learned."""
        return self._poller.profile if self._poller is not None else self._profile

    def learned(self) -> Opened | None:
        """The car's facts, where a part that stayed away has come, with the signals now polled."""
        before, poller = self._opened, self._poller
        if before is None or poller is None or poller.facts is before.facts:
            return None
        opened = self._chosen(poller.facts)
        if opened.signals != before.signals:
            self._poll(self._own_link(), opened, self._own_link().progress)
        self._opened = opened
        return opened

    def now_ns(self) -> int:
        """The monotonic clock that links stamp replies with."""
        return time.monotonic_ns()

    def voltage(self) -> float | None:
        """Volts as the adapter measures them, without a word to the car; None: not known."""
        link = self._own_link()
        link.given_up = self._cancelled.is_set
        try:
            link.attach()
            return link.voltage()
        except ReplyError as error:
            log.info("voltage not read: %s", error)
        except LinkError as error:
            log.info("%s", error)
            link.close()
        finally:
            link.given_up = None
        return None

    def sleep(self) -> None:
        """Adapter in its low-power state, nothing to the car."""
        link = self._link
        if link is None or not link.attached:
            return
        try:
            link.sleep()
        except LinkError as error:
            log.info("the adapter is not at rest: %s", error)

    def cancel(self) -> None:
        """From any thread: connecting ends."""
        self._cancelled.set()

    def close(self) -> None:
        """Undo the adapter's settings and let go of the port."""
        link, self._link, self._poller = self._link, None, None
        if link is not None:
            link.close()


class SimulatedSource(PolledSource):
    """See `sources.model.Source`. With `speed` in the URL its clock runs that much faster.

    Raises `LinkUnknownError` for a URL that is not understood.
    """

    def __init__(self, request: CaptureRequest) -> None:
        from logbench.simulator.options import parse_sim_url  # only where it is wanted

        self._speed = parse_sim_url(request.link_url).speed
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
        from logbench.simulator.serve import SimulatedCar

        progress("Starting the simulated car")
        return self._stack.enter_context(SimulatedCar(self._request.link_url)).url

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """Other signals of the same simulated car."""
        return self._ours(super().choose(signals, self._hurried(rates_hz)))

    def learned(self) -> Opened | None:
        """As of any car."""
        opened = super().learned()
        return None if opened is None else self._ours(opened)

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

    def exchanges(self) -> list[Said]:
        """On the hurried clock."""
        return [
            said._replace(
                sent_ns=self._hurry(said.sent_ns), arrived_ns=self._hurry(said.arrived_ns)
            )
            for said in super().exchanges()
        ]

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
