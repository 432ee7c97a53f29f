"""The adapter's command language over a byte pipe, with its timing."""

from __future__ import annotations

import random
import re
from collections import deque
from dataclasses import dataclass
from typing import Self, Unpack

from logbench.simulator import settings as language
from logbench.simulator.bus import Bus, Heard
from logbench.simulator.model import CarSource
from logbench.simulator.protocols import PROTOCOLS, SEARCH_ORDER, BusProtocol
from logbench.simulator.server import Device, Due, Plug
from logbench.simulator.settings import OK, UNKNOWN, Settings
from logbench.simulator.timing import Timing
from logbench.simulator.trouble import PROMPT, mood, spoil_lines, spoil_output

NO_DATA = "NO DATA"
UNABLE = "UNABLE TO CONNECT"
SEARCHING = "SEARCHING..."
STOPPED = "STOPPED"

_INPUT_LIMIT = 256
"""Characters of a line; what is beyond is not looked at, and the line is not understood."""
_BEHIND_S = 1.0
"""So far at most the adapter is behind what a client sends; more overruns its serial line."""
_OUTPUT_LIMIT = 10_000
"""Lines not sent yet with which it takes no further commands: twice the longest replies of all
ECUs."""
_PARTS = re.compile(rb"[^\r]+|\r")
_WAKE_S = 0.1
_FALSE_IDENTITY = "OBD interface v2.3"
_NEWER = re.compile("AT[012]|S[01]|AL|CRA.*|AR|CS.*|CT.*|CE.*|F.*|@.*|LP|JHF.")
"""Commands that an adapter with a false version does not know."""


@dataclass(slots=True)
class Work(Heard):
    """What one command makes."""

    interruptible: bool = False
    from_car: bool = False

    def say(self, text: str, t_s: float) -> Self:
        """Print `text` as a line at `t_s`."""
        self.lines.append((t_s, text))
        self.done_s = max(self.done_s, t_s)
        return self


class Adapter(Device[bytes]):
    """One adapter, plugged into one car."""

    def __init__(
        self,
        car: CarSource,
        timing: Timing | None = None,
        *,
        identity: str = language.IDENTITY,
        seed: int = 0,
        **plug: Unpack[Plug],
    ) -> None:
        """`seed` makes the garbage."""
        super().__init__(car, timing, **plug)
        self.bus = Bus(self.ecus, self.protocol, self.clock)
        self.identity = identity
        self.settings = Settings()
        self._line = bytearray()
        self._last = ""
        self._rx_free_s = 0.0
        self._out: deque[Due[bytes]] = deque()
        self._tx_free_s = 0.0
        self._done_s = 0.0
        self._interruptible = False
        self._asleep = False
        self._identifier = ""
        self._noise = random.Random(seed)

    # --- bytes in and out ---

    def receive(self, data: bytes, t_s: float) -> None:
        """Bytes that the client sent and that entered the wire at `t_s`."""
        self._rx_free_s = max(self._rx_free_s, t_s)
        for part in map(re.Match.group, _PARTS.finditer(data)):
            if self._rx_free_s > t_s + _BEHIND_S or len(self._out) > _OUTPUT_LIMIT:
                return
            room = 1 if part == b"\r" else _INPUT_LIMIT + 1 - len(self._line)
            for byte in part[:room]:
                self._rx_free_s += self.timing.chars_s(1)
                self._character(byte, self._rx_free_s + self.timing.delay_s)

    def due(self) -> Due[bytes] | None:
        """The next bytes for the client, or None; they stay until `pop`."""
        return self._out[0] if self._out else None

    def pop(self) -> Due[bytes]:
        """Take the next bytes."""
        return self._out.popleft()

    def tick(self, t_s: float) -> None:
        """The supply may break down."""
        super().tick(t_s)
        if self.troubles.strikes("brownout", self.clock.at(t_s)):
            self._out.clear()
            self._line.clear()
            self._tx_free_s = t_s
            self._finish(self._reset(t_s + self.timing.reset_ms / 1000, "LV RESET"))

    def hang_up(self) -> None:
        """The client is gone: nothing more is sent to it, and half a command is forgotten."""
        self._out.clear()
        self._line.clear()
        self._rx_free_s = self._tx_free_s = 0.0
        self._done_s = 0.0
        self._interruptible = False

    def _character(self, byte: int, t_s: float) -> None:
        if self._asleep:
            self._asleep = False
            self._finish(Work(done_s=t_s + _WAKE_S))
            return
        if self._interruptible and t_s < self._done_s:
            self._interrupt(t_s)
            return
        if byte == 0x0D:
            line = bytes(self._line)
            self._line.clear()
            self._command(line, max(t_s, self._done_s))
        elif byte not in (0x00, 0x0A) and len(self._line) <= _INPUT_LIMIT:
            self._line.append(byte)

    def _interrupt(self, t_s: float) -> None:
        """A character during a request ends it; what was ready is still sent."""
        while self._out and self._out[-1].ready_s > t_s:
            self._out.pop()
        self._tx_free_s = self._out[-1].t_s - self.timing.delay_s if self._out else t_s
        self._finish(Work().say(STOPPED, t_s))

    def _put(self, text: bytes, ready_s: float) -> None:
        """To the client, one character after another, never before the line is free."""
        self._tx_free_s = max(self._tx_free_s, ready_s) + self.timing.chars_s(len(text))
        self._out.append(Due(self._tx_free_s + self.timing.delay_s, ready_s, text))

    def _finish(self, work: Work, active: frozenset[str] = frozenset(), line: bytes = b"") -> None:
        end = b"\r\n" if self.settings.linefeeds else b"\r"
        lines = work.lines
        if work.from_car:
            lines = spoil_lines(lines, active, work.done_s)
        chunks = [(ready_s, text.encode("ascii", "replace") + end) for ready_s, text in lines]
        chunks.append((work.done_s, end + PROMPT))
        if work.from_car:
            chunks = spoil_output(chunks, line, active, self._noise)
        for ready_s, data in chunks:
            self._put(data, ready_s)
        self._done_s = work.done_s
        self._interruptible = work.interruptible

    # --- commands ---

    def _command(self, line: bytes, t_s: float) -> None:
        if self.settings.echo:
            self._put(line + b"\r", t_s)
        text = re.sub(r"\s", "", line.decode("latin-1")).upper()
        if not text:
            text = self._last
        start_s = t_s + self.timing.command_ms / 1000
        if len(line) > _INPUT_LIMIT or not text:
            self._finish(Work().say(UNKNOWN, start_s) if text else Work(done_s=start_s))
            return
        self._last = text
        active = self.troubles.active(self.clock.at(t_s))
        self.ecus.mood = mood(active, self.ecus.car.ecus)
        if text.startswith("AT"):
            self._finish(self._setting(text[2:], start_s, active))
        elif re.fullmatch("[0-9A-F]+", text):
            self._finish(self._request(text, start_s, active), active, line)
        else:
            self._finish(Work().say(UNKNOWN, start_s))

    def _reset(self, t_s: float, reason: str = "") -> Work:
        """Everything as after power-up, and the banner at `t_s`."""
        self.settings = Settings()
        self.bus.forget()
        self._asleep = False
        return Work().say(reason, t_s).say(self.identity, t_s)

    def _setting(self, command: str, t_s: float, active: frozenset[str]) -> Work:
        if "false-version" in active:
            if _NEWER.fullmatch(command):
                return Work().say(UNKNOWN, t_s)
            self.identity = _FALSE_IDENTITY
        work = Work()
        if command in ("Z", "WS"):
            full = command == "Z"
            return self._reset(t_s + self.timing.reset_ms / 1000 * (1.0 if full else 0.25))
        if command == "MA" or re.fullmatch("M[RT][0-9A-F]{2}", command):
            work.done_s = float("inf")  # nothing is on the bus unasked: listen until interrupted
            work.interruptible = True
        elif command == "LP":
            work.say(OK, t_s)
            self._asleep = True
        else:
            work.say(self._say(command, t_s), t_s)
        return work

    def _say(self, command: str, t_s: float) -> str:
        """The one-line answer to a command that takes no time of its own."""
        answers = {
            "I": self.identity,
            "@1": language.DESCRIPTION,
            "@2": self._identifier or UNKNOWN,
            "DP": language.describe(self.settings),
            "DPN": ("A" if self.settings.auto_protocol else "") + self.settings.protocol,
            "CS": "T:00 R:00",
        }
        if command in answers:
            return answers[command]
        if command in ("RV", "IGN"):
            car = self.bus.car_at(t_s)
            if command == "RV":
                return f"{car.battery_v():.1f}V"
            return "ON" if car.ignition() else "OFF"
        if command == "D":
            self.settings = Settings()
        if command in ("D", "PC"):
            self.bus.forget()
        if command in ("D", "PC", "SS", "SI", "FI", "BI", "RD"):
            return OK
        if re.fullmatch("@3[!-~]{12}", command):
            self._identifier = command[2:]
            return OK
        changed = language.change(self.settings, command)
        if changed is None:
            return UNKNOWN
        if changed.protocol != self.settings.protocol:
            self.bus.forget()
        self.settings = changed
        return OK

    # --- requests to the car ---

    def _request(self, text: str, t_s: float, active: frozenset[str]) -> Work:
        count = 0
        if len(text) % 2:
            if "refuses-count" in active:
                return Work().say(UNKNOWN, t_s)
            text, count = text[:-1], int(text[-1], 16)
        if "ignores-count" in active:
            count = 0
        request = bytes.fromhex(text)
        limit = 7 if self.settings.can_format else 8
        packed = request[:1] == b"\x01" and len(request) > 2
        if not request or len(request) > limit or (packed and "refuses-packed" in active):
            return Work().say(UNKNOWN, t_s)
        work = Work(interruptible=True, from_car=True)
        protocol = PROTOCOLS.get(self.settings.protocol)
        if protocol is None:
            return self._search(work, request, count, t_s)
        return self._report(work, self._ask(work, protocol, request, count, t_s))

    def _search(self, work: Work, request: bytes, count: int, t_s: float) -> Work:
        """Try one protocol after another until something answers."""
        work.say(SEARCHING, t_s)
        for number in SEARCH_ORDER:
            protocol = PROTOCOLS[number]
            t_s += self.timing.init_s(protocol)
            if protocol is not self.bus.protocol or not self.bus.alive(t_s):
                continue
            self.settings = language.change(self.settings, "SPA" + number) or self.settings
            self.bus.opened = True
            heard = self.bus.exchange(self.settings, request, count, t_s)
            if heard.lines:
                return self._report(work, heard)
            self.settings = language.change(self.settings, "SP0") or self.settings
        return work.say(UNABLE, t_s)

    def _ask(
        self, work: Work, protocol: BusProtocol, request: bytes, count: int, t_s: float
    ) -> Heard:
        """One request on a protocol that is set, with the start of communication if needed."""
        speaks = protocol is self.bus.protocol and self.bus.alive(t_s)
        if protocol.kind == "kline" and not self.bus.opened:
            t_s += self.timing.init_s(protocol)
            if not speaks:
                return Heard([(t_s, "BUS INIT: ERROR")], t_s)
            work.say("BUS INIT: " + (OK if protocol.fast_init else "...OK"), t_s)
        self.bus.opened = True
        if not speaks:
            if protocol.is_can and not self.bus.awake(t_s, protocol):
                t_s += self.timing.try_ms / 1000
                return Heard([(t_s, "CAN ERROR")], t_s)
            t_s += self.bus.timeout_s(self.settings)
            return Heard([], t_s)
        return self.bus.exchange(self.settings, request, count, t_s)

    def _report(self, work: Work, heard: Heard) -> Work:
        for t_s, text in heard.lines:
            work.say(text, t_s)
        if not heard.lines and self.settings.responses:
            work.say(NO_DATA, heard.done_s)
        work.done_s = max(work.done_s, heard.done_s)
        return work
