"""Which car it is: its VIN, and what its ECUs are. The one check that tells two cars apart.

Vehicle identification numbers: ISO 3779 characters and the check digit of 49 CFR 565.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

from logbench.errors import UsageError
from logbench.foreign import ToldLine, ToldName, raw
from logbench.words import tr

_LENGTH = 17
_DIGITS = "0123456789"
# 49 CFR 565.15, tables III and IV: values of the letters (I, O and Q are not used) and weights.
_VALUES = dict(zip(_DIGITS, range(10), strict=True)) | {
    letter: value
    for letters, values in (
        ("ABCDEFGH", range(1, 9)),
        ("JKLMN", range(1, 6)),
        ("P", (7,)),
        ("R", (9,)),
        ("STUVWXYZ", range(2, 10)),
    )
    for letter, value in zip(letters, values, strict=True)
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_PLACE = 8


@dataclass(frozen=True, slots=True)
class VinCheck:
    """What can be said of a VIN by itself."""

    vin: str
    """Upper case, without blanks and NULs around it."""
    problem: str = ""
    """Why it cannot be a VIN (length, characters), as a sentence; empty when it can."""
    notice: str = ""
    """What is worth a second look but no error: a check digit that does not match. Only North
    America requires the digit; elsewhere it is often unused (common practice, no source)."""

    @property
    def ok(self) -> bool:
        """Whether it can be a VIN; a notice does not matter."""
        return not self.problem


def check_vin(vin: str) -> VinCheck:
    """Check length and characters (ISO 3779) and the check digit (49 CFR 565).

    Never raises: what was read from a car or typed by a person is described, not refused.
    """
    vin = raw(vin).strip(" \t\r\n\0").upper()
    if len(vin) != _LENGTH:
        return VinCheck(vin, problem=f"A VIN has {_LENGTH} characters, this has {len(vin)}.")
    wrong = "".join(dict.fromkeys(char for char in vin if char not in _VALUES))
    if wrong:
        return VinCheck(
            vin, problem=f"A VIN has digits and letters without I, O and Q, this has {wrong!r}."
        )
    digit = check_digit(vin)
    notice = ""
    if vin[_CHECK_PLACE] != digit:
        notice = (
            f"Position 9 is {vin[_CHECK_PLACE]}, the North American check digit would be {digit}: "
            "look again, or the maker does not use it."
        )
    return VinCheck(vin, notice=notice)


def stated_vin(text: str) -> str:
    """A VIN as a person states it, in capitals; `` is none. Raises `UsageError` where it cannot be
    one."""
    checked = check_vin(text)
    if checked.vin and checked.problem:
        raise UsageError(
            tr(
                "'{text}' cannot be the VIN. {why} Read it again; another frame number goes "
                "into the car's name.",
                text=checked.vin,
                why=checked.problem,
            )
        )
    return checked.vin


def check_digit(vin: str) -> str:
    """The check digit, `0` to `9` or `X`, of 17 legal characters; position 9 does not matter.

    49 CFR 565.15(c): sum of value times weight, modulo 11, 10 written as X.
    """
    total = sum(_VALUES[char] * weight for char, weight in zip(vin, _WEIGHTS, strict=True))
    return f"{_DIGITS}X"[total % 11]


_LEAST_VARIED = 5
"""A VIN of fewer different characters was never programmed (`00000000000000000`)."""


class Ecu(BaseModel):
    """One ECU as it described itself; what it did not tell is empty."""

    model_config = ConfigDict(extra="allow", frozen=True)

    name: ToldLine = ""
    calibrations: dict[ToldLine, ToldLine] = Field(default_factory=dict)
    """Calibration identification to its verification number (8 hex digits, or empty)."""
    pids: tuple[int, ...] = ()
    """Service 01 PIDs it supports, sorted."""


class Identity(BaseModel):
    """What a car, a file or a person says of which car it is; empty is not known."""

    model_config = ConfigDict(extra="allow", frozen=True)

    vin: ToldLine = ""
    protocol: ToldLine = ""
    ecus: dict[ToldName, Ecu] = Field(default_factory=dict)
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
            return tr("The same car, as you said earlier. {differences}", differences=said)
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
