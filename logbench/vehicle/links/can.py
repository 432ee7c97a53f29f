"""`can:INTERFACE/CHANNEL?bitrate=N`: a CAN interface, no adapter in between.

`block=N` and `separation_ms=N` are what our flow control asks of the ECUs; ISO 15765-4 wants 0 of
both, which is the default: others are for gateways and interfaces that lose frames.

python-can reaches the interface (socketcan, slcan, pcan, gs_usb, virtual …). Messages are put
together by `framing.py`, because flow control is on the critical path of the wire: can-isotp, which
the tests hold it against, cost 0.1 ms more a frame. Needs the extra `can`.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from logbench.errors import (
    CarSilentError,
    IgnitionOffError,
    LinkLostError,
    LinkUnknownError,
    PortMissingError,
    ReplyError,
    first_line,
)
from logbench.system.limits import REPLY_FRAMES
from logbench.vehicle.filler import is_filled
from logbench.vehicle.framing import N_CR_S, CanAssembler, Raw, reply_name, request_address
from logbench.vehicle.gate import (
    FUNCTIONAL,
    MOST_BLOCK,
    MOST_SEPARATION_MS,
    FrameGate,
    Permit,
    flow_control,
)
from logbench.vehicle.link import (
    CHANGE_TIMEOUT_S,
    PENDING_LIMIT_S,
    Answers,
    Link,
    answers_to,
    is_pending,
    spans_ns,
)
from logbench.vehicle.links.schemes import SCHEMES, LinkUrl
from logbench.vehicle.model import Progress, Protocol, Reply
from logbench.vehicle.patience import Patience

if TYPE_CHECKING:
    import can

log = logging.getLogger(__name__)

OPTIONS = frozenset({"bitrate", "block", "separation_ms"})
BIT_RATES = (500_000, 250_000)
"""ISO 15765-4 allows these two."""
REPLY_TIMEOUT_S = 0.3
"""P2 of ISO 15765-4 is at most 50 ms; gateways and busy computers take longer (our choice)."""
LEAST_WAIT_S = 0.1
"""P2 of ISO 15765-4 is at most 50 ms; twice that leaves room for a busy computer."""
MORE_TIMEOUT_S = 0.15
"""After an answer, for those of other ECUs."""
CHANGE_WAIT_S = 1.0
"""For the next answer to a change, as an adapter at its most patient (our choice)."""
SEARCH_TIMEOUTS_S = (0.15, 0.35)
"""At the first look and at the second, for which the first may have woken the ECUs."""
_GAPS, _CALMING = 10, 0.95
"""A frame is given so many times the longest gap between frames seen lately, N_Cr at most; that is
forgotten by so much a frame (our choice)."""
CHECK_S = 0.1
MOST_11_BIT = 0x7FF
_UNSHAREABLE = ("virtual", "udp_multicast")


class CanPort:
    """A bus of python-can as a port of frames."""

    def __init__(self, bus: can.BusABC) -> None:
        self._bus = bus

    def write(self, identifier: int, data: bytes) -> None:
        """Put one frame on the bus."""
        import can

        message = can.Message(
            arbitration_id=identifier, data=data, is_extended_id=identifier > MOST_11_BIT
        )
        try:
            self._bus.send(message, timeout=0.2)
        except (can.CanError, OSError, ValueError) as error:
            raise LinkLostError(
                f"The CAN interface cannot send ({first_line(error)}): check its plug and that "
                "the ignition is on; connecting again."
            ) from None

    def read(self, timeout_s: float) -> can.Message | None:
        """The next message; None when none came in time."""
        import can

        try:
            return self._bus.recv(timeout_s)
        except (can.CanError, OSError, ValueError) as error:
            raise LinkLostError(
                f"The CAN interface is gone ({first_line(error)}): check its plug; connecting "
                "again."
            ) from None

    def close(self) -> None:
        """Let go of the interface."""
        self._bus.shutdown()


class CanLink(Link):
    """The diagnostic bus itself."""

    least_wait_s = LEAST_WAIT_S

    def __init__(self, url: LinkUrl, progress: Progress | None = None) -> None:
        super().__init__(url.text, progress)
        interface, slash, self._channel = url.place.partition("/")
        if not slash or not interface or not self._channel:
            raise LinkUnknownError(
                f"The link {url.text!r} needs an interface and a channel: write "
                "can:INTERFACE/CHANNEL?bitrate=N, for example can:socketcan/can0."
            )
        self._interface = interface.lower()
        self._bitrate = url.whole_number("bitrate", 10_000, 1_000_000)
        self._block = url.whole_number("block", 0, MOST_BLOCK) or 0
        separation_ms = url.whole_number("separation_ms", 0, MOST_SEPARATION_MS) or 0
        self._flow_control = flow_control(self._block, separation_ms)
        self._gate: FrameGate | None = None
        self._assembler = CanAssembler()
        self._id_bits = 11
        self._gap_s = N_CR_S / _GAPS
        """The longest that the next frame of a message was waited for, lately."""

    # --- start ---

    def _open(self) -> None:
        self.adapter = f"CAN interface {self._interface} {self._channel}"
        rates: tuple[int, ...] = (self._bitrate,) if self._bitrate else BIT_RATES
        if self._interface in _UNSHAREABLE:
            rates = rates[:1]
        heard = False
        for timeout_s in SEARCH_TIMEOUTS_S:
            for bitrate in rates:
                self.progress(f"Opening {self.adapter} at {bitrate // 1000} kbit/s")
                self._gate = gate = FrameGate(CanPort(self._open_bus(bitrate)))
                self.progress("Looking for the car's protocol")
                if any(self._find(id_bits, bitrate, timeout_s) for id_bits in (11, 29)):
                    self.progress(f"Protocol found: {self.protocol.name}")
                    return
                heard = heard or gate.read(0.2) is not None
                self._shut()
        if heard:
            raise CarSilentError(
                "There is traffic on the bus, but no ECU answers: check that this is the "
                "diagnostic bus (pins 6 and 14) and that the ignition is on."
            )
        raise IgnitionOffError(
            f"Nothing answers on {self.adapter}: turn the ignition on, and check the wiring and "
            "the bit rate."
        )

    def _open_bus(self, bitrate: int) -> can.BusABC:
        try:
            import can
        except ImportError:
            raise SCHEMES["can"].lacking() from None
        filters = [
            {"can_id": 0x7E8, "can_mask": 0x7F8, "extended": False},
            {"can_id": 0x18DAF100, "can_mask": 0x1FFFFF00, "extended": True},
        ]
        more: dict[str, Any] = {"sleep_after_open": 0.2} if self._interface == "slcan" else {}
        try:
            return can.Bus(
                interface=self._interface,
                channel=self._channel,
                bitrate=bitrate,
                can_filters=filters,
                **more,
            )
        except can.CanInterfaceNotImplementedError as error:
            known = ", ".join(sorted(can.VALID_INTERFACES))
            raise LinkUnknownError(
                f"The CAN interface {self._interface!r} cannot be used ({first_line(error)}): "
                f"known are {known}."
            ) from None
        except (can.CanError, OSError, ValueError, TypeError, ImportError) as error:
            raise PortMissingError(
                f"The CAN interface {self._interface}/{self._channel} cannot be opened "
                f"({first_line(error)}): check its name and driver, and that it is plugged in."
            ) from None

    def _find(self, id_bits: int, bitrate: int, timeout_s: float) -> bool:
        """Whether an ECU answers with addresses of `id_bits`, in service 01 or 22."""
        self._id_bits = id_bits
        for payload in (b"\x01\x00", b"\x22\xf4\x00"):
            found = [data for _, data in self._exchange(payload, None, timeout_s, None).messages]
            for service in (0x01, 0x22):  # that of the first request may come late
                if any(data[0] == service | 0x40 for data in found):
                    self.service = service
                    self.fills = any(map(is_filled, found))
                    name = f"ISO 15765-4 CAN, {id_bits} bit, {bitrate // 1000} kbit/s"
                    self.protocol = Protocol(name, True, id_bits, bitrate)
                    return True
        return False

    # --- requests ---

    def _exchange(
        self, payload: bytes, frames: int | None, timeout_s: float, to: str | None
    ) -> Raw:
        self._forget()
        gate = self._own_gate()
        identifier = int(request_address(to), 16) if to else FUNCTIONAL[self._id_bits]
        try:
            gate.request(identifier, payload)
        except LinkLostError as error:
            if self.connected:
                raise
            log.debug("not sent: %s", error)
        self._sent()
        raw, start_ns = Raw(sent=8), time.monotonic_ns()
        waiting = Patience(
            time.monotonic(),
            first_s=min(timeout_s, REPLY_TIMEOUT_S),
            more_s=MORE_TIMEOUT_S,
            usual_s=timeout_s,
            total_s=timeout_s + PENDING_LIMIT_S,
        )
        came_ns = []
        for message in self._messages(raw, waiting, frames):
            raw.messages.append(message)
            came_ns.append(time.monotonic_ns())
        raw.times = spans_ns(start_ns, raw.messages, came_ns)
        return raw

    def _change(self, permit: Permit, answers: Answers) -> None:
        self._forget()
        self._own_gate().request(FUNCTIONAL[self._id_bits], permit.payload, permit)
        waiting = Patience(
            time.monotonic(),
            first_s=CHANGE_TIMEOUT_S,
            more_s=CHANGE_WAIT_S,
            usual_s=CHANGE_TIMEOUT_S,
        )
        for ecu, data in self._messages(Raw(), waiting):
            if answers_to(permit.payload, data):
                answers.replies.append(Reply(ecu, data, time.monotonic_ns()))

    def _messages(
        self, raw: Raw, waiting: Patience, frames: int | None = None
    ) -> Iterator[tuple[str, bytes]]:
        """Messages of ECUs, whole, as they come, until `frames` are there or the waiting is over.
        Counts into `raw`; raises ReplyError for more than any reply holds."""
        gate = self._own_gate()
        while (left_s := waiting.until_s - time.monotonic()) > 0:
            frame = self._receive(min(left_s, CHECK_S))
            if frame is None:
                self.check()
                continue
            ecu, data = frame
            raw.received += len(data)
            raw.frames += 1
            if raw.frames > REPLY_FRAMES:
                raise ReplyError(f"More than {REPLY_FRAMES:,} frames came for one request.")
            now_s = time.monotonic()
            begun = self._assembler.open.get(ecu)
            if begun is not None:
                self._gap_s = max(_CALMING * self._gap_s, now_s - begun.t_s)
            message = self._assembler.feed(ecu, data, now_s)
            if self._block_begins(ecu, data):
                gate.frame(int(request_address(ecu), 16), self._flow_control)
            if message is not None:
                waiting.hears(ecu, message, now_s)
                raw.frames -= is_pending(message)
                yield ecu, message
            if self._assembler.open:
                waiting.goes_on(now_s, min(max(_GAPS * self._gap_s, LEAST_WAIT_S), N_CR_S))
            elif frames and raw.frames >= frames and not waiting.pending:
                break
        if self._assembler.open:  # lost, or later than was waited for
            self._gap_s = N_CR_S / _GAPS
        self._assembler.abandon()
        raw.damaged = self._assembler.damaged

    def _block_begins(self, ecu: str, data: bytes) -> bool:
        """Whether an ECU waits for flow control: after its first frame, and after every block."""
        message = self._assembler.open.get(ecu)
        if message is None:
            return False
        kind, behind_first = data[0] >> 4, message.frames - 1
        return kind == 1 or (kind == 2 and self._block > 0 and behind_first % self._block == 0)

    def _own_gate(self) -> FrameGate:
        if self._gate is None:
            raise LinkLostError("The link is closed: connect it again.")
        return self._gate

    def _receive(self, timeout_s: float) -> tuple[str, bytes] | None:
        """Sender and data of the next frame of a reply address; None when none came."""
        message = self._own_gate().read(timeout_s)
        if message is None or message.is_error_frame or message.is_remote_frame:
            return None
        if message.is_extended_id != (self._id_bits == 29):
            return None
        ecu = reply_name(message.arbitration_id, message.is_extended_id)
        return None if ecu is None else (ecu, bytes(message.data))

    def _forget(self) -> None:
        """Throw away frames of an earlier request."""
        for _ in range(1000):
            if self._receive(0.0) is None:
                break
        self._assembler = CanAssembler()

    def _shut(self) -> None:
        gate, self._gate = self._gate, None
        if gate is not None:
            gate.close()
