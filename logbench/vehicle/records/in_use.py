"""How often each monitor has run in use (service 09, info types 08 and 0B).

Order and meaning of the counters: SAE J1979 (ISO 15031-5); the first 20 of a spark ignition engine
and the 18 of compression ignition as a maker's description of the services publishes them
(`emdzej/ediabasx-docs`, tables IPTSparkList and IPTComprList), the last eight of spark ignition
from memory. What a driving cycle must be like to count: 13 CCR 1968.2(d)(4.3).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.model import CarReading, InUse, MonitorUse
from logbench.vehicle.wanted import DataService

SPARK, COMPRESSION = 0x08, 0x0B
MONITORS: Mapping[int, tuple[str, ...]] = MappingProxyType(
    {
        SPARK: (
            *("Catalyst, bank 1", "Catalyst, bank 2"),
            *("Oxygen sensor, bank 1", "Oxygen sensor, bank 2"),
            *("EGR and/or VVT system", "Secondary air system", "Evaporative system"),
            *("Secondary oxygen sensor, bank 1", "Secondary oxygen sensor, bank 2"),
            *("Air/fuel imbalance, bank 1", "Air/fuel imbalance, bank 2"),
            *("Particulate filter, bank 1", "Particulate filter, bank 2"),
        ),
        COMPRESSION: (
            *("NMHC catalyst", "NOx catalyst", "NOx adsorber", "Particulate filter"),
            *("Exhaust gas sensor", "EGR and/or VVT system", "Boost pressure", "Fuel system"),
        ),
    }
)
"""By info type, in the order in which the ECU sends them."""
WHAT = "in-use counters"
MEANING = (
    "Driving cycles in which the monitor finished, of those that were long enough to expect it. A "
    "monitor that seldom runs as this car is driven cannot have found much: its silence proves "
    "nothing."
)


def read_in_use(
    reading: CarReading, asker: Asker, service: DataService, kinds: Mapping[str, frozenset[int]]
) -> None:
    """The counters of every ECU that has them. `kinds`: info types by ECU."""
    for kind in (SPARK, COMPRESSION):
        if not any(kind in known for known in kinds.values()):
            continue
        for reply in asker.ask(service.info_payload(kind), WHAT):
            counted = in_use_of(reply, kind, service)
            if counted is None:
                asker.problem(f"{reply.ecu} gives its {WHAT} in a way that makes no sense.")
            else:
                reading.in_use.append(counted)


def in_use_of(reply: Reply, kind: int, service: DataService) -> InUse | None:
    """The counters of one positive reply; None where they are not whole. On CAN their number, and
    on some cars of SAE J1979-2, too, stands in front of them."""
    head = service.info_head()
    if reply.data[head - 1 : head] != bytes((kind,)):
        return None
    data = reply.data[head:]
    if len(data) % 2:
        count, data = data[0], data[1:]
        if len(data) < 2 * count:
            return None
        data = data[: 2 * count]
    numbers = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    if len(numbers) < 4:
        return None
    encountered, cycles, *pairs = numbers
    return InUse(
        ecu=reply.ecu,
        ignition="spark" if kind == SPARK else "compression",
        encountered=encountered,
        ignition_cycles=cycles,
        monitors=[
            MonitorUse(monitor=name, ran=ran, of=of)
            for name, ran, of in zip(MONITORS[kind], pairs[::2], pairs[1::2], strict=False)
        ],
    )


def use_text(use: MonitorUse) -> str:
    """`34 of 40, 0.85`; without a ratio before any cycle counted."""
    counted = f"{use.ran} of {use.of}"
    return counted if use.ratio is None else f"{counted}, {use.ratio:.2f}"
