"""Commands and prompts over a byte port: one command, one reply, always in step."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable
from typing import Protocol

from logbench.vehicle.link import PENDING_LIMIT_S, WIRE

log = logging.getLogger(__name__)

PROMPT = b">"
NONSENSE = "\x7f\x7f"
"""Gets a prompt out of any adapter without repeating an earlier command, as a lone carriage return
would; two, because the first character may get lost."""
RESYNC_TIMEOUT_S = 1.0
QUIET_S = 0.1
"""Without a further prompt for so long, requests and replies are in step again."""
CHECK_S = 0.1
_TOO_MUCH = 65_536
_PENDING = re.compile(rb"7F ?[0-9A-F]{2} ?78")


class BytePort(Protocol):
    """A stream of bytes to the adapter. `read` and `write` raise LinkLostError when it is gone."""

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """Whatever is there, waiting at most `timeout_s` for the first byte; b'' when nothing."""
        ...

    def drain(self) -> bytes:
        """Throw away (and return) what has arrived so far, without waiting."""
        ...

    def close(self) -> None:
        """Let go. May be called twice."""
        ...


class Talk:
    """The conversation with an adapter at `port`. All methods raise LinkLostError with the port.

    `check` is called every 0.1 s of waiting; what it raises ends the waiting.
    """

    def __init__(self, port: BytePort, check: Callable[[], None] | None = None) -> None:
        self.port = port
        self._check = check or (lambda: None)
        self.idle_s = 0.0
        """Between the last line of the last reply and its prompt."""

    def say(
        self, command: str, timeout_s: float, sent: Callable[[], None] | None = None
    ) -> bytes | None:
        """Send a command, call `sent`, give all bytes up to the prompt; None: too late."""
        stale = self.port.drain()
        if stale:
            log.debug("thrown away before %s: %r", command, stale[:200])
        self.port.write(command.encode("ascii") + b"\r")
        if sent is not None:
            sent()
        reply = self.read_to_prompt(timeout_s)
        log.log(WIRE, "%s -> %r", command, reply)
        return reply

    def read_to_prompt(self, timeout_s: float) -> bytes | None:
        """All bytes up to the prompt; None when it does not come in time.

        Longer than `timeout_s`, while an ECU has said 'response pending'.
        """
        buffer = b""
        now_s = data_s = time.monotonic()
        deadline = now_s + timeout_s
        while now_s < deadline:
            chunk = self.port.read(min(deadline - now_s, CHECK_S))
            now_s = time.monotonic()
            if not chunk:
                self._check()
                if _PENDING.search(buffer) and timeout_s < PENDING_LIMIT_S:
                    deadline += PENDING_LIMIT_S - timeout_s
                    timeout_s = PENDING_LIMIT_S
                continue
            buffer += chunk
            if PROMPT in chunk:
                self.idle_s = now_s - data_s
                return buffer[: buffer.index(PROMPT)]
            data_s = now_s
            if len(buffer) > _TOO_MUCH:
                break
        log.debug("no prompt, only %r", buffer[-200:])
        return None

    def get_in_step(self) -> bool:
        """Bring the adapter back to its prompt; False when nothing answers any more."""
        for _ in range(2):
            if self.say("ATI", RESYNC_TIMEOUT_S) is None:
                continue
            for _ in range(20):
                if self.read_to_prompt(QUIET_S) is None:
                    return True
        return False
