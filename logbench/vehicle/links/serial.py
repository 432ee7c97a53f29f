"""`serial:PORT?baud=N`: an adapter on a serial port (USB, Bluetooth serial, a pseudo-terminal)."""

from __future__ import annotations

import errno
import logging
from pathlib import Path

import serial

from logbench.errors import AdapterMuteError, LinkLostError, PortMissingError
from logbench.vehicle.gate import NONSENSE, LineGate
from logbench.vehicle.links.adapter import AdapterLink
from logbench.vehicle.links.device import Talk
from logbench.vehicle.links.schemes import LinkUrl
from logbench.vehicle.model import Progress

log = logging.getLogger(__name__)

OPTIONS = frozenset({"baud", "protocol"})
BAUDS = (115_200, 38_400, 9_600, 230_400, 500_000, 57_600, 19_200, 1_000_000, 2_000_000)
"""Tried in this order when none is given: the common ones first (common practice, no source)."""
PROBE_TIMEOUT_S = 0.25

_GONE = (
    "The serial port is gone: check the plug (or the Bluetooth pairing) of the adapter; "
    "connecting again."
)


class SerialPort:
    """A serial port as a byte port."""

    def __init__(self, name: str, baud: int) -> None:
        try:
            self._serial = serial.Serial(name, baud, timeout=0.1, write_timeout=2.0, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise PortMissingError(_open_sentence(name, error)) from None
        try:
            # USB serial chips hold characters back for up to 16 ms otherwise.
            self._serial.set_low_latency_mode(True)
        except (OSError, ValueError, AttributeError, NotImplementedError) as error:
            log.debug("no low-latency mode on %s: %s", name, error)

    def set_baud(self, baud: int) -> None:
        """Change the speed."""
        try:
            self._serial.baudrate = baud
        except (serial.SerialException, OSError, ValueError):
            raise LinkLostError(_GONE) from None

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        try:
            self._serial.write(data)
        except (serial.SerialException, OSError):
            raise LinkLostError(_GONE) from None

    def read(self, timeout_s: float) -> bytes:
        """Whatever is there, waiting at most `timeout_s`; b'' when nothing came."""
        try:
            waiting = self._serial.in_waiting
            if waiting or not timeout_s:
                return bytes(self._serial.read(waiting))
            self._serial.timeout = timeout_s
            first = bytes(self._serial.read(1))
            waiting = self._serial.in_waiting if first else 0
            return first + bytes(self._serial.read(waiting)) if waiting else first
        except (serial.SerialException, OSError, TypeError):
            # pyserial raises TypeError when another thread or a hang-up has closed the handle.
            raise LinkLostError(_GONE) from None

    def close(self) -> None:
        """Let go of the port."""
        self._serial.close()


class SerialLink(AdapterLink):
    """An adapter on a serial port; finds the speed when it is not given."""

    def __init__(self, url: LinkUrl, progress: Progress | None = None) -> None:
        super().__init__(url, progress)
        self._baud = url.whole_number("baud", 1_200, 4_000_000)
        self._found: int | None = None

    def _attach(self) -> None:
        try:
            super()._attach()
        except AdapterMuteError:
            self._found = None  # another adapter may be there by now, at another speed
            raise

    def _open_port(self) -> LineGate:
        self.progress(f"Opening {self._place}")
        known = self._baud or self._found
        port = SerialPort(self._place, known or BAUDS[0])
        gate = LineGate(port)
        if known is None:
            try:
                self._found = self._find_baud(port, gate)
            except BaseException:
                gate.close()
                raise
        return gate

    def _find_baud(self, port: SerialPort, gate: LineGate) -> int:
        for baud in BAUDS:
            self.check()
            self.progress(f"Looking for the adapter at {baud:,} baud")
            try:
                port.set_baud(baud)
            except LinkLostError:
                log.debug("the port does not do %d baud", baud)
                continue
            if _answers(gate):
                return baud
        raise AdapterMuteError(
            f"No adapter answers on {self._place} at any usual speed: check that it is the right "
            "port and that the adapter has power, or give its speed as ?baud=N."
        )


def _answers(gate: LineGate) -> bool:
    """Asked twice, because the first reply may echo what an earlier try at a wrong speed left."""
    talk = Talk(gate)
    for _ in range(2):
        reply = talk.say(NONSENSE, PROBE_TIMEOUT_S)
        if reply is None:
            return False
        if all(byte < 0x80 for byte in reply):
            return True
    return False


def _open_sentence(name: str, error: Exception) -> str:
    number = getattr(error, "errno", None)
    text = str(error)
    if number == errno.EACCES or "PermissionError" in text or "Permission denied" in text:
        return (
            f"The port {name} may not be opened: on Linux add yourself to the group that owns it "
            "(often 'dialout') and log in again; on Windows close the program that uses it."
        )
    busy = number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "lock" in text.lower()
    if busy:
        return f"The port {name} is in use: close the other program that uses it."
    if number == errno.ENOENT or "FileNotFound" in text or not Path(name).exists():
        return f"There is no port {name}: plug the adapter in and check the port's name."
    return f"The port {name} cannot be opened: check that it is a serial port and not in use."
