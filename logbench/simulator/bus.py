"""The vehicle bus as the adapter sees it: a request out, lines of replies back with their times."""

from __future__ import annotations

from dataclasses import dataclass, field

from logbench.simulator.ecu import NEGATIVE, PENDING, Ecus
from logbench.simulator.model import CarSource
from logbench.simulator.protocols import (
    FUNCTIONAL_11,
    FUNCTIONAL_29,
    BusProtocol,
    checksum,
    node_address,
    reply_header,
    request_header,
    request_id,
    response_id,
    segment,
)
from logbench.simulator.settings import Settings
from logbench.simulator.timing import Arrival, CarClock, Sending, can_arrivals, frame_s

PENDING_TIMEOUT_S = 5.0
"""P2* of ISO 15765-3: how long an answer may take after 'response pending'."""

_BUS_SLEEPS_S = 5.0


@dataclass(slots=True)
class Heard:
    """Lines as the adapter prints them, when each is ready, and when the waiting is over."""

    lines: list[tuple[float, str]] = field(default_factory=list)
    done_s: float = 0.0


class Bus:
    """The diagnostic bus of one car: who answers, in which frames, and when."""

    def __init__(self, ecus: Ecus, protocol: BusProtocol, clock: CarClock) -> None:
        self.ecus = ecus
        self.protocol = protocol
        self.clock = clock
        self.opened = False
        """Whether communication was started (the K-line needs it)."""
        self._free_s = 0.0
        self._learned_s: float | None = None
        self._key_seen_s = float("-inf")

    def car_at(self, t_s: float) -> CarSource:
        """The car, moved to the moment `t_s` of the monotonic clock."""
        self.ecus.car.advance(self.clock.at(t_s))
        return self.ecus.car

    def alive(self, t_s: float) -> bool:
        """Whether anybody would answer at `t_s`: the key is on."""
        car = self.car_at(t_s)
        if car.ignition():
            self._key_seen_s = t_s
            return True
        self.clock.start(t_s)  # a drive that starts with the key off must get going
        return False

    def awake(self, t_s: float, protocol: BusProtocol) -> bool:
        """Whether CAN frames are still acknowledged: for some seconds after key-off."""
        return protocol is self.protocol and t_s - self._key_seen_s < _BUS_SLEEPS_S

    def forget(self) -> None:
        """Close the communication; what was learned about answering times is lost."""
        self.opened = False
        self._learned_s = None

    def timeout_s(self, settings: Settings) -> float:
        """How long the adapter waits for a (further) answer now."""
        longest = settings.timeout_4ms * 0.004
        if settings.adaptive == 0 or self._learned_s is None:
            return longest
        factor, spare_s = ((1.5, 0.024), (1.2, 0.012))[settings.adaptive - 1]
        return min(longest, self._learned_s * factor + spare_s)

    def exchange(self, settings: Settings, request: bytes, count: int, t_s: float) -> Heard:
        """Send `request` in the bus's protocol; print what comes until `count` frames are there or
        time is up.

        `count` 0: until the timeout. An adapter that does not wait for replies prints nothing.
        """
        if self.ecus.starts_clock(request if settings.can_format else request[1:]):
            self.clock.start(t_s)
        self.car_at(t_s)
        ask = self._can if self.protocol.is_can else self._older
        arrivals, sent_s = ask(settings, request, t_s)
        if not settings.responses:
            return Heard([], sent_s)
        return self._collect(settings, arrivals, count, sent_s)

    # --- CAN ---

    def _can(self, settings: Settings, request: bytes, t_s: float) -> tuple[list[Arrival], float]:
        sent_s = t_s + frame_s(self.protocol)
        if not settings.can_format:  # the client puts the length byte itself
            request = request[1 : 1 + (request[0] & 0x0F)] if request[0] < 8 else b""
        known, target = self._target(settings)
        answers = self.ecus.ask(request, can=True, target=target) if known else []
        sendings = [
            Sending(answer.ecu, tuple(segment(message)), sent_s + after_s)
            for answer in answers
            for after_s, message in answer.messages
        ]
        allowed = settings.flow_control and self._flows(settings, sendings)
        return can_arrivals(self.protocol, sendings, allowed), sent_s

    def _target(self, settings: Settings) -> tuple[bool, str | None]:
        """Whether anyone listens to the header set, and the one ECU it addresses (None: all)."""
        wide = self.protocol.id_bits == 29
        if not settings.header:
            return True, None
        digits = settings.header
        if wide and len(digits) == 6:
            digits = settings.priority + digits
        number = int(digits, 16)
        if number == (FUNCTIONAL_29 if wide else FUNCTIONAL_11):
            return True, None
        for ecu in self.ecus.car.ecus:
            if number == request_id(self.protocol, ecu):
                return True, ecu
        return False, None

    def _flows(self, settings: Settings, sendings: list[Sending]) -> bool:
        """Whether the flow control that the adapter sends lets the ECU go on."""
        if settings.flow_mode == 0:
            return True
        if settings.flow_data[:1] != b"\x30":
            return False
        if settings.flow_mode == 2:
            return True
        header = settings.flow_header
        return any(
            header and int(header, 16) == request_id(self.protocol, sending.ecu)
            for sending in sendings
        )

    # --- K-line and J1850 ---

    def _older(self, settings: Settings, request: bytes, t_s: float) -> tuple[list[Arrival], float]:
        kline = self.protocol.kind == "kline"
        sent_s = max(t_s, self._free_s) + frame_s(self.protocol, len(request))
        header = bytes.fromhex(settings.header.rjust(6, "0")) if settings.header else b""
        node = (header or request_header(self.protocol))[1]
        target = None
        if node not in (0x33, 0x6A):
            targets = [ecu for ecu in self.ecus.car.ecus if node_address(ecu) == node]
            if not targets:
                return [], sent_s
            target = targets[0]
        arrivals: list[Arrival] = []
        free_s = sent_s
        for answer in self.ecus.ask(request, can=False, target=target):
            for after_s, message in answer.messages:
                gap_s = self.ecus.timing.ecu_s(0, kline)
                start_s = max(free_s + gap_s if arrivals else sent_s + after_s, free_s)
                free_s = start_s + frame_s(self.protocol, len(message))
                frame = reply_header(self.protocol, answer.ecu, len(message)) + message
                arrivals.append(
                    Arrival(answer.ecu, frame + bytes((checksum(self.protocol, frame),)), free_s)
                )
        self._free_s = free_s + (self.ecus.timing.kline_pause_ms / 1000 if kline else 0.0)
        return arrivals, sent_s

    # --- what the adapter makes of it ---

    def _collect(
        self, settings: Settings, arrivals: list[Arrival], count: int, sent_s: float
    ) -> Heard:
        heard = Heard(done_s=sent_s)
        last_s = sent_s
        longest_s = 0.0
        usual_s = self.timeout_s(settings)
        patient: set[str] = set()
        seen = 0
        for arrival in arrivals:
            if not self._passes(settings, arrival.ecu):
                continue
            wait_s = PENDING_TIMEOUT_S if patient else usual_s
            if arrival.t_s - last_s > wait_s:
                break
            if not patient:
                longest_s = max(longest_s, arrival.t_s - last_s)
            last_s = arrival.t_s
            heard.lines.extend((arrival.t_s, line) for line in self._printed(settings, arrival))
            if _is_pending(self.protocol, arrival.frame):
                patient.add(arrival.ecu)
                continue
            patient.discard(arrival.ecu)
            seen += 1
            if count and seen >= count:
                heard.done_s = last_s
                break
        if heard.done_s <= sent_s:
            heard.done_s = last_s + (PENDING_TIMEOUT_S if patient else usual_s)
        if seen and not patient:
            self._learn(longest_s)
        return heard

    def _learn(self, longest_s: float) -> None:
        if self._learned_s is None or longest_s > self._learned_s:
            self._learned_s = longest_s
        else:
            self._learned_s += 0.25 * (longest_s - self._learned_s)

    def _passes(self, settings: Settings, ecu: str) -> bool:
        if not self.protocol.is_can:
            return True
        width = 3 if self.protocol.id_bits == 11 else 8
        digits = f"{response_id(self.protocol, ecu):0{width}X}"
        if settings.receive:
            wanted = settings.receive
            return len(wanted) == width and all(
                want in ("X", have) for want, have in zip(wanted, digits, strict=True)
            )
        if settings.filter_mask and settings.filter_id:
            mask = int(settings.filter_mask, 16)
            return int(digits, 16) & mask == int(settings.filter_id, 16) & mask
        return True

    def _printed(self, settings: Settings, arrival: Arrival) -> list[str]:
        """One frame as the adapter prints it: none, one or two lines."""
        frame = arrival.frame
        gap = " " if settings.spaces else ""
        if not self.protocol.is_can:
            shown = frame if settings.headers else frame[3:-1]
            return ["".join(f"{byte:02X}{gap}" for byte in shown)]
        if settings.headers or not settings.can_format:
            head = ""
            if settings.headers:
                head = _identifier(self.protocol, arrival.ecu, gap)
                head += f"{len(frame)}{gap}" if settings.show_length else ""
            return [head + "".join(f"{byte:02X}{gap}" for byte in frame)]
        kind = frame[0] >> 4
        if kind == 0:
            return ["".join(f"{byte:02X}{gap}" for byte in frame[1 : 1 + (frame[0] & 0x0F)])]
        if kind == 1:
            length = (frame[0] & 0x0F) << 8 | frame[1]
            data = "".join(f"{byte:02X}{gap}" for byte in frame[2:])
            return [f"{length:03X}{gap}", f"0:{gap}{data}"]
        data = "".join(f"{byte:02X}{gap}" for byte in frame[1:])
        return [f"{frame[0] & 0x0F:X}:{gap}{data}"]


def _identifier(protocol: BusProtocol, ecu: str, gap: str) -> str:
    number = response_id(protocol, ecu)
    if protocol.id_bits == 11:
        return f"{number:03X}{gap}"
    return "".join(f"{byte:02X}{gap}" for byte in number.to_bytes(4, "big"))


def _is_pending(protocol: BusProtocol, frame: bytes) -> bool:
    payload = frame[1:] if protocol.is_can else frame[3:]
    return payload[:1] == bytes((NEGATIVE,)) and payload[2:3] == bytes((PENDING,))
