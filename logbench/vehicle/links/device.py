"""The adapter itself: its name, its settings, its sleep; one command, one reply, always in step.

Start-up verifies each step and waits for the prompt, never for a fixed time.
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable, Iterator, Sequence

from logbench.errors import AdapterMuteError, LinkLostError, ReplyError
from logbench.foreign import Foreign, fill
from logbench.system.limits import REPLY_BYTES
from logbench.vehicle.framing import request_address
from logbench.vehicle.gate import NONSENSE, LineGate, Permit
from logbench.vehicle.link import PENDING_LIMIT_S, PENDING_TOTAL_S, WIRE
from logbench.vehicle.links.dialect import lines_of, status_of
from logbench.vehicle.links.waiting import Wait
from logbench.vehicle.model import Progress, Protocol
from logbench.vehicle.patience import Patience

log = logging.getLogger(__name__)

PROMPT = b">"
RESYNC_TIMEOUT_S = 1.0
QUIET_S = 0.1
"""Without a further prompt for so long, requests and replies are in step again."""
DRAIN_S = 5.0
"""An adapter that does not stop sending for so long is not waited for."""
CHECK_S = 0.1
_PENDING = re.compile(rb"7F ?[0-9A-F]{2} ?78")
_IDLE = b"\0\r\n >"
"""What an adapter may say when it waits for a command."""
_LINE_ENDS = re.compile(rb"[\r\n]")

LISTEN_S = 0.2
"""Between two readings that only make the adapter listen (our choice)."""

PROMPT_S = 1.5
"""After a line of a reply, for another line or the prompt: adapters wait a second at most."""
_REPLY = re.compile(rb"[0-9A-F :]{4,}", re.IGNORECASE)


def _answered(reply: bytes, command: str) -> bool:
    """Whether a whole line of a reply has come, other than the echo of the command."""
    whole, _, _ = reply.replace(b"\n", b"\r").rpartition(b"\r")
    echo = command.encode()
    return any(_REPLY.fullmatch(x) and x.replace(b" ", b"") != echo for x in lines_of(whole))


Heard = Callable[[bytes, int], None]
"""Gets a line, without empty ones and noise, and when it came, in ns of the monotonic clock."""


Hears = Callable[[bytes, int], Sequence[tuple[str, bytes]]]
"""As `Heard`, and gives what ECUs said about the request in it."""


class Talk:
    """The conversation with an adapter behind `gate`. All methods raise LinkLostError with the
    port, ValueError for what may not leave.

    `check` is called every 0.1 s of waiting; what it raises ends the waiting.
    """

    def __init__(self, gate: LineGate, check: Callable[[], None] | None = None) -> None:
        self.gate = gate
        self._check = check or (lambda: None)
        self.sent_ns = 0
        """When the last command left."""
        self.pieces: list[tuple[bytes, int]] = []
        """The last reply as it came, with the times in ns."""
        self.idle_s = 0.0
        """Between the last line of the last reply and its prompt."""
        self._talks_on = False
        """Something followed the last prompt: it was none."""
        self.flooded = False
        """The last reply was longer than any can be."""

    def say(
        self, command: str, timeout_s: float, sent: Callable[[], None] | None = None
    ) -> bytes | None:
        """Send a command, call `sent`, give all bytes up to the prompt; None: too late."""
        self._throw_away(command)
        self.sent_ns = time.monotonic_ns()
        self.gate.command(command)
        if sent is not None:
            sent()
        reply = self.read_to_prompt(timeout_s, command)
        log.log(WIRE, "%s -> %r", command, reply)
        return reply

    def change(self, permit: Permit, waiting: Patience, heard: Heard, reading: str) -> bool:
        """Send what is permitted; then only wait, handing over every line as it comes. False: no
        prompt.

        An adapter listens no longer than a request of its own lasts: where it gives its prompt
        while an ECU is still to answer, `reading`, a request that changes nothing, makes it listen
        on."""
        command = permit.payload.hex().upper()
        self._throw_away(command)
        self.gate.command(command, permit)
        buffer, prompted, listening, asked_s = b"", False, False, time.monotonic()
        while (left_s := waiting.until_s - time.monotonic()) > 0:
            if prompted and time.monotonic() > asked_s + LISTEN_S:
                self.gate.command(reading)
                prompted, listening, asked_s = False, True, time.monotonic()
            chunk = self.gate.read(min(left_s, CHECK_S))
            head, prompt, _ = chunk.partition(PROMPT)
            *lines, buffer = _LINE_ENDS.split((buffer + head)[-REPLY_BYTES:])
            if prompt:
                prompted = True
                lines.append(buffer)
            for line in lines_of(b"\r".join(lines)):
                log.log(WIRE, "%s -> %r", command, line)
                if not listening or status_of(line.decode("ascii", "replace")) is None:
                    heard(line, time.monotonic_ns())
            if prompted and not waiting.pending:
                break
        return prompted

    def read_to_prompt(self, timeout_s: float, command: str = "") -> bytes | None:
        """All bytes up to the prompt; None when it does not come in time.

        Longer than `timeout_s`, while an ECU has said 'response pending'; not so long, when a reply
        to `command` has come and nothing follows: the prompt got lost.
        """
        buffer, self.flooded, self.pieces = b"", False, []
        now_s = data_s = time.monotonic()
        deadline = now_s + timeout_s
        while now_s < deadline:
            chunk = self.gate.read(min(deadline - now_s, CHECK_S))
            now_s = time.monotonic()
            if not chunk:
                self._check()
                if _PENDING.search(buffer) and timeout_s < PENDING_LIMIT_S:
                    deadline += PENDING_LIMIT_S - timeout_s
                    timeout_s = PENDING_LIMIT_S
                elif now_s > data_s + PROMPT_S and _answered(buffer, command):
                    break
                continue
            buffer += chunk
            self.pieces.append((chunk, time.monotonic_ns()))
            if PROMPT in chunk:
                self.idle_s = now_s - data_s
                said, _, more = buffer.partition(PROMPT)
                self._talks_on = bool(more.strip(_IDLE))
                return said
            data_s = now_s
            if len(buffer) > REPLY_BYTES:
                self.flooded = True
                break
        log.debug("no prompt, only %r", buffer[-200:])
        return None

    def get_in_step(self) -> bool:
        """Bring the adapter back to its prompt; False when nothing answers any more."""
        for _ in range(2):
            if self.flooded and not self._drained():
                return False
            if self.say("ATI", RESYNC_TIMEOUT_S) is None:
                continue
            for _ in range(20):
                if self.read_to_prompt(QUIET_S) is None:
                    return True
        return False

    def rest(self, seconds: float) -> None:
        """Wait without a word; what comes is thrown away."""
        end_s = time.monotonic() + seconds
        while (left_s := end_s - time.monotonic()) > 0:
            self.gate.read(min(left_s, CHECK_S))
            self._check()

    def _throw_away(self, command: str) -> None:
        """What still comes answers nothing that follows; an adapter that talks is let finish, since
        it would swallow the first character."""
        stale = self.gate.read(0.0)
        if stale:
            log.debug("thrown away before %s: %r", command, stale[:200])
        if self._talks_on or stale.strip(_IDLE):
            self._talks_on = False
            self._drained()

    def _drained(self) -> bool:
        """Throw away what comes until it stops; False where it does not."""
        end_s = time.monotonic() + DRAIN_S
        while time.monotonic() < end_s:
            if not self.gate.read(QUIET_S):
                return True
            self._check()
        return False


START_TIMEOUT_S = 6.0
"""Adapters take up to some seconds to start anew (common practice, no source)."""
SETTING_TIMEOUT_S = 1.0
CLOSE_TIMEOUT_S = 0.3
_SETTINGS = ("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATCAF1")
_VOLTS = re.compile(r"^(\d{1,2}(?:\.\d+)?)\s*V?$", re.IGNORECASE)


class Device:
    """One adapter. Opened anew after `close`, it still knows the settings that were found best.

    What is sent to it raises LinkLostError with the port, ReplyError when no reply comes in time.
    """

    def __init__(self, check: Callable[[], None], sent: Callable[[], None]) -> None:
        """`check` is called every 0.1 s of waiting, `sent` when a command is on its way."""
        self._check, self._sent = check, sent
        self._talk: Talk | None = None
        self._asleep = False
        self.hurried = False
        """Whether the adapter waits as briefly as it can for further replies."""
        self._wait = Wait()
        self.aimed: str | None = None
        """The ECU that requests go to; None: all of them."""
        self._aim_lost = False
        """The adapter may have forgotten it, and go to all of them."""
        self.name = ""
        self.number = ""
        """Of the bus protocol in use; '' while none is found."""
        self.last = ""
        """The request that a lone carriage return repeats; '' where that is not sure."""
        self.is_set_up = False
        self.echoes = False
        """What is sent comes back in front of the reply, although that was switched off."""
        self._echoed = False

    # --- start and end ---

    def open(self, gate: LineGate, progress: Progress) -> None:
        """Find the adapter and set it up; raises AdapterMuteError."""
        self._talk = Talk(gate, self._check)
        self.last, self.aimed, self._aim_lost, self._asleep = "", None, False, False
        progress("Looking for the adapter")
        self._wake()
        progress(fill("Setting up the adapter ({name})", name=self.name))
        self._set_up()
        self.is_set_up = True

    def close(self) -> None:
        """Undo the settings and let go of the port."""
        talk, self._talk = self._talk, None
        self.is_set_up = False
        if talk is None:
            return
        try:
            # a sleeping adapter is left asleep; the wish to save power outweighs its settings
            for command in () if self._asleep else ("ATPC", "ATD"):
                talk.say(command, CLOSE_TIMEOUT_S)
        finally:
            talk.gate.close()

    def _wake(self) -> None:
        """A warm start, or a full one where that is not known; learns the adapter's name."""
        for command in ("ATWS", "ATZ"):
            try:
                lines = self.ask(command, START_TIMEOUT_S)
            except ReplyError:
                continue
            words = [line for line in lines if line.upper() != command and not status_of(line)]
            if words:
                self.name = Foreign(words[-1][:60])
                return
        raise AdapterMuteError(
            "Something is connected, but no adapter answers: check that it is an adapter with the "
            "common command language, that it has power, and that the speed is right."
        )

    def _set_up(self) -> None:
        for command in _SETTINGS:
            if not self.accepts(command):
                log.info("the adapter refuses %s", command)
        if self.hurried or self._wait.told:
            self.wait_as_usual()
        self.echoes = self.echoes or self._echoed

    def restore(self) -> None:
        """Set the adapter up again after it has restarted by itself."""
        log.info("setting the adapter up again")
        self.last, self._aim_lost = "", True
        self._set_up()
        if self.number:
            self.ask_twice(f"ATTP{self.number}")

    # --- settings ---

    def ask_twice(self, command: str, timeout_s: float = SETTING_TIMEOUT_S) -> list[str]:
        """Lines of the reply, asked once more where none came."""
        try:
            return self.ask(command, timeout_s)
        except ReplyError:
            return self.ask(command, timeout_s)

    def accepts(self, command: str) -> bool:
        """Whether the adapter takes a setting, asked again where it seems to refuse: a character
        may have been damaged on the way."""
        return "OK" in self.ask_twice(command) or "OK" in self.ask_twice(command)

    def voltage(self) -> float | None:
        """Volts at the diagnostic connector; None when the adapter cannot measure."""
        for line in self.ask_twice("ATRV"):
            match = _VOLTS.match(line)
            if match:
                return float(match[1])
        return None

    def sleep(self) -> None:
        """Close the protocol and put the adapter into its low-power state."""
        if self._asleep:
            return
        self.ask("ATPC", SETTING_TIMEOUT_S)
        self._aim_lost = True
        self._asleep = "OK" in self.ask("ATLP", SETTING_TIMEOUT_S)

    def hurry(self) -> None:
        """Without a reply count the adapter waits for more: make its learned wait a short one."""
        if not self.hurried:
            self.hurried = True
            self._wait.learned_by_adapter = self.accepts("ATAT2")

    def shorten(self, reply_s: float, longest_s: float) -> None:
        """A reply has come within `reply_s` of its request, where the standard allows `longest_s`:
        an adapter that is in a hurry and cannot learn from that is told how long to wait."""
        if self.hurried and self._wait.take(reply_s, longest_s):
            self.ask_twice(self._wait.command)

    def wait_as_usual(self) -> None:
        """After a longer wait, or a restart."""
        self.ask_twice(self._wait.command)
        self.ask_twice("ATAT2" if self.hurried else "ATAT1")

    def aim(self, to: str | None, protocol: Protocol) -> None:
        """Address one ECU or, with None, all of them."""
        lost = self._aim_lost and self.aimed is not None
        if to == self.aimed and not lost:
            return
        if to is not None:
            address = request_address(to)
        elif protocol.id_bits == 29:
            address = "18DB33F1"
        else:
            address = "7DF"
        if len(address) == 8:
            self.ask_twice(f"ATCP{address[:2]}")
        if not self.accepts(f"ATSH{address[-6:]}"):
            raise ReplyError("The adapter refuses to address a single ECU.")
        self.aimed, self._aim_lost = to, False

    # --- commands ---

    def ask(self, command: str, timeout_s: float) -> list[str]:
        """Lines of the reply as text; the echo is left out."""
        self.last = ""
        lines, _, _ = self.say(command, timeout_s)
        texts = [line.decode("ascii", "replace") for line in lines]
        rest = [text for text in texts if text.replace(" ", "").upper() != command]
        self._echoed = len(rest) < len(texts)
        return rest

    def may_repeat(self, command: str) -> bool:
        """Whether 'the same again' is that command."""
        return command == self.last and self._talk is not None and self._talk.gate.may_repeat

    def say(self, command: str, timeout_s: float) -> tuple[list[bytes], int, int]:
        """Send one command and read up to the prompt: lines, characters sent and received."""
        if self._talk is None:
            raise LinkLostError("The link is closed: connect it again.")
        if self._asleep:
            self._rouse(self._talk)
        reply = self._talk.say(command, timeout_s, self._sent)
        if reply is None:
            flooded = self._talk.flooded
            self.resync()
            raise ReplyError(
                f"The adapter sent {REPLY_BYTES:,} characters without an end; they are dropped."
                if flooded
                else "The adapter took too long to answer."
            )
        return lines_of(reply), len(command) + 1, len(reply)

    def rest(self, seconds: float) -> None:
        """Wait without a word to the adapter."""
        if self._talk is not None:
            self._talk.rest(seconds)

    def change(self, permit: Permit, timeout_s: float, hears: Hears, reading: str) -> None:
        """Send what is permitted, once, and wait as `Talk.change`: `timeout_s`, and longer for
        an ECU that says 'response pending'. Then see that the adapter is in step."""
        if self._talk is None:
            raise LinkLostError("The link is closed: connect it again.")
        self.last = ""
        waiting = Patience(
            time.monotonic(),
            first_s=timeout_s,
            more_s=timeout_s,
            usual_s=PENDING_TOTAL_S,
        )

        def heard(line: bytes, t_ns: int) -> None:
            for ecu, data in hears(line, t_ns):
                waiting.hears(ecu, data, t_ns / 1e9)

        if not self._talk.change(permit, waiting, heard, reading):
            self.resync()

    def heard(self) -> Iterator[tuple[list[bytes], int]]:
        """The last reply as it grew: the lines that were whole so far, and the time in ns."""
        reply = b""
        for piece, at_ns in self._talk.pieces if self._talk is not None else ():
            reply += piece.partition(PROMPT)[0]
            whole, _, _ = reply.replace(b"\n", b"\r").rpartition(b"\r")
            yield lines_of(whole), at_ns

    @property
    def sent_ns(self) -> int:
        """When the last command left."""
        return self._talk.sent_ns if self._talk is not None else 0

    @property
    def first_ns(self) -> int:
        """When the first piece of the last reply came."""
        return self._talk.pieces[0][1] if self._talk is not None and self._talk.pieces else 0

    @property
    def idle_s(self) -> float:
        """Between the last line of the last reply and its prompt."""
        return self._talk.idle_s if self._talk is not None else 0.0

    def resync(self) -> None:
        """Bring the adapter back to its prompt; LinkLostError when nothing answers any more."""
        self.last = ""
        talk = self._talk
        if talk is not None and talk.get_in_step():
            return
        if talk is not None and talk.flooded:
            raise LinkLostError(
                "The adapter sends without end: unplug it and plug it in again; connecting again."
            )
        if self.is_set_up:
            raise LinkLostError(
                "The adapter no longer answers: check that it is plugged in and in range; "
                "connecting again."
            )

    def _rouse(self, talk: Talk) -> None:
        """Any character wakes a sleeping adapter; what it still knows then differs: set it up."""
        self._asleep = False
        talk.say(NONSENSE, START_TIMEOUT_S)
        self.resync()
        self.restore()
