"""What car is this: supported PIDs, VIN, calibrations, names of its ECUs.

Tolerant: an ECU that refuses or garbles a service costs that fact, not the connection.
"""

from __future__ import annotations

import dataclasses
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping

from logbench.errors import CarSilentError, ReplyError
from logbench.foreign import Foreign, fill
from logbench.signals.decoding import Scaling, scaling_from, supported_pids
from logbench.signals.table import SUPPORTED_PIDS
from logbench.vehicle.asking import ask
from logbench.vehicle.link import Link, silent
from logbench.vehicle.lists import read_lists
from logbench.vehicle.model import CarFacts, Progress, Reply
from logbench.vehicle.wanted import DataService, data_service

log = logging.getLogger(__name__)

VIN, CALIBRATIONS, ECU_NAME = 0x02, 0x04, 0x0A
"""Info types of service 09 (SAE J1979)."""
_LISTS = frozenset(SUPPORTED_PIDS) | {0x100}


def discover(link: Link, progress: Progress | None = None, *, whole: bool = True) -> CarFacts:
    """Ask a connected `link` all that is worth knowing before polling. Not `whole`: where the VIN
    says which car it is, the names of its ECUs and of their software are left for `name_ecus`.

    Raises CarSilentError when no ECU says what it supports, LinkLostError when the link breaks.
    """
    report = progress or silent
    report("Asking what the car supports")
    service = data_service(link.service)
    lists = read_lists(link, service)
    supported = lists.supported
    if not any(supported.values()):
        raise CarSilentError(
            "The car answers, but reports nothing about its signals: check that it has standard "
            "diagnosis (gasoline cars since about 2001), turn the ignition on and connect again."
        )
    count = len(frozenset[int]().union(*supported.values()))
    report(f"{len(supported)} ECU{'' if len(supported) == 1 else 's'} answered: {count} PIDs")
    for ecu, base in lists.unanswered.items():
        report(
            f"ECU {ecu} announces PIDs from {base + 1:02X} on and does not say which: they are "
            "unknown, and asked for again during the drive"
        )
    report("Reading the vehicle identification number")
    vin = _vin(link, service)
    report(
        fill("Vehicle identification number: {vin}", vin=vin) if vin else "The car reports no VIN"
    )
    volts = _voltage(link)
    if volts is not None:
        report(f"{volts:.1f} V at the adapter")
    facts = CarFacts(
        vin=vin,
        protocol=link.protocol.name,
        adapter=link.adapter,
        voltage_v=volts,
        supported=supported,
        unanswered=lists.unanswered,
        unnamed=True,
    )
    if whole or not vin:
        report("Reading the names of the ECUs")
        *_, facts = name_ecus(link, facts)
        for ecu, name in facts.ecu_names.items():
            report(fill("ECU {ecu}: {name}", ecu=ecu, name=name))
    return facts


def name_ecus(link: Link, facts: CarFacts) -> Iterator[CarFacts]:
    """The facts with the names of the ECUs and of their software: the last ones that are yielded,
    one request after another. Raises LinkLostError."""
    service = data_service(link.service)
    kinds = info_kinds(link, _insist(link, service.info_payload(0x00), None, 1))
    yield facts
    software = _info(link, service, CALIBRATIONS, kinds)
    found = ((ecu, _calibrations(data)) for ecu, data in software.items())
    facts = dataclasses.replace(facts, calibrations={ecu: ids for ecu, ids in found if ids})
    yield facts
    names = ((e, _text(data)) for e, data in _info(link, service, ECU_NAME, kinds).items())
    named = {ecu: name for ecu, name in names if name}
    yield dataclasses.replace(facts, ecu_names=named, unnamed=False)


def identify(link: Link, known: CarFacts, progress: Progress | None = None) -> CarFacts:
    """The facts of the car that answers now: `known` itself where it is the same by its VIN or,
    where none is given, by the PIDs it supports; else all is asked anew. Raises as `discover`."""
    service = data_service(link.service)
    vin = _vin(link, service)
    same = vin == known.vin and (
        bool(vin) or read_lists(link, service).supported == known.supported
    )
    return known if same else discover(link, progress)


def read_scaling(
    ask_car: Callable[[bytes], Iterable[Reply]],
    service: DataService,
    supported: Mapping[str, frozenset[int]],
) -> dict[str, Scaling]:
    """Scaling by ECU from PID 4F and 50, which change what the same bytes mean; ECUs with the usual
    one are left out."""
    found: dict[str, dict[int, bytes]] = {}
    for pid in (0x4F, 0x50):
        if not any(pid in pids for pids in supported.values()):
            continue
        for reply in ask_car(service.payload((pid,))):
            try:
                parts = service.split(reply.data, {pid: 4})
            except ReplyError as error:
                log.info("scaling not understood: %s", error)
                continue
            found.setdefault(reply.ecu, {}).update(parts)
    scalings = {ecu: scaling_from(data.get(0x4F), data.get(0x50)) for ecu, data in found.items()}
    return {ecu: scaling for ecu, scaling in scalings.items() if scaling}


def walk_lists(
    lists: Callable[[int, int], Iterable[tuple[str, bytes]]],
) -> dict[str, frozenset[int]]:
    """By ECU what it supports, without the lists themselves; one list after another, as long as an
    ECU names the next.

    `lists(base, count)` gives ECU and data bytes of list `base`; `count` ECUs have it, 0: unknown.
    """
    found: dict[str, frozenset[int]] = {}
    count = 0
    for base in SUPPORTED_PIDS:
        more = set()
        for ecu, data in lists(base, count):
            numbers = supported_pids(base, data)
            if base + 0x20 in numbers:
                more.add(ecu)
            found[ecu] = found.get(ecu, frozenset()) | (numbers - _LISTS)
        if not more:
            break
        count = len(more)
    return found


def info_kinds(link: Link, replies: Iterable[Reply]) -> dict[str, frozenset[int]]:
    """Info types each ECU supports, from its list; one that makes no sense is left out."""
    head = data_service(link.service).info_head()
    return {
        reply.ecu: supported_pids(0x00, reply.data[head:])
        for reply in replies
        if len(reply.data) >= head + 4
    }


def _info(
    link: Link, service: DataService, kind: int, kinds: dict[str, frozenset[int]]
) -> dict[str, bytes]:
    """Data of an info type by ECU, without head and count of items; `kinds` as they support them,
    empty when nothing is known."""
    able = sum(kind in known for known in kinds.values())
    if kinds and not able:
        return {}
    frames = None
    if link.protocol.is_can and able and kind in (VIN, ECU_NAME):
        frames = (3 if kind == VIN else 4) * able
    head = service.info_head() + (1 if link.protocol.is_can and service.service == 1 else 0)
    return {
        reply.ecu: reply.data[head:]
        for reply in _insist(link, service.info_payload(kind), frames, able or 1)
        if reply.data[head - 1 :] and reply.data[service.info_head() - 1] == kind
    }


def _insist(link: Link, payload: bytes, frames: int | None, count: int) -> list[Reply]:
    """As `ask`, and once more where fewer than `count` ECUs answer: an answer may be lost."""
    replies = ask(link, payload, frames)
    return replies if len(replies) >= count else max(replies, ask(link, payload), key=len)


def _vin(link: Link, service: DataService) -> str:
    """The 17 characters, padding removed; empty when the car does not report it."""
    kinds: dict[str, frozenset[int]] = {"": frozenset((VIN,))}  # mostly one ECU has it
    for data in _info(link, service, VIN, kinds).values():
        text = _text(data)
        if text:
            return text[-17:]
    return ""


def _calibrations(data: bytes) -> tuple[str, ...]:
    if len(data) % 16 == 1:
        data = data[1:]  # a count of items before the IDs of 16 characters each
    parts = (_text(data[at : at + 16]) for at in range(0, len(data), 16))
    return tuple(part for part in parts if part)


def _text(data: bytes) -> str:
    """Printable ASCII of `data`; padding bytes are left out wherever they are."""
    return Foreign("".join(chr(byte) for byte in data if 0x20 <= byte < 0x7F).strip())


def _voltage(link: Link) -> float | None:
    try:
        return link.voltage()
    except ReplyError as error:
        log.info("voltage not read: %s", error)
        return None
