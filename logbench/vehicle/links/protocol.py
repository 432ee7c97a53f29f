"""Which bus protocol a car speaks through an adapter, and what the adapter prints of its frames."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from logbench.errors import (
    AdapterUnfitError,
    CarSilentError,
    IgnitionOffError,
    ReplyError,
)
from logbench.vehicle.filler import is_filled
from logbench.vehicle.framing import Raw, assemble_bare_can_lines, assemble_can_lines
from logbench.vehicle.links.device import Device
from logbench.vehicle.links.dialect import PROTOCOLS, SEARCH_ORDER, Status, status_of
from logbench.vehicle.model import Progress, Protocol
from logbench.vehicle.older import Form, assemble_older_lines, crc_check, form_of, sum_check

log = logging.getLogger(__name__)

SEARCH_TIMEOUT_S = 25.0
"""A full search over all nine protocols takes the adapter about twenty seconds."""
_TRIES = 2
MIN_SUPPLY_V = 6.0
ECUS = {
    11: tuple(f"7E{digit}" for digit in "89ABCDEF"),
    29: tuple(f"18DAF1{source}" for source in ("10", "11", "0E", "17", "18", "1D")),
}
"""Looked for in this order (29 bit: common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """A bus protocol, by its number in the adapter's command language, as this car speaks it."""

    number: str
    service: int = 0x01
    """0x01, or 0x22 where the car answers only SAE J1979-2."""
    form: Form = Form()  # noqa: RUF009 - frozen
    """What is printed of a frame of the older buses."""
    fills: bool = False
    """As `Link.fills`."""
    bare: bool = False
    """On CAN: headers are not printed."""
    heard: frozenset[str] = frozenset()
    """As `Link.heard`."""
    only: str = ""
    """The one ECU that is asked where no reply names its sender; `` where that is not known."""

    @property
    def nameless(self) -> bool:
        """Nobody says who sent a reply."""
        return self.bare and not self.only if self.protocol.is_can else not self.form.head

    @property
    def protocol(self) -> Protocol:
        """What the number means."""
        return PROTOCOLS[self.number]

    @property
    def check(self) -> Callable[[bytes], bool]:
        """That of the check bytes of the older buses."""
        return crc_check if self.number in "12" else sum_check

    def verified(self) -> Spoken:
        """The same, with check bytes verified."""
        return replace(self, form=replace(self.form, check=self.check))

    def holds(self, lines: list[bytes]) -> bool:
        """Whether the check bytes of all frames in `lines` are right."""
        return not self.verified().assemble(lines).damaged

    def assemble(self, lines: list[bytes], asked: str | None = None) -> Raw:
        """Messages from the lines of a reply. `asked`: the ECU that was addressed, None: all."""
        if not self.protocol.is_can:
            return assemble_older_lines(lines, self.form)
        if not self.bare:
            return assemble_can_lines(lines, self.protocol.id_bits)
        out = assemble_bare_can_lines(lines)
        if asked:
            out.messages = [(asked, data) for _, data in out.messages]
        return out


def find_protocol(device: Device, first: str, progress: Progress) -> Spoken:
    """The protocol numbered `first` is tried, then the adapter's own search.

    Raises AdapterUnfitError, IgnitionOffError, CarSilentError.
    """
    found: Spoken | None = None
    accepted = False
    for setting in (f"ATTPA{first}", "ATSP0"):
        if device.accepts(setting):
            accepted = True
            found, statuses = _answering(device)
            if found is not None:
                return found
    if not accepted:  # it may know one bus only, or search by itself
        found, _ = _answering(device)
        if found is None:
            raise AdapterUnfitError(
                "The adapter ({name}) cannot search for the car's protocol: use another adapter.",
                name=device.name,
            )
        return found
    found = _try_newer(device) or _try_each(device, statuses, progress)
    if found is None:
        raise _no_car(statuses, device.voltage())
    return found


def _answering(device: Device) -> tuple[Spoken | None, set[Status | None]]:
    """Who answers in the protocol that is set, asked once more where what came made no sense; and
    the status texts that came. Raises AdapterUnfitError."""
    found: Spoken | None = None
    statuses: set[Status | None] = set()
    for _ in range(_TRIES):
        lines = device.ask_twice("0100", SEARCH_TIMEOUT_S)
        statuses = {status_of(line) for line in lines}
        if Status.NOT_UNDERSTOOD in statuses:
            raise AdapterUnfitError(
                "The adapter ({name}) does not understand requests to the car: "
                "use another adapter.",
                name=device.name,
            )
        number = _reported_number(device)
        found = _spoken(number, lines)
        if found is None and Status.SILENCE in statuses:
            found = _newer(device, number)
        if found is not None or None not in statuses:
            break
    return found, statuses


def _reported_number(device: Device) -> str:
    """Protocol number the adapter reports (`A6` and `6` both mean 6); empty: unknown."""
    for line in device.ask_twice("ATDPN"):
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
    spoken = Spoken(number, service)
    if spoken.protocol.is_can:
        bare = replace(spoken, bare=True)
        if any(data[0] == service | 0x40 for _, data in bare.assemble(raw).messages):
            spoken = bare
    elif form := form_of(raw, spoken.check):
        spoken = replace(spoken, form=form)
    found = spoken.assemble(raw).messages
    fills = spoken.protocol.is_can and any(is_filled(data) for _, data in found)
    heard = frozenset(ecu for ecu, data in found if data[0] == service | 0x40)
    return replace(spoken, fills=fills, heard=heard) if found else None


def _newer(device: Device, number: str) -> Spoken | None:
    """SAE J1979-2 cars answer service 22 only: the supported list is identifier F400."""
    if number not in PROTOCOLS or not PROTOCOLS[number].is_can:
        return None
    return _spoken(number, device.ask_twice("22F400", SEARCH_TIMEOUT_S), 0x22)


def _try_newer(device: Device) -> Spoken | None:
    """Where no search led to a protocol, the newer service on the two common ones."""
    for number in ("6", "7"):
        if "OK" in device.ask_twice(f"ATTP{number}") and (found := _newer(device, number)):
            return found
    return None


def _try_each(device: Device, statuses: set[Status | None], progress: Progress) -> Spoken | None:
    """One protocol after another, where the adapter's search ended without a clear word."""
    clear = {Status.SILENCE, Status.BUS_TROUBLE, Status.NO_PROTOCOL, Status.INTERRUPTED}
    if statuses & clear:
        return None
    for number in SEARCH_ORDER:
        progress(f"Trying {PROTOCOLS[number].name}")
        if "OK" in device.ask_twice(f"ATTP{number}"):
            found = _spoken(number, device.ask_twice("0100", SEARCH_TIMEOUT_S))
            if found is not None:
                return found
    return None


def _no_car(statuses: set[Status | None], volts: float | None) -> CarSilentError | IgnitionOffError:
    if volts is not None and volts < MIN_SUPPLY_V:
        return IgnitionOffError(
            f"The car does not answer, and the adapter sees only {volts:.1f} V at the diagnostic "
            "connector: push it in fully, turn the ignition on and connect again."
        )
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


def alone(device: Device, spoken: Spoken, ecus: Iterable[str]) -> Iterator[str]:
    """Those of `ecus` that answer when they are asked alone: without headers no reply names its
    sender."""
    request = "0100" if spoken.service == 0x01 else "22F400"
    for ecu in ecus:
        try:
            device.aim(ecu, spoken.protocol)
            lines = [line.encode() for line in device.ask_twice(request, SEARCH_TIMEOUT_S)]
        except ReplyError as error:
            log.info("%s is not asked alone: %s", ecu, error)
            return
        if spoken.assemble(lines).messages:
            yield ecu
