"""Which bus protocol the car speaks: the adapter's search, and one protocol after another."""

from __future__ import annotations

from dataclasses import dataclass

from logbench.errors import AdapterUnfitError, CarSilentError, IgnitionOffError
from logbench.vehicle.framing import (
    Assembled,
    assemble_can_lines,
    assemble_legacy_lines,
    crc_check,
    sum_check,
)
from logbench.vehicle.links.device import Device
from logbench.vehicle.links.dialect import PROTOCOLS, SEARCH_ORDER, Status, status_of
from logbench.vehicle.model import Progress, Protocol

SEARCH_TIMEOUT_S = 25.0
"""A full search over all nine protocols takes the adapter about twenty seconds."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """A bus protocol, by its number in the adapter's command language, as this car speaks it."""

    number: str
    service: int = 0x01
    """0x01, or 0x22 where the car answers only SAE J1979-2."""
    checksum: bool = False
    """The adapter passes the older buses' check byte on."""

    @property
    def protocol(self) -> Protocol:
        """What the number means."""
        return PROTOCOLS[self.number]

    def assemble(self, lines: list[bytes]) -> Assembled:
        """Messages from the lines of a reply."""
        if self.protocol.is_can:
            return assemble_can_lines(lines, self.protocol.id_bits)
        if not self.checksum:
            return assemble_legacy_lines(lines)
        return assemble_legacy_lines(lines, crc_check if self.number in "12" else sum_check)


def find_protocol(device: Device, first: str, volts: float | None, progress: Progress) -> Spoken:
    """The protocol numbered `first` is tried, then the adapter's own search.

    `volts` at the connector, for the message. Raises AdapterUnfitError, IgnitionOffError,
    CarSilentError.
    """
    statuses: set[Status | None] = set()
    accepted = False
    for setting in (f"ATTPA{first}", "ATSP0"):
        if "OK" not in device.setting(setting):
            continue
        accepted = True
        lines = device.ask_twice("0100", SEARCH_TIMEOUT_S)
        statuses = {status_of(line) for line in lines}
        if Status.NOT_UNDERSTOOD in statuses:
            raise AdapterUnfitError(
                f"The adapter ({device.name}) does not understand requests to the car: "
                "use another adapter."
            )
        number = _reported_number(device)
        found = _spoken(number, lines)
        if found is None and Status.SILENCE in statuses:
            found = _newer(device, number)
        if found is not None:
            return found
    if not accepted:
        raise AdapterUnfitError(
            f"The adapter ({device.name}) cannot search for the car's protocol: "
            "use another adapter."
        )
    found = _try_newer(device) or _try_each(device, statuses, progress)
    if found is None:
        raise _silent(statuses, volts)
    return found


def _reported_number(device: Device) -> str:
    """Protocol number the adapter reports (`A6` and `6` both mean 6); empty: unknown."""
    for line in device.setting("ATDPN"):
        text = line.upper()
        number = text[1:] if len(text) == 2 and text[0] == "A" else text
        if number in PROTOCOLS:
            return number
    return ""


def _spoken(number: str, lines: list[str], service: int = 0x01) -> Spoken | None:
    """Protocol `number`, if `lines`, the reply to the first request, make sense in it."""
    if number not in PROTOCOLS:
        return None
    raw = [line.encode() for line in lines]
    spoken, checked = Spoken(number, service), Spoken(number, service, checksum=True)
    found = spoken.assemble(raw).messages
    if not found:
        return None
    if spoken.protocol.is_can or len(checked.assemble(raw).messages) != len(found):
        return spoken
    return checked


def _newer(device: Device, number: str) -> Spoken | None:
    """SAE J1979-2 cars answer service 22 only: the supported list is identifier F400."""
    if number not in PROTOCOLS or not PROTOCOLS[number].is_can:
        return None
    return _spoken(number, device.ask_twice("22F400", SEARCH_TIMEOUT_S), 0x22)


def _try_newer(device: Device) -> Spoken | None:
    """Where no search led to a protocol, the newer service on the two common ones."""
    for number in ("6", "7"):
        if "OK" in device.setting(f"ATTP{number}") and (found := _newer(device, number)):
            return found
    return None


def _try_each(device: Device, statuses: set[Status | None], progress: Progress) -> Spoken | None:
    """One protocol after another, where the adapter's search ended without a clear word."""
    clear = {Status.SILENCE, Status.BUS_TROUBLE, Status.NO_PROTOCOL, Status.INTERRUPTED}
    if statuses & clear:
        return None
    for number in SEARCH_ORDER:
        progress(f"Trying {PROTOCOLS[number].name}")
        if "OK" in device.setting(f"ATTP{number}"):
            found = _spoken(number, device.ask_twice("0100", SEARCH_TIMEOUT_S))
            if found is not None:
                return found
    return None


def _silent(statuses: set[Status | None], volts: float | None) -> CarSilentError | IgnitionOffError:
    shown = "" if volts is None else f" (connector voltage {volts:.1f} V)"
    if Status.NO_PROTOCOL in statuses:
        return IgnitionOffError(
            f"The adapter finds no protocol of the car{shown}: turn the ignition on, the "
            "engine may stay off, and connect again."
        )
    return CarSilentError(
        f"The adapter works, but the car does not answer{shown}: check that the ignition is "
        "on, the plug sits firmly and the car has standard diagnosis, and connect again."
    )
