"""The words between a link and whoever polls it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from logbench.car.identity import Ecu, Identity

Progress = Callable[[str], None]
"""Gets one short sentence per step while connecting ('Looking for the adapter at 115,200 baud')."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One complete message of one ECU, after message assembly.

    `data` begins with the service byte of the reply (0x41 …, or 0x7F for a negative response).
    `t_ns` is the middle of the request's round trip on the link's clock.
    """

    ecu: str
    data: bytes
    t_ns: int


@dataclass(frozen=True, slots=True)
class Witnessed:
    """One exchange as it was, before anything was made of it: the request, service byte first, and
    every message of an ECU that came. `to`: response address of the ECU asked alone; `` for all.
    Times in ns on the link's clock; replies count as taken in the middle."""

    sent_ns: int
    arrived_ns: int
    to: str
    request: bytes
    messages: tuple[tuple[str, bytes], ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One decoded sample: signal acronym, ECU, time on the link's clock in ns, value."""

    signal: str
    ecu: str
    t_ns: int
    value: float


@dataclass(frozen=True, slots=True)
class Protocol:
    """The vehicle bus protocol that the link found."""

    name: str
    is_can: bool
    id_bits: int = 11
    bit_rate: int = 500_000


@dataclass(frozen=True, slots=True)
class CarFacts:
    """What discovery found out."""

    vin: str = ""
    protocol: str = ""
    adapter: str = ""
    voltage_v: float | None = None
    supported: dict[str, frozenset[int]] = field(default_factory=dict)
    """ECU address in hex (`7E8`) to the Service 01 PIDs it supports."""
    unanswered: dict[str, int] = field(default_factory=dict)
    """ECU to the list of PIDs that it has announced and not given: what it supports from there on
    is unknown."""
    unnamed: bool = False
    """Names of ECUs and of their software were not asked for yet."""
    ecu_names: dict[str, str] = field(default_factory=dict)
    calibrations: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def identity(self) -> Identity:
        """Which car it is."""
        ecus = {
            address: Ecu(
                name=self.ecu_names.get(address, ""),
                calibrations=dict.fromkeys(self.calibrations.get(address, ()), ""),
                pids=tuple(sorted(pids)),
            )
            for address, pids in self.supported.items()
        }
        return Identity(vin=self.vin, protocol=self.protocol, ecus=ecus)
