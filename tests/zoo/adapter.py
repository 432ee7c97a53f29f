"""The text layer: an adapter's command language, from commands with times to texts with times."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass

from tests.zoo.bus import BYTE_MS, GAP_MS, Bus, Frame, Message, Round
from tests.zoo.grammar import Adapter, Peer, Wire

DEFAULT_WAIT_S = 0.2
PENDING_WAIT_S = 5.0
FLOW_S = 0.001


def least_wait_s(peer: Peer) -> float:
    """The shortest wait for further replies that the adapter can be brought to, in its steps of
    4 ms, so that no ECU of this car is cut off."""
    assert peer.adapter is not None
    slowest_s = max(ecu.latency_ms[1] for ecu in peer.car.ecus) / 1000
    if not peer.car.is_can:
        slowest_s += 11 * BYTE_MS[peer.car.protocol] / 1000  # the longest frame
    elif peer.car.most > 1:
        slowest_s = max(slowest_s, peer.car.separation_ms / 1000)
    if not peer.adapter.adaptive:  # nobody tells a client that no ECU will take its time
        p2_s = 0.1 if peer.car.protocol in "12" else 0.052
        wait_s = max(slowest_s + 0.004, p2_s) if peer.adapter.settable_wait else DEFAULT_WAIT_S
        return min(DEFAULT_WAIT_S, wait_s)
    return min(DEFAULT_WAIT_S, 0.004 * (int(slowest_s / 0.004) + 3))


@dataclass(frozen=True, slots=True)
class Out:
    """Characters that are with the client at `t_s`."""

    t_s: float
    text: bytes
    during: Round
    """What they belong to; it ends with the last of them."""


class TextAdapter:
    """The adapter of `peer`, on its `bus`. Feed it what comes, send what is due."""

    def __init__(self, peer: Peer, bus: Bus) -> None:
        assert peer.adapter is not None
        self.peer, self.bus = peer, bus
        self.is_a: Adapter = peer.adapter
        self.wire: Wire = peer.wire
        self.random = random.Random(peer.seed + 1)
        self.outs: deque[Out] = deque()
        self.said: list[tuple[float, str]] = []
        """What was asked, for a breach's trace."""
        self._typed = b""
        self._last = ""
        self._during = Round(0.0)
        self._free_s = self._busy_s = self._quiet_s = 0.0
        self._asking = False
        self._in_flight: list[Frame] = []
        self._reset()

    def _reset(self) -> None:
        self._echo = self._linefeeds = self._spaces = True
        self._headers = False
        self._wait = "1"
        self._timeout_s = DEFAULT_WAIT_S
        self._protocol, self._automatic, self._found = "0", True, False
        self._to = ""

    # --- in ---

    def hear(self, data: bytes, now_s: float) -> None:
        """Characters arrive."""
        for byte in data:
            if now_s < self._busy_s:
                self._interrupted(now_s)
                continue
            if byte == 0x0D:
                line, self._typed = self._typed, b""
                self._command(line, now_s)
            elif byte not in b"\n\0":
                self._typed += bytes((byte,))

    def _interrupted(self, now_s: float) -> None:
        """A character while something is under way is lost; a request is given up for it."""
        if self._asking and self.is_a.interrupted:
            while self.outs and self.outs[-1].t_s > now_s:
                self.outs.pop()
            self._free_s, self._asking = now_s, False
            self._print(self.is_a.interrupted, now_s)
            self._prompt(now_s)
            self._busy_s = now_s  # what follows is a command of its own

    def _command(self, line: bytes, now_s: float) -> None:
        start_s = now_s + self._chars_s(len(line) + 1) + self.wire.delay_ms / 1000
        self._during = Round(now_s)
        self._free_s, self._asking = max(self._free_s, start_s), False
        text = line.decode("latin-1").replace(" ", "").upper()
        if self._echo:
            self._put(line + b"\r" + (b"\n" if self._linefeeds else b""), start_s)
        if not text and self.is_a.repeats:
            text = self._last
        elif text:
            self._last = text
        self.said.append((now_s, text))
        start_s += self.is_a.command_ms / 1000
        if text.startswith("AT"):
            answer = self._setting(text[2:])
            if text in ("ATZ", "ATWS") and answer != "?":
                start_s += self.is_a.reset_ms / 1000
                self._put(b"\r\r", start_s)
            if answer:
                self._print(answer, start_s)
            self._prompt(start_s)
        elif text:
            self._request(text, start_s)
        else:
            self._prompt(start_s)

    # --- settings ---

    def _setting(self, text: str) -> str:
        is_a = self.is_a
        if text == "Z" or (text == "WS" and is_a.warm_start):
            self._reset()
            return is_a.name
        if text == "D":
            self._reset()
            return "OK"
        if text == "RV":
            return is_a.voltage
        if text in ("I", "@1"):
            return is_a.name
        if text == "DPN":
            shown = self.bus.car.protocol if self._found else self._protocol
            return "A" * self._automatic + shown
        if text[:2] in ("SP", "TP") and len(text) in (3, 4):
            return self._set_protocol(text)
        if text[:2] == "SH":
            return self._aim(text[2:])
        if text[:1] in "ELSH" and text[1:] in ("0", "1"):
            return self._set_look(text[0], text[1] == "1")
        if text in ("AT0", "AT1", "AT2") and is_a.adaptive:
            self._wait = text[2]
            return "OK"
        if text[:2] == "ST" and is_a.settable_wait:
            self._timeout_s = 0.004 * (int(text[2:], 16) or 50)
            return "OK"
        known = ("CAF0", "CAF1", "PC", "LP", "AL", "M0", "M1")
        return "OK" if text in known or text[:2] in ("CP", "CF", "CM", "CR") else "?"

    def _set_look(self, what: str, on: bool) -> str:
        behaves = {
            "E": self.is_a.echo, "L": self.is_a.linefeeds,
            "S": self.is_a.spaces, "H": self.is_a.headers,
        }[what]  # fmt: skip
        if behaves == "refuses":
            return "?"
        if behaves == "obeys":
            name = {"E": "_echo", "L": "_linefeeds", "S": "_spaces", "H": "_headers"}[what]
            setattr(self, name, on)
        return "OK"

    def _set_protocol(self, text: str) -> str:
        if text[0] == "T" and not self.is_a.tries:
            return "?"
        number = text[-1]
        if number not in "0123456789A":
            return "?"
        self._automatic = number == "0" or len(text) == 4
        self._protocol, self._found = number, False
        return "OK"

    def _aim(self, address: str) -> str:
        if not self.is_a.aims:
            return "?"
        physical = {
            **{f"{0x7E0 + n:03X}": f"{0x7E8 + n:03X}" for n in range(8)},
            **{f"DA{n:02X}F1": f"18DAF1{n:02X}" for n in range(256)},
        }
        self._to = physical.get(address, "")
        return "OK"

    # --- requests ---

    def _request(self, text: str, start_s: float) -> None:
        count = None
        if len(text) % 2:
            if self.is_a.count != "refuses":
                count = int(text[-1], 16) if text[-1] in "0123456789ABCDEF" else None
                text = text[:-1]
            if self.is_a.count == "ignores":
                count = None
        try:
            payload = bytes.fromhex(text)
        except ValueError:
            payload = b""
        if not 0 < len(payload) <= self.is_a.most_bytes:
            self._print("?", start_s)
            self._prompt(start_s)
            return
        if self.random.random() < self.is_a.resets:
            self._reset()
            self._put(b"\r\r", start_s + self.is_a.reset_ms / 1000)
            self._print(self.is_a.name, start_s + self.is_a.reset_ms / 1000)
            self._prompt(start_s + self.is_a.reset_ms / 1000)
            return
        self._asking = True
        reached_s = self._reach(start_s)
        if reached_s is None:
            return
        self._prompt(self._exchange(payload, count, reached_s))

    def _reach(self, start_s: float) -> float | None:
        """When the bus can be used, its start told; None where the protocol set is not the car's:
        then that is told."""
        car = self.bus.car
        if self._found:
            return max(start_s, self._quiet_s + GAP_MS.get(car.protocol, 0.0) / 1000)
        if self._automatic and self._protocol != car.protocol:
            self._found = True
            self._put(self.is_a.searching.encode(), start_s)
            return start_s + self.is_a.search_ms / 1000
        if self._protocol == car.protocol:
            self._found = True
            if car.protocol in "345":
                self._put(b"BUS INIT: ", start_s)
                self._put(b"...OK\r", start_s + 0.3)
                return start_s + 0.3
            return start_s
        text = "CAN ERROR" if self._protocol in "6789" else "NO DATA"
        if self._protocol in "345":
            text = "BUS INIT: ...ERROR"
        self._print(text, start_s + 0.3)
        self._prompt(start_s + 0.3)
        return None

    def _exchange(self, payload: bytes, count: int | None, at_s: float) -> float:
        """Print what comes; gives when the adapter stops listening."""
        is_can = self.bus.car.is_can
        sent_s = at_s + self.bus.frame_s
        frames = [frame for frame in self._in_flight if frame.t_s > at_s]
        for message in self.bus.replies(payload, self._to, sent_s, self._during):
            frames += self._frames(message)
        frames.sort(key=lambda frame: frame.t_s)
        wait_s = self._wait_s()
        until_s, seen, waiting = sent_s + wait_s, 0, set()
        most = max(self.is_a.most_frames, len(self.bus.car.ecus))
        end_s: float | None = None
        while frames and end_s is None and frames[0].t_s <= until_s:
            frame = frames.pop(0)
            self._quiet_s = frame.t_s
            if seen >= most:
                self._print("BUFFER FULL", frame.t_s)
                end_s = frame.t_s
                break
            self._print(self._shown(frame), frame.t_s)
            is_pending = self._is_pending(frame) and self.is_a.waits_pending
            seen += not is_pending
            waiting = waiting | {frame.ecu} if is_pending else waiting - {frame.ecu}
            until_s = frame.t_s + (PENDING_WAIT_S if waiting else wait_s)
            if count and seen >= count and not waiting:
                end_s = frame.t_s
        self._in_flight = frames if is_can else []
        if end_s is None:
            end_s = until_s
        if not seen and not waiting:
            self._print("NO DATA", end_s)
        return end_s

    def _frames(self, message: Message) -> list[Frame]:
        if not self.bus.car.is_can:
            return [self.bus.old_frame(message)]
        frames = self.bus.can_frames(message, FLOW_S)
        return frames if self.is_a.long_messages else frames[:1]

    @staticmethod
    def _is_pending(frame: Frame) -> bool:
        data = frame.data[1:4] if len(frame.data) <= 8 and frame.data[0] == 3 else frame.data[3:6]
        return data[:1] == b"\x7f" and data[2:] == b"\x78"

    def _wait_s(self) -> float:
        """For the next frame: what it has learned of this car, or what was set."""
        if self._wait == "0" or not self.is_a.adaptive:
            return self._timeout_s
        least_s = least_wait_s(self.peer)
        return min(self._timeout_s, least_s if self._wait == "2" else 2 * least_s)

    def _shown(self, frame: Frame) -> str:
        data, blank = frame.data, " " if self._spaces else ""
        if not self.bus.car.is_can:
            return blank.join(f"{byte:02X}" for byte in (data if self._headers else data[3:-1]))
        if self._headers:
            head = [frame.ecu] if len(frame.ecu) == 3 else [
                frame.ecu[at : at + 2] for at in range(0, 8, 2)
            ]  # fmt: skip
            return blank.join([*head, *(f"{byte:02X}" for byte in data)])
        kind = data[0] >> 4
        shown = {0: data[1 : 1 + (data[0] & 0x0F)], 1: data[2:]}.get(kind, data[1:])
        text = blank.join(f"{byte:02X}" for byte in shown)
        if kind == 1:
            end = "\r\n" if self._linefeeds else "\r"
            return f"{(data[0] & 0x0F) << 8 | data[1]:03X}{end}0:{blank}{text}"
        return f"{data[0] & 0x0F:X}:{blank}{text}" if kind == 2 else text

    # --- out ---

    def _chars_s(self, characters: int) -> float:
        return 10 * characters / self.wire.baud if self.wire.baud else 0.0

    def _print(self, text: str, t_s: float) -> None:
        self._put(text.encode() + (b"\r\n" if self._linefeeds else b"\r"), t_s)

    def _prompt(self, t_s: float) -> None:
        prompt = self.is_a.prompt.encode()
        self._put(prompt.replace(b"\r", b"\r\n") if self._linefeeds else prompt, t_s)
        self._busy_s = self._free_s

    def _put(self, text: bytes, t_s: float) -> None:
        """Characters leave one after another from `t_s` on, in pieces, some damaged."""
        self._free_s = max(self._free_s, t_s)
        size = self.wire.chunk or len(text) or 1
        for at in range(0, len(text), size):
            part = text[at : at + size]
            self._free_s += self._chars_s(len(part))
            self.outs.append(
                Out(self._free_s + self.wire.delay_ms / 1000, self._damaged(part), self._during)
            )

    def _damaged(self, text: bytes) -> bytes:
        wire, checked = self.wire, not self.bus.car.is_can and self._headers and self._asking
        if not (wire.lost or wire.flipped or self.is_a.nulls):
            return text
        found = bytearray()
        for byte in text:
            if self.random.random() < self.is_a.nulls:
                found.append(0)
            if self.random.random() < wire.lost:
                continue
            flipped = self.random.random() < wire.flipped
            bit = self.random.randrange(8) if checked else 7
            found.append(byte ^ (1 << bit) if flipped else byte)
        return bytes(found)
