"""A car behind a link, polled."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import threading
import time

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.model import Opened, Source
from logbench.car.identity import Match, meet
from logbench.errors import (
    CarSilentError,
    LinkError,
    LinkLostError,
    ReplyError,
    SignalUnsupportedError,
)
from logbench.signals.table import default_signals, supported_signals
from logbench.vehicle.discovery import discover, identify
from logbench.vehicle.link import Link
from logbench.vehicle.links import open_link
from logbench.vehicle.model import CarFacts, Progress, Protocol, Reading
from logbench.vehicle.poller import Poller

log = logging.getLogger(__name__)

SILENT_S = 3.0
"""So long without any answer, the car counts as silent: its ignition is probably off."""
_SOFT_TRIES = 5
"""Times a silent car is simply asked again before the link is set up anew."""


class PolledSource(Source):
    """See `sources.model.Source`. The car is asked for its facts once only, and the link is kept
    over a loss, with the speed, the protocol and the costs it has learnt.
    """

    def __init__(self, request: CaptureRequest, url: str) -> None:
        self._request = request
        self._url = url
        self._cancelled = threading.Event()
        self._link: Link | None = None
        self._poller: Poller | None = None
        self._bus: tuple[Protocol, int] | None = None
        self._opened: Opened | None = None
        self._waiting: list[Reading] = []
        self._soft_tries = 0

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
        self._opened, self._poller, self._waiting = opened, None, []
        if link.connected:
            with contextlib.suppress(LinkLostError):  # the next read will find the same
                self._poll(link, opened, progress)
        return opened

    def _own_link(self) -> Link:
        if self._link is None:
            self._link = open_link(self._url)
        return self._link

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
        self._poller = Poller(link, opened.facts, opened.signals, rates_hz, progress)

    def _found(self, link: Link, progress: Progress) -> Opened:
        """What there is; while nothing was heard of it, another car may have come in its place."""
        if self._opened is None:
            return self._chosen(discover(link, progress))
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
