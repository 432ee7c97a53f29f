"""`can:INTERFACE/CHANNEL?bitrate=N`: a CAN interface, no adapter in between.

python-can reaches the interface (socketcan, slcan, pcan, gs_usb, virtual …). Messages are put
together by `framing.py`, because flow control is on the critical path of the wire: can-isotp, which
the tests hold it against, cost 0.1 ms more a frame. Needs the extra `can`.
"""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING, Any

from logbench.errors import (
    CarSilentError,
    IgnitionOffError,
    LinkLostError,
    LinkUnknownError,
    PortMissingError,
    first_line,
)
from logbench.vehicle.framing import CanAssembler, Raw, reply_name, request_address
from logbench.vehicle.link import PENDING_LIMIT_S, Link, is_pending
from logbench.vehicle.links.schemes import SCHEMES, LinkUrl
from logbench.vehicle.model import Progress, Protocol

if TYPE_CHECKING:
    import can

log = logging.getLogger(__name__)

OPTIONS = frozenset({"bitrate"})
BIT_RATES = (500_000, 250_000)
"""ISO 15765-4 allows these two."""
REPLY_TIMEOUT_S = 0.1
"""P2 of ISO 15765-4 is at most 50 ms; twice that leaves room for a busy computer."""
SEARCH_TIMEOUT_S = 0.15
CHECK_S = 0.1
_FLOW_CONTROL = b"\x30\x00\x00"
"""ISO 15765-2: clear to send, no block size, no separation time."""
_FUNCTIONAL = {11: 0x7DF, 29: 0x18DB33F1}
_UNSHAREABLE = ("virtual", "udp_multicast")


class CanLink(Link):
    """The diagnostic bus itself."""

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
        self._bus: can.BusABC | None = None
        self._assembler = CanAssembler()
        self._id_bits = 11

    # --- start ---

    def _open(self) -> None:
        self.adapter = f"CAN interface {self._interface} {self._channel}"
        rates: tuple[int, ...] = (self._bitrate,) if self._bitrate else BIT_RATES
        if self._interface in _UNSHAREABLE:
            rates = rates[:1]
        heard = False
        for bitrate in rates:
            self.progress(f"Opening {self.adapter} at {bitrate // 1000} kbit/s")
            self._bus = self._open_bus(bitrate)
            self.progress("Looking for the car's protocol")
            for id_bits in (11, 29):
                if self._find(id_bits, bitrate):
                    self.progress(f"Protocol found: {self.protocol.name}")
                    return
            heard = heard or self._bus.recv(0.2) is not None
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

    def _find(self, id_bits: int, bitrate: int) -> bool:
        """Whether an ECU answers with addresses of `id_bits`, in service 01 or 22."""
        self._id_bits = id_bits
        for service, payload in ((0x01, b"\x01\x00"), (0x22, b"\x22\xf4\x00")):
            raw = self._exchange(payload, None, SEARCH_TIMEOUT_S, None)
            if any(data[0] == service | 0x40 for _, data in raw.messages):
                self.service = service
                name = f"ISO 15765-4 CAN, {id_bits} bit, {bitrate // 1000} kbit/s"
                self.protocol = Protocol(name, True, id_bits, bitrate)
                return True
        return False

    # --- requests ---

    def _exchange(
        self, payload: bytes, frames: int | None, timeout_s: float, to: str | None
    ) -> Raw:
        self._forget()
        # one frame: requests that read never have more than seven bytes
        identifier = int(request_address(to), 16) if to else _FUNCTIONAL[self._id_bits]
        self._send(identifier, bytes((len(payload),)) + payload)
        self._sent()
        raw = Raw(sent=8)
        wait_s = min(timeout_s, REPLY_TIMEOUT_S)
        limit = time.monotonic() + timeout_s
        deadline = time.monotonic() + wait_s
        pending: set[str] = set()
        while (left_s := min(deadline, limit) - time.monotonic()) > 0:
            frame = self._receive(min(left_s, CHECK_S))
            if frame is None:
                self.check()
                continue
            ecu, data = frame
            raw.received += len(data)
            raw.frames += 1
            deadline = max(deadline, time.monotonic() + wait_s)
            message = self._assembler.feed(ecu, data, time.monotonic())
            if data and data[0] >> 4 == 1 and ecu in self._assembler.open:
                self._send(int(request_address(ecu), 16), _FLOW_CONTROL)
            if message is not None:
                if is_pending(message):
                    raw.frames -= 1
                    pending.add(ecu)
                    deadline = limit = time.monotonic() + PENDING_LIMIT_S
                elif ecu in pending:
                    pending.discard(ecu)
                    deadline = time.monotonic() + wait_s
                raw.messages.append((ecu, message))
            if frames and raw.frames >= frames and not pending and not self._assembler.open:
                break
        self._assembler.abandon()
        raw.damaged = self._assembler.damaged
        return raw

    def _send(self, identifier: int, data: bytes) -> None:
        """One frame, filled up to eight bytes."""
        import can

        assert self._bus is not None
        message = can.Message(
            arbitration_id=identifier, data=data.ljust(8, b"\0"), is_extended_id=self._id_bits == 29
        )
        try:
            self._bus.send(message, timeout=0.2)
        except (can.CanError, OSError, ValueError) as error:
            if self.connected:
                raise LinkLostError(
                    f"The CAN interface cannot send ({first_line(error)}): check its plug and that "
                    "the ignition is on; connecting again."
                ) from None
            log.debug("not sent: %s", error)

    def _receive(self, timeout_s: float) -> tuple[str, bytes] | None:
        """Sender and data of the next frame of a reply address; None when none came."""
        import can

        assert self._bus is not None
        try:
            message = self._bus.recv(timeout_s)
        except (can.CanError, OSError, ValueError) as error:
            raise LinkLostError(
                f"The CAN interface is gone ({first_line(error)}): check its plug; connecting "
                "again."
            ) from None
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
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.shutdown()
