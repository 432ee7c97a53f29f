"""What adapters and cars there are: traits, each usual or odd, and peers drawn from them by a seed.

Written from ISO 15765-2 and -4, ISO 9141-2, ISO 14230-4, SAE J1850 and SAE J1979 (from memory), and
from what adapters' published descriptions say of their commands and texts (common practice).
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

Choice = TypeVar("Choice")


@dataclass(frozen=True, slots=True)
class Pid:
    """A service 01 PID whose first value can hold a counter: value = raw * scale + offset."""

    acronym: str
    number: int
    data_bytes: int
    wide: bool
    """The value has two bytes."""
    scale: float
    offset: float = 0.0


_PERCENT, _TRIM = 100 / 255, 100 / 128
PIDS = {
    pid.number: pid
    for pid in (
        Pid("LOAD_PCT", 0x04, 1, False, _PERCENT),
        Pid("ECT", 0x05, 1, False, 1, -40),
        Pid("SHRTFT1", 0x06, 1, False, _TRIM, -100),
        Pid("LONGFT1", 0x07, 1, False, _TRIM, -100),
        Pid("MAP", 0x0B, 1, False, 1),
        Pid("RPM", 0x0C, 2, True, 1 / 4),
        Pid("VSS", 0x0D, 1, False, 1),
        Pid("SPARKADV", 0x0E, 1, False, 1 / 2, -64),
        Pid("IAT", 0x0F, 1, False, 1, -40),
        Pid("MAF", 0x10, 2, True, 1 / 100),
        Pid("TP", 0x11, 1, False, _PERCENT),
        Pid("O2S12", 0x15, 2, False, 1 / 200),
        Pid("RUNTM", 0x1F, 2, True, 1),
        Pid("MIL_DIST", 0x21, 2, True, 1),
        Pid("FRP_23", 0x23, 2, True, 10),
        Pid("LAMBDA11", 0x24, 4, True, 2 / 65536),
        Pid("EGR_PCT", 0x2C, 1, False, _PERCENT),
        Pid("FLI", 0x2F, 1, False, _PERCENT),
        Pid("CLR_DIST", 0x31, 2, True, 1),
        Pid("BARO", 0x33, 1, False, 1),
        Pid("LAMBDA11_34", 0x34, 4, True, 2 / 65536),
        Pid("CATEMP11", 0x3C, 2, True, 0.1, -40),
        Pid("VPWR", 0x42, 2, True, 1 / 1000),
        Pid("LOAD_ABS", 0x43, 2, True, 100 / 255),
        Pid("LAMBDA", 0x44, 2, True, 2 / 65536),
        Pid("AAT", 0x46, 1, False, 1, -40),
        Pid("APP_D", 0x49, 1, False, _PERCENT),
        Pid("TAC_PCT", 0x4C, 1, False, _PERCENT),
        Pid("CLR_TIME", 0x4E, 2, True, 1),
        Pid("EOT", 0x5C, 1, False, 1, -40),
        Pid("FUEL_RATE", 0x5E, 2, True, 1 / 20),
        Pid("TQ_ACT", 0x62, 1, False, 1, -125),
    )
}


@dataclass(frozen=True, slots=True)
class Ecu:
    """One that answers. Times in ms, each answer's between the two."""

    name: str
    """As headers show it: `7E8`, `18DAF110`, or a source address `10`."""
    pids: tuple[int, ...]
    latency_ms: tuple[float, float]
    dead: tuple[int, ...] = ()
    """Announced in the lists, never answered."""


@dataclass(frozen=True, slots=True)
class Car:
    """The bus and what is on it."""

    protocol: str
    """As in the adapter's command language, 1 to 9."""
    ecus: tuple[Ecu, ...]
    most: int = 6
    """PIDs in one request that are answered as they should be; 1 on the older buses."""
    too_many: str = "silent"
    """What comes to a longer request: `silent`, `negative` (7F 01 12) or `first` (of the PIDs)."""
    order: str = "asked"
    """Of PIDs in a reply: `asked`, `ascending`, `descending`."""
    padding: int | None = 0x00
    """Filler of CAN frames; None: as short as can be."""
    separation_ms: float = 0.3
    """Between consecutive frames."""
    pending: float = 0.0
    """Share of requests answered `7F 01 78` first."""
    pending_ms: float = 200.0
    silent: float = 0.0
    """Share of requests not heard."""
    lost_frames: float = 0.0
    """Share of consecutive frames that nobody receives."""
    has_vin: bool = True
    asleep_ms: float = 0.0
    """The first request wakes it, and is answered so late."""
    newer: bool = False
    """SAE J1979-2: data by service 22, identifiers F400 to F4FF, and nothing by service 01."""
    says_no: bool = False
    """An ECU that has none of what is asked answers `7F 01 12`, instead of nothing."""

    @property
    def is_can(self) -> bool:
        return self.protocol in "6789"

    @property
    def id_bits(self) -> int:
        return 29 if self.protocol in "79" else 11

    @property
    def chosen(self) -> tuple[int, ...]:
        """All PIDs that are announced."""
        return tuple(sorted({pid for ecu in self.ecus for pid in (*ecu.pids, *ecu.dead)}))

    @property
    def given(self) -> tuple[int, ...]:
        """All PIDs that are answered."""
        return tuple(sorted({pid for ecu in self.ecus for pid in ecu.pids}))


@dataclass(frozen=True, slots=True)
class Adapter:
    """What stands between, where something does."""

    name: str = "OBD adapter v1.5"
    echo: str = "obeys"
    """`obeys`, or `stays`: ATE0 is answered with OK or, `refuses`, with ?."""
    linefeeds: str = "obeys"
    spaces: str = "obeys"
    """`obeys`, or `refuses` (ATS0 unknown: they stay)."""
    headers: str = "obeys"
    """`obeys`, or `never`: ATH1 is answered with OK and without effect."""
    prompt: str = "\r>"
    nulls: float = 0.0
    """Share of characters with a NUL before them."""
    searching: str = "SEARCHING...\r"
    """Printed before the first reply in automatic search."""
    search_ms: float = 300.0
    reset_ms: float = 300.0
    warm_start: bool = True
    count: str = "obeys"
    """The digit behind a request: `obeys`, `ignores` or `refuses` (?)."""
    repeats: bool = True
    """A lone carriage return asks the same again."""
    adaptive: bool = True
    """ATAT0 to 2 are known."""
    settable_wait: bool = True
    """ATST is known."""
    aims: bool = True
    """ATSH is known."""
    tries: bool = True
    """ATTP is known."""
    command_ms: float = 1.0
    most_frames: int = 99
    """Of one reply; more end in BUFFER FULL."""
    long_messages: bool = True
    """False: no flow control, so that only first frames come."""
    most_bytes: int = 7
    """Of a request; a longer one is answered with ?."""
    interrupted: str = "STOPPED"
    voltage: str = "12.6V"
    waits_pending: bool = True
    """'Response pending' makes it wait for what follows."""
    resets: float = 0.0
    """Share of requests at which it restarts by itself."""


@dataclass(frozen=True, slots=True)
class Wire:
    """The way to the adapter."""

    kind: str
    """`tcp`, `pty`, or `can`: none, the bus itself."""
    baud: int = 0
    """0: takes no time."""
    delay_ms: float = 0.0
    """Each way."""
    chunk: int = 0
    """Most characters that arrive at once; 0: whole lines."""
    lost: float = 0.0
    """Share of the adapter's characters that get lost."""
    flipped: float = 0.0
    """Share with a bit turned over: any where frames show a check byte, else the eighth, since
    nobody could tell one hex digit from another."""


@dataclass(frozen=True, slots=True)
class Peer:
    """A car, a wire and an adapter; None: a CAN interface."""

    seed: int
    car: Car
    wire: Wire
    adapter: Adapter | None

    @property
    def given(self) -> tuple[int, ...]:
        """All PIDs that can be recorded: what two ECUs answer alike cannot where no header tells
        whose value it is."""
        pids = self.car.given
        if self.adapter is None or self.adapter.headers == "obeys":
            return pids
        return tuple(pid for pid in pids if sum(pid in ecu.pids for ecu in self.car.ecus) == 1)

    def odd_traits(self) -> str:
        """What differs from the usual, in one line."""
        found = []
        usual = (Car("6", ()), Adapter(), Wire("tcp"))
        idle = {"pending_ms": self.car.pending, "too_many": self.car.most < 6, "ecus": False}
        for part, common in zip((self.car, self.adapter, self.wire), usual, strict=True):
            for name in getattr(part, "__dataclass_fields__", {}):
                value = getattr(part, name)
                if value != getattr(common, name) and idle.get(name, True):
                    found.append(f"{name}={value!r}")
        for ecu in self.car.ecus:
            found.append(f"{ecu.name}:{len(ecu.pids)} PIDs {ecu.latency_ms} ms")
            found += [f"dead={PIDS[pid].acronym}" for pid in ecu.dead]
        return " ".join(found)


class _Draw:
    """Draws traits: usually the first choice."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.oddness = self.random.choice((0.08, 0.15, 0.3))

    def one(self, usual: Choice, *odd: Choice) -> Choice:
        """`usual`, or with the peer's own oddness one of the others."""
        return self.random.choice(odd) if self.random.random() < self.oddness else usual

    def any(self, choices: Sequence[Choice]) -> Choice:
        return self.random.choice(choices)

    def between(self, low: float, high: float) -> float:
        return round(self.random.uniform(low, high), 1)


def draw(seed: int) -> Peer:
    """The peer of this seed, for ever the same."""
    d = _Draw(seed)
    kind = d.any(("tcp", "tcp", "pty", "pty", "can"))
    is_can = kind == "can" or d.random.random() < 0.7
    protocol = d.any("66789" if kind != "can" else "67") if is_can else d.any("12345")
    car = _car(d, protocol, native=kind == "can")
    if kind == "can":
        return Peer(seed, _odder(d, car), Wire("can"), None)
    wire, adapter = _wire(d, kind), _adapter(d)
    if kind == "pty":
        wire = replace(wire, baud=d.one(wire.baud, 1_000_000, 2_000_000))
    car = _odder(d, car)
    if car.newer:  # three bytes are the least that such a car can be asked with
        adapter = replace(adapter, most_bytes=max(3, adapter.most_bytes))
    return Peer(seed, car, wire, adapter)


def _odder(d: _Draw, car: Car) -> Car:
    """What is drawn last."""
    if not car.is_can:
        return replace(car, says_no=car.protocol in "45" and d.one(False, True))
    newer = d.one(False, True)
    ecus = car.ecus
    if d.one(False, True):
        ecus = (replace(ecus[0], latency_ms=(105.0, 118.0)), *ecus[1:])
    most = min(3, car.most) if newer else car.most
    return replace(car, ecus=ecus, newer=newer, most=most, says_no=d.one(False, True))


def _ecus(d: _Draw, protocol: str) -> tuple[Ecu, ...]:
    chosen = d.random.sample(sorted(PIDS), d.random.randint(4, 10))
    names = ("10", "18", "28")
    if protocol in "68":
        names = ("7E8", "7E9", "7EA")
    elif protocol in "79":
        names = ("18DAF110", "18DAF118", "18DAF128")
    dead = tuple(d.random.sample(chosen, 1)) if d.one(False, True) and len(chosen) > 4 else ()
    alive = [pid for pid in chosen if pid not in dead]
    ecus = []
    for index in range(d.one(1, 2, 2, 3)):
        has = alive if index == 0 else d.random.sample(alive, d.random.randint(1, len(alive) // 2))
        if index == 0 and d.one(False, True):  # no ECU has all
            has = alive[1:]
        low = d.between(2, 30) if protocol in "6789" else d.between(20, 40)
        high = round(low + d.between(0, 10), 1)
        ecus.append(Ecu(names[index], tuple(sorted(has)), (low, high), dead if not index else ()))
    if missing := set(alive) - {pid for ecu in ecus for pid in ecu.pids}:
        first = ecus[-1]
        pids = tuple(sorted({*first.pids, *missing}))
        ecus[-1] = Ecu(first.name, pids, first.latency_ms, first.dead)
    return tuple(ecus)


def _car(d: _Draw, protocol: str, native: bool) -> Car:
    is_can = protocol in "6789"
    return Car(
        protocol,
        _ecus(d, protocol),
        most=d.one(6, 1, 2, 3, 5) if is_can else 1,
        too_many=d.any(("silent", "negative", "first")),
        order=d.one("asked", "ascending", "descending"),
        padding=d.one(0x00, 0xAA, 0x55, 0xCC, None),
        separation_ms=d.one(0.3, 1.0, 5.0, 20.0, 100.0 if is_can else 5.0),
        pending=d.one(0.0, 0.005, 0.03),
        pending_ms=d.any((60.0, 200.0, 600.0)),
        silent=d.one(0.0, 0.005, 0.03),
        lost_frames=d.one(0.0, 0.002, 0.02) if is_can else 0.0,
        has_vin=d.one(True, False),
        asleep_ms=d.one(0.0, 120.0, 500.0) if native else 0.0,
    )


def _wire(d: _Draw, kind: str) -> Wire:
    return Wire(
        kind,
        baud=d.any((38_400, 115_200, 115_200)) if kind == "pty" else d.one(0, 115_200),
        delay_ms=d.one(0.0, 1.0, 5.0, 20.0, 40.0),
        chunk=d.one(0, 1, 7, 20),
        lost=d.one(0.0, 3e-5, 3e-4),
        flipped=d.one(0.0, 3e-5, 3e-4),
    )


def _adapter(d: _Draw) -> Adapter:
    return Adapter(
        name=d.any(("OBD adapter v1.5", "OBD interface v2.1", "OBD II v1.0")),
        echo=d.one("obeys", "stays", "refuses"),
        linefeeds=d.one("obeys", "stays"),
        spaces=d.one("obeys", "refuses"),
        headers=d.one("obeys", "never"),
        prompt=d.one("\r>", ">", "\r\r>", "\r> "),
        nulls=d.one(0.0, 0.01),
        searching=d.one("SEARCHING...\r", "SEARCHING...", "SEARCHING.....\r", ""),
        search_ms=d.between(100, 1500),
        reset_ms=d.one(300.0, 50.0, 900.0, 2500.0),
        warm_start=d.one(True, False),
        count=d.one("obeys", "ignores", "refuses"),
        repeats=d.one(True, False),
        adaptive=d.one(True, False),
        settable_wait=d.one(True, False),
        aims=d.one(True, False),
        tries=d.one(True, False),
        command_ms=d.one(1.0, 3.0, 8.0),
        most_frames=d.one(99, 1, 2, 4),
        long_messages=d.one(True, False),
        most_bytes=d.one(7, 2, 3, 4),
        interrupted=d.one("STOPPED", ""),
        voltage=d.one("12.6V", "14.1 V", "11.9", "0.0V", "5.1V", "?", ""),
        waits_pending=d.one(True, False),
        resets=d.one(0.0, 0.0005),
    )
