"""What every way to the car has in common: timeouts, filtering, time stamps, logging.

A driver (one module in `vehicle/links/`) supplies only `_open`, `_exchange`, `_change` and `_shut`.
"""

from __future__ import annotations

import logging
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from typing import Self

from logbench.errors import (
    CarSilentError,
    ConnectingStoppedError,
    LinkError,
    LinkLostError,
    ReplyError,
)
from logbench.foreign import in_terminal
from logbench.vehicle.filler import unfilled
from logbench.vehicle.framing import Raw
from logbench.vehicle.gate import Permit, reads
from logbench.vehicle.model import Progress, Protocol, Reply, Witnessed

log = logging.getLogger(__name__)

WIRE = 5
"""Level of the wire traffic in the log, below DEBUG."""

NEGATIVE = 0x7F
RESPONSE_PENDING = 0x78
PENDING_LIMIT_S = 5.0
"""P2* of ISO 15765-3 table 2: how long a car may take after 'response pending'."""
PENDING_TOTAL_S = 60.0
"""And altogether, however often it says so again (our choice: the standard sets no limit)."""
CHANGE_TIMEOUT_S = 5.0
"""For an answer to a change: clearing writes to an ECU's memory."""


def silent(text: str) -> None:
    """Progress that nobody watches."""
    del text


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and everything that came back for it.

    `elapsed_s` is the whole round trip. `pending` names ECUs that said 'response pending' and
    never answered in time. `raw` has the counts.
    """

    replies: list[Reply]
    elapsed_s: float
    raw: Raw
    pending: tuple[str, ...] = ()


@dataclass(slots=True)
class Answers:
    """What came after a change had left. `said`: the adapter's own words (`NO DATA`). `ended`: why
    the waiting ended early, as a sentence; `` when it did not. `t_ns` of a reply: when it came."""

    replies: list[Reply] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    ended: str = ""


class Link(ABC):
    """A way to the car. `connect` before use; `close` always, it never raises.

    Used as a context manager it connects on entry. Connected again after `close`, it still knows
    the speed and the protocol it has found. Not thread-safe: one owner.
    """

    timeout_s: float = 3.0
    """How long a request may take before the link counts as lost."""
    least_wait_s: float = 0.0
    """Where the link itself waits for ECUs: so long at least. 0: an adapter does."""

    def __init__(self, url: str, progress: Progress | None = None) -> None:
        self.url = url
        self.adapter = ""
        self.protocol = Protocol(name="", is_can=False)
        self.progress: Progress = progress or silent
        self.attached = False
        """The adapter, if there is one, is reached and set up."""
        self.connected = False
        """The car is reached, too."""
        self.given_up: Callable[[], bool] | None = None
        """Asked every 0.1 s (1 s at the longest) while something is waited for: true ends it with
        `ConnectingStoppedError`."""
        self.meanwhile: Callable[[], None] | None = None
        """Called once, after the next request has left and before its reply is waited for: the
        place for work that would otherwise lengthen the cycle. Must not raise or use the link."""
        self.witness: Callable[[Witnessed], None] | None = None
        """Called with every exchange; must not raise or use the link."""
        self.service = 0x01
        """0x01, or 0x22 where a car answers only SAE J1979-2."""
        self.fills = False
        """Replies on CAN are filled up to whole frames and their length counts the filler
        (`filler.py`)."""
        self.heard: frozenset[str] = frozenset()
        """ECUs that answered while connecting; empty where that is not known."""
        self.repeats = False
        """True while 'the same again' costs a single character."""

    # --- for users ---

    def attach(self) -> None:
        """Reach the adapter alone, without a word to the car: `voltage` and `sleep` work then.

        Raises like `connect`.
        """
        if self.attached:
            return
        try:
            self._attach()
        except BaseException:
            self.close()
            raise
        self.attached = True

    def connect(self) -> None:
        """Find the adapter and the car; the subclasses of `LinkError` say what is missing."""
        if self.connected:
            return
        log.debug("connecting %s", self.url)
        self.attach()
        try:
            self._open()
        except BaseException:
            self.close()
            raise
        self.connected = True
        log.info("connected %s: %s, %s", self.url, in_terminal(self.adapter), self.protocol.name)

    def close(self) -> None:
        """Undo the settings made and let go of the port. May be called twice."""
        self.attached = self.connected = False
        given_up, self.given_up = self.given_up, None  # undoing the settings is not given up
        try:
            self._shut()
        except (OSError, LinkLostError, CarSilentError) as error:
            log.debug("while closing %s: %s", self.url, error)
        finally:
            self.given_up = given_up

    def exchange(
        self,
        payload: bytes,
        frames: int | None = None,
        timeout_s: float | None = None,
        to: str | None = None,
    ) -> Exchange:
        """Ask the car: its complete messages, negative responses included, and what it took.

        `payload`: service byte first. `frames`: reply frames to expect, if known, so that nobody
        waits for more. `to`: response address of one ECU to ask it alone (CAN); None asks all.
        No replies means that no ECU answered. Raises LinkLostError, ReplyError; ValueError for what
        is not a reading: see `change`.
        """
        if not self.connected:
            raise LinkLostError("The link is not connected: connect it again.")
        if not reads(payload):
            raise ValueError(f"{payload.hex()} may not leave: it could change the car")
        limit_s = self.timeout_s if timeout_s is None else timeout_s
        start_ns = time.monotonic_ns()
        try:
            raw = self._exchange(payload, frames, limit_s, to)
        except ReplyError:  # it was asked all the same
            if self.witness is not None:
                self.witness(Witnessed(start_ns, time.monotonic_ns(), to or "", payload, ()))
            raise
        end_ns = time.monotonic_ns()
        found = raw.messages
        if self.fills:
            found = [(ecu, unfilled(payload, data)) for ecu, data in found]
        times = raw.times or [(start_ns, end_ns)] * len(found)
        if self.witness is not None:
            for span in dict.fromkeys(times or [(start_ns, end_ns)]):
                said = tuple(m for m, t in zip(found, times, strict=True) if t == span)
                self.witness(Witnessed(*span, to or "", payload, said))
        messages, pending = _filtered(payload, found, [sum(span) // 2 for span in times])
        if log.isEnabledFor(WIRE):
            log.log(WIRE, "%s -> %s", payload.hex(), [(r.ecu, r.data.hex()) for r in messages])
        return Exchange(
            replies=messages,
            elapsed_s=(end_ns - start_ns) / 1e9,
            raw=raw,
            pending=pending,
        )

    def change(self, permit: Permit) -> Answers:
        """Have the car say how it stands, then send to all ECUs what is permitted, once; after that
        there is only waiting, and whatever happens meanwhile is in the answers.

        `permit.sent` says whether it has left. Raises, with nothing sent, ClearingRefusedError,
        LinkLostError, ReplyError; ValueError for a permit that is spent.
        """
        if not self.connected:
            raise LinkLostError("The link is not connected: connect it again.")
        if permit.spent:
            raise ValueError(f"{permit.payload.hex()} may not leave: the permit is spent")
        answers = Answers()
        given_up, self.given_up = self.given_up, None  # a change is seen through
        try:
            permit.renew()
            with self._patience():
                self._change(permit, answers)
        except (Exception, KeyboardInterrupt) as error:  # what has come is worth more than a bug
            if permit.sent is None:
                raise
            answers.ended = _why_ended(error)
        finally:
            self.given_up = given_up
        log.log(WIRE, "%s -> %s", permit.payload.hex(), answers)
        return answers

    def voltage(self) -> float | None:
        """Volts at the diagnostic connector as the adapter measures them; None: cannot measure."""
        return None

    def sleep(self) -> None:
        """No traffic from now on, and as little current as the adapter can do with, so that car
        and battery can sleep; the next request or `voltage` wakes it. Here for links without an
        adapter, which have nothing to put to rest."""
        log.debug("asleep: %s", self.url)

    def __enter__(self) -> Self:
        self.connect()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- for drivers ---

    def _sent(self) -> None:
        """A driver calls this when a request is on its way."""
        work, self.meanwhile = self.meanwhile, None
        if work is not None:
            work()

    def check(self) -> None:
        """A driver calls this every 0.1 s while it waits; raises ConnectingStoppedError."""
        if self.given_up is not None and self.given_up():
            raise ConnectingStoppedError("Connecting was stopped.")

    def _attach(self) -> None:  # noqa: B027 - most links without an adapter have nothing to do
        """Open the port and find the adapter; set `adapter`. Sends nothing to the car."""

    @abstractmethod
    def _open(self) -> None:
        """Find the car, behind what `_attach` found; set `protocol`, maybe `service`."""

    @abstractmethod
    def _exchange(
        self, payload: bytes, frames: int | None, timeout_s: float, to: str | None
    ) -> Raw:
        """One round trip; waits for the final reply after 'response pending'. Calls `_sent`."""

    def _patience(self) -> AbstractContextManager[None]:
        """While it lasts, an ECU that says 'response pending' is waited for."""
        return nullcontext()

    @abstractmethod
    def _change(self, permit: Permit, answers: Answers) -> None:
        """Send what is permitted to all ECUs and put into `answers` what comes, as it comes."""

    @abstractmethod
    def _shut(self) -> None:
        """Undo settings and close; must work in any state, also half open or broken."""


def is_pending(data: bytes) -> bool:
    """True for a 'response pending' negative response (7F xx 78), filler behind it or not."""
    return len(data) >= 3 and data[0] == NEGATIVE and data[2] == RESPONSE_PENDING


def _why_ended(error: BaseException) -> str:
    if isinstance(error, LinkError):
        return str(error)
    if isinstance(error, KeyboardInterrupt):
        return "The waiting was interrupted."
    log.error("while a change was waited for", exc_info=error)
    return f"The program failed ({type(error).__name__}): report the fault with the log."


def answers_to(payload: bytes, data: bytes) -> bool:
    """Whether `data` of an ECU is about the request `payload`, for it or against it."""
    if data[0] == NEGATIVE:
        return len(data) >= 3 and data[1] == payload[0]
    return data[0] == payload[0] | 0x40


def _filtered(
    payload: bytes, messages: list[tuple[str, bytes]], times_ns: list[int]
) -> tuple[list[Reply], tuple[str, ...]]:
    """Only what answers `payload`: late replies to an earlier request are dropped."""
    kept: list[Reply] = []
    pending: list[str] = []
    for (ecu, data), t_ns in zip(messages, times_ns, strict=True):
        if is_pending(data) and data[1] == payload[0]:
            pending.append(ecu)
        elif answers_to(payload, data):
            kept.append(Reply(ecu, data, t_ns))
    answered = {reply.ecu for reply in kept}
    return kept, tuple(dict.fromkeys(e for e in pending if e not in answered))


def spans_ns(
    start_ns: int, messages: Sequence[tuple[str, bytes]], came_ns: Sequence[int]
) -> list[tuple[int, int]]:
    """Of each message when its request left, or would have left had the ECU not said 'response
    pending', and when it came: an ECU says that as soon as it would have answered, so that its
    answer is as old as that word was."""
    usual: dict[str, int] = {}
    spans = []
    for (ecu, data), at_ns in zip(messages, came_ns, strict=True):
        if is_pending(data):
            usual.setdefault(ecu, at_ns - start_ns)
        spans.append((at_ns - usual.get(ecu, at_ns - start_ns), at_ns))
    return spans
