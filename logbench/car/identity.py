"""Which car it is: its VIN, and what its ECUs are. The one gate that tells two cars apart."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

from logbench.car.vin import check_vin
from logbench.words import tr

_LEAST_VARIED = 5
"""A VIN of fewer different characters was never programmed (`00000000000000000`)."""


class Ecu(BaseModel):
    """One ECU as it described itself; what it did not tell is empty."""

    model_config = ConfigDict(extra="allow", frozen=True)

    name: str = ""
    calibrations: dict[str, str] = Field(default_factory=dict)
    """Calibration identification to its verification number (8 hex digits, or empty)."""
    pids: tuple[int, ...] = ()
    """Service 01 PIDs it supports, sorted."""


class Identity(BaseModel):
    """What a car, a file or a person says of which car it is; empty is not known."""

    model_config = ConfigDict(extra="allow", frozen=True)

    vin: str = ""
    protocol: str = ""
    ecus: dict[str, Ecu] = Field(default_factory=dict)
    """By response address in hex: `7E8`."""

    @property
    def known_vin(self) -> str:
        """The VIN where it can be one of a car; else empty. ISO 3779 for what a VIN is."""
        found = check_vin(self.vin)
        return found.vin if found.ok and len(set(found.vin)) >= _LEAST_VARIED else ""

    @property
    def key(self) -> str:
        """The same text for the same car: its VIN, or without one a fingerprint of what its ECUs
        are; empty where too little is known."""
        if self.known_vin or not any(ecu != Ecu() for ecu in self.ecus.values()):
            return self.known_vin
        told = [(a, e.name, sorted(e.calibrations), e.pids) for a, e in sorted(self.ecus.items())]
        return hashlib.sha256(repr(told).encode()).hexdigest()[:32]

    def renewed(self, newer: Identity) -> Identity:
        """With all that a newer look at the same car told; what it did not tell stays."""
        ecus = dict(self.ecus)
        for address, ecu in newer.ecus.items():
            before = ecus.get(address, Ecu())
            software = {
                one: number or before.calibrations.get(one, "")
                for one, number in (ecu.calibrations or before.calibrations).items()
            }
            name, pids = ecu.name or before.name, ecu.pids or before.pids
            ecus[address] = Ecu(name=name, calibrations=software, pids=pids)
        vin = newer.vin if newer.known_vin else self.vin or newer.vin
        return Identity(vin=vin, protocol=newer.protocol or self.protocol, ecus=ecus)


class Match(StrEnum):
    """What can be said of two identities."""

    SAME = "same car"
    OTHER = "another car"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True)
class Difference:
    """What two identities say of one thing, each as it is shown."""

    what: str
    first: str
    second: str

    @property
    def sentence(self) -> str:
        """`VIN: A… and B….`"""
        return tr(
            "{what}: {first} and {second}.", what=self.what, first=self.first, second=self.second
        )


@dataclass(frozen=True, slots=True)
class Meeting:
    """Two identities held against each other."""

    match: Match
    agree: tuple[str, ...] = ()
    """What both tell, and tell alike."""
    differ: tuple[Difference, ...] = ()
    """What both tell, and tell differently."""
    answered: bool = False
    """A person said so before."""

    @property
    def sentence(self) -> str:
        """What was found and on what it rests."""
        said = " ".join(one.sentence for one in self.differ)
        if self.match is Match.SAME and self.answered:
            return tr("The same car, as you said before. {differences}", differences=said)
        if self.match is Match.SAME:
            return tr("The same car: both give the same VIN.")
        if self.match is Match.OTHER:
            return tr("Another car. {differences}", differences=said)
        if self.differ:
            return tr("Not known whether it is the same car. {differences}", differences=said)
        if self.agree:
            return tr(
                "Not known whether it is the same car: a VIN is missing. The same: {what}.",
                what=", ".join(self.agree),
            )
        return tr("Not known whether it is the same car: too little is known of one of them.")


def meet(first: Identity, second: Identity) -> Meeting:
    """Whether two identities are of one car.

    Two VINs decide. Without them ECUs can only tell cars apart, never prove one: cars of one make
    share their software. An ECU of another name, or no ECU in common, is another car; other
    software, PIDs or protocol are not, since a repair can change the first two and the adapter
    names the last (common practice, no source).
    """
    vins = first.known_vin, second.known_vin
    if all(vins):
        if vins[0] == vins[1]:
            return Meeting(Match.SAME, (tr("VIN"),))
        return Meeting(Match.OTHER, differ=(Difference(tr("VIN"), *vins),))
    agree: list[str] = []
    differ: list[Difference] = []
    decisive = False
    for what, one, other, decides in _looks(first, second):
        if not one or not other:
            continue
        if one == other:
            agree.append(what)
        else:
            differ.append(Difference(what, one, other))
            decisive |= decides
    match = Match.OTHER if decisive else Match.UNKNOWN
    return Meeting(match, tuple(agree), tuple(differ))


def _looks(first: Identity, second: Identity) -> Iterator[tuple[str, str, str, bool]]:
    """What is compared without VINs: its name, both sides, and whether it decides."""
    addresses = [", ".join(sorted(side.ecus)) for side in (first, second)]
    shared = sorted(set(first.ecus) & set(second.ecus))
    yield tr("ECUs"), addresses[0], addresses[1], not shared
    for address in shared:
        one, other = first.ecus[address], second.ecus[address]
        yield tr("name of ECU {address}", address=address), one.name, other.name, True
        software = [", ".join(sorted(ecu.calibrations)) for ecu in (one, other)]
        yield tr("software of ECU {address}", address=address), software[0], software[1], False
        pids = [" ".join(f"{pid:02X}" for pid in ecu.pids) for ecu in (one, other)]
        yield tr("PIDs of ECU {address}", address=address), pids[0], pids[1], False
    yield tr("protocol"), first.protocol, second.protocol, False
