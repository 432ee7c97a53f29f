"""An adapter that speaks the common command language, over any byte port.

Start-up verifies each step and waits for the prompt, never for a fixed time. What saves time
(no spaces, adaptive timing, the reply count, a lone carriage return for 'the same again') is used
while the adapter accepts it, and undone on leaving.
"""

from __future__ import annotations

import logging
import re
import time
from abc import abstractmethod

from logbench.errors import (
    AdapterMuteError,
    AdapterUnfitError,
    CarSilentError,
    IgnitionOffError,
    LinkLostError,
    ReplyError,
    RequestRefusedError,
)
from logbench.vehicle.framing import (
    Assembled,
    assemble_can_lines,
    assemble_legacy_lines,
    crc_check,
    sum_check,
)
from logbench.vehicle.isotp import request_address
from logbench.vehicle.link import PENDING_LIMIT_S, Link, Raw, is_pending
from logbench.vehicle.links.dialect import (
    ADVICE,
    PROTOCOLS,
    SEARCH_ORDER,
    Status,
    lines_of,
    status_of,
)
from logbench.vehicle.links.talk import NONSENSE, BytePort, Talk
from logbench.vehicle.model import Progress

log = logging.getLogger(__name__)

START_TIMEOUT_S = 2.0
SETTING_TIMEOUT_S = 1.0
CLOSE_TIMEOUT_S = 0.3
SEARCH_TIMEOUT_S = 25.0
"""A full search over all nine protocols takes the adapter about twenty seconds."""
LEGACY_TIMEOUT_S = 8.0
"""On the K-line a request after a pause may have to wake the bus at 5 baud first."""
MIN_SUPPLY_V = 6.0
MAX_COUNT = 15
"""The reply count is one hex digit."""
_IDLE_S = 0.015
_WAITS = 8
"""So often in a row the adapter may wait before it counts as ignoring the reply count."""
_REQUIRED = {"ATE0", "ATH1"}
_SETTINGS = ("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATCAF1")
_VOLTS = re.compile(r"^(\d{1,2}(?:\.\d+)?)\s*V?$", re.IGNORECASE)


class AdapterLink(Link):
    """Base of the links that reach the car through an adapter; `_open_port` is what differs."""

    def __init__(self, url: str, progress: Progress | None = None, protocol: str = "") -> None:
        super().__init__(url, progress)
        self._hint = protocol
        self._talk: Talk | None = None
        self._number = ""
        self._volts: float | None = None
        self._last = ""
        self._aimed: str | None = None
        self._counts = True
        self.repeats = True
        self._repeat_faults = 0
        self._checksum = False
        self._slow: set[bytes] = set()
        self._late = False
        self._hurried = False
        self._resting = False
        self._waits = 0

    # --- what differs ---

    @abstractmethod
    def _open_port(self) -> BytePort:
        """Open the port, with the right speed; raises PortMissingError."""

    # --- start-up ---

    def _attach(self) -> None:
        self._talk = Talk(self._open_port(), self.check)
        self._last, self._aimed, self._resting = "", None, False
        self.progress("Looking for the adapter")
        self._wake()
        self.progress(f"Setting up the adapter ({self.adapter})")
        self._set_up()

    def _open(self) -> None:
        self._volts = self._read_voltage()
        if self._volts is not None and self._volts < MIN_SUPPLY_V:
            raise IgnitionOffError(
                f"The adapter sees only {self._volts:.1f} V at the diagnostic connector: "
                "push it in fully, turn the ignition on and connect again."
            )
        self.progress("Looking for the car's protocol")
        self._find_car()
        self.progress(f"Protocol found: {self.protocol.name}")

    def _wake(self) -> None:
        """A warm start, or a full one where that is not known; learns the adapter's name."""
        for command in ("ATWS", "ATZ"):
            try:
                lines = self._ask(command, START_TIMEOUT_S)
            except ReplyError:
                continue
            words = [line for line in lines if line.upper() != command and not status_of(line)]
            if words:
                self.adapter = words[-1][:60]
                return
        raise AdapterMuteError(
            "Something is connected, but no adapter answers: check that it is an adapter with the "
            "common command language, that it has power, and that the speed is right."
        )

    def _set_up(self) -> None:
        for command in _SETTINGS:
            lines = self._setting(command)
            if "OK" in lines:
                continue
            if command in _REQUIRED:
                raise AdapterUnfitError(
                    f"The adapter ({self.adapter}) does not understand {command}, which is "
                    "needed: use another adapter."
                )
            log.info("the adapter refuses %s: %s", command, lines)
        if self._hurried:
            self._setting("ATAT2")

    def _setting(self, command: str) -> list[str]:
        try:
            return self._ask(command, SETTING_TIMEOUT_S)
        except ReplyError:
            return self._ask(command, SETTING_TIMEOUT_S)

    def _read_voltage(self) -> float | None:
        for line in self._setting("ATRV"):
            match = _VOLTS.match(line)
            if match:
                return float(match[1])
        return None

    def voltage(self) -> float | None:
        """Volts at the diagnostic connector; None when the adapter cannot measure."""
        return self._read_voltage()

    def rest(self) -> None:
        """Close the protocol and put the adapter into its low-power state."""
        if self._resting:
            return
        self._ask("ATPC", SETTING_TIMEOUT_S)
        self._aimed = None  # so that the next request sees to it again
        self._resting = "OK" in self._ask("ATLP", SETTING_TIMEOUT_S)

    def _rouse(self, talk: Talk) -> None:
        """Any character wakes a resting adapter; what it still knows then differs, so set it up."""
        self._resting = False
        talk.say(NONSENSE, START_TIMEOUT_S)
        self._resync()
        self.restore()

    def _find_car(self) -> None:
        """The protocol used last (or the commonest) first, then the adapter's own search."""
        statuses: set[Status | None] = set()
        accepted = False
        for setting in (f"ATTPA{self._number or self._hint or '6'}", "ATSP0"):
            if "OK" not in self._setting(setting):
                continue
            accepted = True
            lines = self._search("0100")
            statuses = {status_of(line) for line in lines}
            if Status.NOT_UNDERSTOOD in statuses:
                raise AdapterUnfitError(
                    f"The adapter ({self.adapter}) does not understand requests to the car: "
                    "use another adapter."
                )
            number = self._reported_number()
            if self._adopt(number, lines):
                return
            if Status.SILENCE in statuses and self._adopt_newer(number):
                return
        if not accepted:
            raise AdapterUnfitError(
                f"The adapter ({self.adapter}) cannot search for the car's protocol: "
                "use another adapter."
            )
        if self._try_newer_service() or self._try_each(statuses):
            return
        self._raise_silent(statuses)

    def _try_each(self, statuses: set[Status | None]) -> bool:
        """One protocol after another, where the adapter's search ended without a clear word."""
        clear = {Status.SILENCE, Status.BUS_TROUBLE, Status.NO_PROTOCOL, Status.INTERRUPTED}
        if statuses & clear:
            return False
        for number in SEARCH_ORDER:
            self.progress(f"Trying {PROTOCOLS[number].name}")
            if "OK" in self._setting(f"ATTP{number}") and self._adopt(number, self._search("0100")):
                return True
        return False

    def _search(self, command: str) -> list[str]:
        try:
            return self._ask(command, SEARCH_TIMEOUT_S)
        except ReplyError:
            return self._ask(command, SEARCH_TIMEOUT_S)

    def _reported_number(self) -> str:
        """Protocol number the adapter reports (`A6` and `6` both mean 6); empty: unknown."""
        for line in self._setting("ATDPN"):
            text = line.upper()
            number = text[1:] if len(text) == 2 and text[0] == "A" else text
            if number in PROTOCOLS:
                return number
        return ""

    def _adopt(self, number: str, lines: list[str]) -> bool:
        """Take over protocol `number` if `lines`, the reply to 0100, make sense in it."""
        if number not in PROTOCOLS:
            return False
        self.protocol, self._checksum = PROTOCOLS[number], False
        found = self._assemble([line.encode() for line in lines])
        if not found.messages:
            return False
        self._number = number
        if not self.protocol.is_can:
            self.timeout_s = LEGACY_TIMEOUT_S
            self._checksum = True
            checked = self._assemble([line.encode() for line in lines])
            self._checksum = len(checked.messages) == len(found.messages)
        return True

    def _adopt_newer(self, number: str) -> bool:
        """SAE J1979-2 cars answer service 22 only: the supported list is identifier F400."""
        if number not in PROTOCOLS or not PROTOCOLS[number].is_can:
            return False
        if self._adopt(number, self._search("22F400")):
            self.service = 0x22
            return True
        return False

    def _try_newer_service(self) -> bool:
        """Where no search led to a protocol, the newer service on the two common ones."""
        return any(
            "OK" in self._setting(f"ATTP{number}") and self._adopt_newer(number)
            for number in ("6", "7")
        )

    def _raise_silent(self, statuses: set[Status | None]) -> None:
        volts = "" if self._volts is None else f" (connector voltage {self._volts:.1f} V)"
        if Status.NO_PROTOCOL in statuses:
            raise IgnitionOffError(
                f"The adapter finds no protocol of the car{volts}: turn the ignition on, the "
                "engine may stay off, and connect again."
            )
        raise CarSilentError(
            f"The adapter works, but the car does not answer{volts}: check that the ignition is "
            "on, the plug sits firmly and the car has standard diagnosis, and connect again."
        )

    # --- requests ---

    def _exchange(
        self, payload: bytes, frames: int | None, timeout_s: float, to: str | None
    ) -> Raw:
        self._aim(to)
        command = payload.hex().upper()
        if payload in self._slow:
            return self._exchange_slowly(command, payload)
        if frames and frames <= MAX_COUNT and self._counts:
            command += f"{frames:X}"
        raw = self._round(command, timeout_s, payload)
        if any(is_pending(data) for _, data in raw.messages):
            answered = {ecu for ecu, data in raw.messages if not is_pending(data)}
            if any(ecu not in answered for ecu, _ in raw.messages):
                self._slow.add(payload)
                return self._exchange_slowly(payload.hex().upper(), payload)
        return raw

    def _exchange_slowly(self, command: str, payload: bytes) -> Raw:
        """Wait for an ECU that says 'response pending': no count, the adapter's longest wait."""
        deadline = time.monotonic() + PENDING_LIMIT_S
        self._setting("ATAT0")
        self._setting("ATSTFF")
        try:
            while True:
                raw = self._round(command, PENDING_LIMIT_S, payload)
                answered = {ecu for ecu, data in raw.messages if not is_pending(data)}
                waiting = {ecu for ecu, _ in raw.messages} - answered
                if not waiting or time.monotonic() > deadline:
                    return raw
        finally:
            self._setting("ATST32")
            self._setting("ATAT1")

    def _aim(self, to: str | None) -> None:
        """Address one ECU or, with None, all of them."""
        if to == self._aimed:
            return
        if to is not None:
            address = request_address(to)
        elif self.protocol.id_bits == 29:
            address = "18DB33F1"
        else:
            address = "7DF"
        if len(address) == 8:
            self._setting(f"ATCP{address[:2]}")
            lines = self._setting(f"ATSH{address[2:]}")
        else:
            lines = self._setting(f"ATSH{address}")
        if "OK" not in lines:
            raise ReplyError("The adapter refuses to address a single ECU.")
        self._aimed = to

    def _round(self, command: str, timeout_s: float, payload: bytes) -> Raw:
        repeat = self.repeats and command == self._last
        lines, sent, received = self._say("" if repeat else command, timeout_s)
        raw, statuses = self._understand(lines, sent, received, payload)
        if repeat and not raw.messages:
            lines, sent, received = self._say(command, timeout_s)
            raw, statuses = self._understand(lines, sent, received, payload)
            if raw.messages:
                self._repeat_faults += 1
                self.repeats = self._repeat_faults < 2
        if command != payload.hex().upper() and not self._hurried:
            self._notice_waiting(len(raw.messages))
        if not raw.messages and statuses:
            raw = self._recover(command, timeout_s, payload, raw, statuses)
        self._last = command if raw.messages and not raw.damaged else ""
        return raw

    def _recover(
        self, command: str, timeout_s: float, payload: bytes, raw: Raw, statuses: set[Status]
    ) -> Raw:
        """Deal with a reply that held only status texts; gives the reply that counts."""
        if Status.RESET in statuses:
            self._resync()
            self.restore()
            raise ReplyError("The adapter restarted (low supply voltage?); it was set up again.")
        if Status.NOT_UNDERSTOOD in statuses:
            return self._without_count(command, timeout_s, payload)
        if Status.INTERRUPTED in statuses:
            # Replies are one behind the requests: each new request would interrupt the last.
            self._resync()
            raise ReplyError("The adapter was interrupted in mid-request.")
        if statuses & {Status.BUS_TROUBLE, Status.OVERRUN}:
            status = next(iter(statuses & {Status.BUS_TROUBLE, Status.OVERRUN}))
            raise ReplyError(f"Nothing usable came back: {status.value}; {ADVICE[status]}.")
        return raw

    def _without_count(self, command: str, timeout_s: float, payload: bytes) -> Raw:
        """The adapter refuses a request: is it the reply count, or the request itself?"""
        plain = payload.hex().upper()
        if command != plain:
            lines, sent, received = self._say(plain, timeout_s)
            raw, statuses = self._understand(lines, sent, received, payload)
            if Status.NOT_UNDERSTOOD not in statuses:
                self._counts = False
                log.info("the adapter refuses the reply count: going on without")
                self._hurry()
                return raw
        raise RequestRefusedError("The adapter does not understand the request.")

    def _hurry(self) -> None:
        """Without a reply count the adapter waits for more: make its learnt wait a short one."""
        if not self._hurried:
            self._hurried = True
            self._setting("ATAT2")

    def _notice_waiting(self, received: int) -> None:
        """See whether the adapter waits although it has the frames it was told to expect."""
        self._waits = (
            self._waits + 1 if received and self._talk and self._talk.idle_s > _IDLE_S else 0
        )
        if self._waits >= _WAITS:
            log.info("the adapter ignores the reply count")
            self._hurry()

    def _understand(
        self, lines: list[bytes], sent: int, received: int, payload: bytes
    ) -> tuple[Raw, set[Status]]:
        echo = payload.hex().upper().encode()
        if lines and lines[0].replace(b" ", b"").startswith(echo):
            # Echo is off since start-up: seeing one means that the adapter has restarted.
            lines = lines[1:]
            self._late = True
        found = self._assemble(lines)
        statuses: set[Status] = set()
        for text in found.other:
            status = status_of(text)
            if status is None and self.adapter and self.adapter in text:
                status = Status.RESET
            if status is None:
                found.damaged += 1
            else:
                statuses.add(status)
        if self._late:
            self._late = False
            self.restore()
        # 'Response pending' does not count as a reply, for the adapter neither.
        frames = found.frames - sum(is_pending(data) for _, data in found.messages)
        return Raw(found.messages, sent, received, frames, found.damaged), statuses

    def _assemble(self, lines: list[bytes]) -> Assembled:
        if self.protocol.is_can:
            return assemble_can_lines(lines, self.protocol.id_bits)
        if not self._checksum:
            return assemble_legacy_lines(lines)
        return assemble_legacy_lines(lines, crc_check if self._number in "12" else sum_check)

    def restore(self) -> None:
        """Set the adapter up again after it has restarted by itself."""
        log.info("setting the adapter up again")
        self._last, self._aimed = "", None
        self._set_up()
        if self._number:
            self._setting(f"ATTP{self._number}")

    # --- bytes ---

    def _ask(self, command: str, timeout_s: float) -> list[str]:
        """Lines of the reply as text; the echo is left out."""
        self._last = ""
        lines, _, _ = self._say(command, timeout_s)
        texts = [line.decode("ascii", "replace") for line in lines]
        return [text for text in texts if text.replace(" ", "").upper() != command]

    def _say(self, command: str, timeout_s: float) -> tuple[list[bytes], int, int]:
        """Send one command and read up to the prompt: lines, characters sent and received."""
        if self._talk is None:
            raise LinkLostError("The link is closed: connect it again.")
        if self._resting:
            self._rouse(self._talk)
        reply = self._talk.say(command, timeout_s, self._sent)
        if reply is None:
            self._resync()
            raise ReplyError("The adapter took too long to answer.")
        return lines_of(reply), len(command) + 1, len(reply)

    def _resync(self) -> None:
        """Bring the adapter back to its prompt; LinkLostError when nothing answers any more."""
        self._last = ""
        if self._talk is not None and self._talk.get_in_step():
            return
        if self.attached:
            raise LinkLostError(
                "The adapter no longer answers: check that it is plugged in and in range; "
                "connecting again."
            )

    def _shut(self) -> None:
        talk, self._talk = self._talk, None
        if talk is None:
            return
        try:
            # a resting adapter is left asleep; the wish to save power outweighs its settings
            for command in () if self._resting else ("ATPC", "ATD"):
                talk.say(command, CLOSE_TIMEOUT_S)
        finally:
            talk.port.close()
