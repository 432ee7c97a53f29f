"""Requests through an adapter that speaks the common command language, over any byte port.

What saves time (no spaces, adaptive timing, the reply count, a lone carriage return for 'the same
again') is used while the adapter accepts it, and undone on leaving.
"""

from __future__ import annotations

import itertools
import logging
import time
from abc import abstractmethod
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from logbench.errors import ReplyError, RequestRefusedError
from logbench.vehicle.framing import Raw
from logbench.vehicle.gate import LineGate, Permit
from logbench.vehicle.link import (
    CHANGE_TIMEOUT_S,
    PENDING_LIMIT_S,
    Answers,
    Link,
    answers_to,
    is_pending,
    spans_ns,
)
from logbench.vehicle.links.device import Device
from logbench.vehicle.links.dialect import ADVICE, PROTOCOLS, Status, status_of
from logbench.vehicle.links.protocol import ECUS, Spoken, alone, find_protocol
from logbench.vehicle.links.schemes import LinkUrl
from logbench.vehicle.links.trial import Trial
from logbench.vehicle.model import Progress, Reply

log = logging.getLogger(__name__)

LEGACY_TIMEOUT_S = 8.0
"""On the K-line a request after a pause may have to wake the bus at 5 baud first."""
MAX_COUNT = 15
"""The reply count is one hex digit."""
PENDING_PAUSE_S = 0.2
"""Between two readings of an ECU that says 'response pending' (our choice)."""
RESTARTED = "The adapter restarted (low supply voltage?); it was set up again."
_OF_ALL = frozenset({0x02, 0x03, 0x06, 0x07, 0x0A})
"""Services that are asked of every ECU, one by one, where no headers come; values are polled from
the first alone."""
_SLOW = 2
"""So often in a row an answer must stay away after 'response pending' before it is waited for."""
_SPREAD_NS = 20_000_000
"""Replies that come over a longer time have each their own."""
P2_S = {False: 0.052, True: 0.1}
"""So long an ECU may take to begin with its reply: P2 of ISO 15765-4, ISO 14230-4 and ISO 9141-2
with 2 ms for the frame; on SAE J1850, where True, 100 ms (SAE J1979, from memory)."""
_IDLE_S = 0.015
_GARBLED, _GARBLED_AGAIN = 3, 100
"""After so many replies in a row that make no sense the adapter is set up anew, and then every so
many (our choice)."""
_CHECKED = 3
"""So many replies in a row whose check bytes hold by chance are not to be expected."""
_WAITS = 8
"""So often in a row the adapter may wait before it counts as ignoring the reply count."""


class AdapterLink(Link):
    """Base of the links that reach the car through an adapter; `_open_port` is what differs."""

    def __init__(self, url: LinkUrl, progress: Progress | None = None) -> None:
        """Raises LinkUnknownError for options that make no sense."""
        super().__init__(url.text, progress)
        self._place = url.place
        self._device = Device(self.check, self._sent)
        self._spoken = Spoken(url.one_of("protocol", PROTOCOLS) or "6")
        """What to try first; the commonest where the URL does not say."""
        self._counting, self._repeating = Trial(), Trial()
        self.repeats = True
        self._slow: Counter[bytes] = Counter()
        """Requests whose answers the adapter did not wait for after 'response pending', and how
        often in a row."""
        self._patient = False
        self._waits = 0
        self._restored = False
        """The adapter was set up anew because the last request came back as an echo."""
        self._garbled = 0
        self._checked = 0
        """Replies in a row whose check bytes hold although they are not verified."""
        self._asked: list[str] = []
        """Without headers: ECUs that answer alone, as far as they were looked for."""
        self._ecus: Iterator[str] = iter(())
        """Finds the others."""
        self._several = 1
        """ECUs that answer where nobody says which: that more than one does must be seen each time,
        so that no count may cut the others off."""

    @abstractmethod
    def _open_port(self) -> LineGate:
        """Open the port, with the right speed, and hand it to a gate; raises PortMissingError."""

    # --- start and end ---

    def _attach(self) -> None:
        self._device.open(self._open_port(), self.progress)
        self.adapter = self._device.name

    def _open(self) -> None:
        self.progress("Looking for the car's protocol")
        self._spoken = find_protocol(self._device, self._spoken.number, self.progress)
        self._device.number = self._spoken.number
        self.protocol, self.service = self._spoken.protocol, self._spoken.service
        self.fills = self._spoken.fills
        self.heard = frozenset() if self._spoken.nameless else self._spoken.heard
        if not self.protocol.is_can:
            self.timeout_s = LEGACY_TIMEOUT_S
        if self._spoken.bare:
            self._ecus = alone(self._device, self._spoken, ECUS[self.protocol.id_bits])
            self._asked = list(itertools.islice(self._ecus, 1))
            self._spoken = replace(self._spoken, only="".join(self._asked))
        if self._spoken.nameless:
            self._device.hurry()
        self.progress(f"Protocol found: {self.protocol.name}")

    def voltage(self) -> float | None:
        """Volts at the diagnostic connector; None when the adapter cannot measure."""
        return self._device.voltage()

    def sleep(self) -> None:
        """Close the protocol and put the adapter into its low-power state."""
        self._device.sleep()

    def _shut(self) -> None:
        self._device.close()

    # --- requests ---

    def _exchange(
        self, payload: bytes, frames: int | None, timeout_s: float, to: str | None
    ) -> Raw:
        if to is None and self._spoken.only and payload[0] in _OF_ALL:
            return self._exchange_one_by_one(payload, timeout_s)
        self._device.aim(to or self._spoken.only or None, self.protocol)
        command = payload.hex().upper()
        if frames and frames * self._several <= MAX_COUNT and self._counting.works:
            command += f"{frames * self._several:X}"
        if self._slow[payload] >= _SLOW:
            return self._exchange_slowly(command, payload)
        for _ in range(_SLOW):
            raw = self._round(command, timeout_s, payload)
            if not _waiting(raw.messages):
                self._slow[payload] = 0
                return raw
            # the answer may come at any moment, to nobody: asked again, the ECU mostly has it
        self._slow[payload] += 1
        return self._exchange_slowly(command, payload)

    def _exchange_one_by_one(self, payload: bytes, timeout_s: float) -> Raw:
        """Ask every ECU alone; which there are, is found out the first time."""
        self._asked += self._ecus
        raw = Raw()
        for ecu in self._asked:
            raw.add(self._exchange(payload, None, timeout_s, ecu))
        return raw

    def _exchange_slowly(self, command: str, payload: bytes) -> Raw:
        """Ask again and again while an ECU says 'response pending'; readings only. That word is a
        reply, too, to an adapter that does not wait because of it: it is counted in."""
        plain = payload.hex().upper()
        count = command[len(plain) :]
        if count and int(count, 16) < MAX_COUNT:
            plain += f"{int(count, 16) + 1:X}"
        deadline = time.monotonic() + PENDING_LIMIT_S
        with self._patience():
            while True:
                raw = self._round(plain, PENDING_LIMIT_S, payload)
                if not any(is_pending(data) for _, data in raw.messages):
                    self._slow[payload] = 0
                if not _waiting(raw.messages) or time.monotonic() > deadline:
                    return raw
                self._device.rest(PENDING_PAUSE_S)

    @contextmanager
    def _patience(self) -> Iterator[None]:
        """The adapter's longest wait."""
        if self._patient:
            yield
            return
        self._device.ask_twice("ATAT0")
        self._device.ask_twice("ATSTFF")
        self._patient = True
        try:
            yield
        finally:
            self._patient = False
            self._device.wait_as_usual()

    def _change(self, permit: Permit, answers: Answers) -> None:
        self._repeating.end()

        def hears(line: bytes, t_ns: int) -> list[tuple[str, bytes]]:
            # one line, one message: no answer to a change needs more
            found = self._spoken.assemble([line])
            answers.said += found.other
            said = [
                (self._sender(ecu, answers), data)
                for ecu, data in found.messages
                if answers_to(permit.payload, data)
            ]
            answers.replies += [Reply(ecu, data, t_ns) for ecu, data in said]
            return said

        self._device.aim(None, self.protocol)
        self._device.change(permit, CHANGE_TIMEOUT_S, hears, "0100")

    def _sender(self, ecu: str, answers: Answers) -> str:
        """A name for who answers a change: each ECU gives one final answer, so that those whose
        names are not known can be counted."""
        final = sum(not is_pending(reply.data) for reply in answers.replies)
        return f"{ecu} {final + 1}" if self._spoken.bare or self._spoken.nameless else ecu

    def _round(self, command: str, timeout_s: float, payload: bytes) -> Raw:
        self.repeats = self._repeating.works
        repeat = self.repeats and self._device.may_repeat(command)
        raw, statuses = self._once("" if repeat else command, timeout_s, payload)
        if repeat and raw.messages:
            self._repeating.worked()
        elif repeat:
            raw, statuses = self._once(command, timeout_s, payload)
            if raw.messages:
                self._repeating.failed()
        if command != payload.hex().upper() and raw.messages:
            self._counting.worked()
            if not self._device.hurried:
                self._notice_waiting()
        if not raw.messages and statuses:
            raw = self._recover(command, timeout_s, payload, raw, statuses)
        self._device.last = command if raw.messages and not raw.damaged else ""
        return raw

    def _recover(
        self, command: str, timeout_s: float, payload: bytes, raw: Raw, statuses: set[Status]
    ) -> Raw:
        """Deal with a reply that held only status texts; gives the reply that counts."""
        if Status.RESET in statuses:
            self._device.resync()
            self._device.restore()
            raise ReplyError(RESTARTED)
        if Status.NOT_UNDERSTOOD in statuses:
            return self._without_count(command, timeout_s, payload)
        if Status.INTERRUPTED in statuses:
            # Replies are one behind the requests: each new request would interrupt the last.
            self._device.resync()
            raise ReplyError("The adapter was interrupted in mid-request.")
        if statuses & {Status.BUS_TROUBLE, Status.OVERRUN}:
            status = next(iter(statuses & {Status.BUS_TROUBLE, Status.OVERRUN}))
            raise ReplyError(f"Nothing usable came back: {status.value}; {ADVICE[status]}.")
        return raw

    def _without_count(self, command: str, timeout_s: float, payload: bytes) -> Raw:
        """The adapter refuses a request: is it the reply count, or the request itself?"""
        plain = payload.hex().upper()
        if command != plain:
            raw, statuses = self._once(plain, timeout_s, payload)
            if Status.NOT_UNDERSTOOD not in statuses:
                if self._counting.failed():
                    log.info("the adapter refuses the reply count: going on without")
                    self._device.hurry()
                return raw
        raise RequestRefusedError("The adapter does not understand the request.")

    def _notice_waiting(self) -> None:
        """See whether the adapter waits although it has the frames that were announced."""
        self._waits = self._waits + 1 if self._device.idle_s > _IDLE_S else 0
        if self._waits >= _WAITS:
            log.info("the adapter ignores the reply count")
            self._device.hurry()

    def _once(self, command: str, timeout_s: float, payload: bytes) -> tuple[Raw, set[Status]]:
        """Send `command`, which asks for `payload`: what came, and the status texts in it."""
        lines, sent, received = self._device.say(command, timeout_s)
        lines = self._without_echo(lines, payload.hex().upper().encode())
        found = self._spoken.assemble(lines, self._device.aimed)
        statuses: set[Status] = set()
        for text in found.other:
            status = status_of(text)
            if status is None and self.adapter and self.adapter in text:
                status = Status.RESET
            if status is None:
                found.damaged += 1
            else:
                statuses.add(status)
        if self._spoken.nameless and payload in (b"\x01\x00", b"\x22\xf4\x00"):
            self._notice_others(found.frames)
        self._notice_garble(found)
        self._verify(lines, found)
        # 'Response pending' does not count as a reply, for the adapter neither.
        pending = sum(is_pending(data) for _, data in found.messages)
        found.frames -= pending
        found.sent, found.received = sent, received
        end_ns = time.monotonic_ns()
        lasted = pending or end_ns - self._device.first_ns > _SPREAD_NS
        came_ns = self._came_ns(found) if lasted else [end_ns] * len(found.messages)
        found.times = spans_ns(self._device.sent_ns, found.messages, came_ns)
        if found.messages and not pending and not self._patient:
            reply_s = (end_ns - self._device.sent_ns) / 1e9 - self._device.idle_s
            self._device.shorten(reply_s, P2_S[self._spoken.number in "12"])
        return found, statuses

    def _came_ns(self, found: Raw) -> list[int]:
        """When each message was whole, by the lines as they came."""
        came: list[int | None] = [None] * len(found.messages)
        for lines, at_ns in self._device.heard():
            so_far = self._spoken.assemble(lines, self._device.aimed).messages
            for place, message in enumerate(found.messages):
                if came[place] is None and message in so_far:
                    came[place] = at_ns
        return [time.monotonic_ns() if at_ns is None else at_ns for at_ns in came]

    def _without_echo(self, lines: list[bytes], echo: bytes) -> list[bytes]:
        """Lines without the request that may stand before them. It was switched off: to see it
        means that the adapter has restarted, or that it echoes whatever it is told."""
        if not lines or not lines[0].replace(b" ", b"").startswith(echo):
            self._restored = False
            return lines
        if self._restored:
            log.info("the adapter echoes requests, whatever it is told")
            self._device.echoes = True
        if not self._device.echoes:
            self._restored = True
            self._device.restore()
            raise ReplyError(RESTARTED)
        return lines[1:]

    def _notice_others(self, answers: int) -> None:
        """So many ECUs answer, and nobody says which one what."""
        if answers > self._several:
            self._several = answers
            self.progress(
                f"{answers} ECUs answer, and the adapter does not say which: what they report "
                "differently is left out."
            )

    def _verify(self, lines: list[bytes], found: Raw) -> None:
        """On the older buses the first reply may have been damaged: where check bytes hold after
        all, they are verified from then on."""
        form = self._spoken.form
        if self.protocol.is_can or form.check is not None or not form.tail or not found.messages:
            return
        self._checked = self._checked + 1 if self._spoken.holds(lines) else 0
        if self._checked >= _CHECKED:
            self._spoken = self._spoken.verified()

    def _notice_garble(self, found: Raw) -> None:
        """An adapter that has restarted without a word prints in another way than it was set up."""
        odd = found.damaged and not found.messages and self._several == 1
        self._garbled = self._garbled + 1 if odd else 0
        if self._garbled % _GARBLED_AGAIN == _GARBLED:
            self._device.restore()


def _waiting(messages: Sequence[tuple[str, bytes]]) -> bool:
    """Whether an ECU has said 'response pending' and not answered."""
    answered = {ecu for ecu, data in messages if not is_pending(data)}
    return any(ecu not in answered for ecu, _ in messages)
