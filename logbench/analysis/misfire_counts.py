"""Which cylinder misses: the misfire counts among the monitors' results (service 06).

Monitors A2 to AD are cylinders 1 to 12; test 0B is the mean of the last ten driving cycles, 0C the
count of the last or the current one [Pub: SAE J1979 tables in makers' texts on service 06]. Counts
of cylinders are only to be compared with each other [Pub: manufacturer text on misfire monitors]:
how many there are depends on how the car was driven.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from logbench.analysis.statement import joined, said
from logbench.vehicle.records.model import MonitorResult

FIRST_CYLINDER, LAST_CYLINDER = 0xA2, 0xAD
CYCLE, MEAN = 0x0C, 0x0B
LEAST_COUNT, TIMES = 30.0, 3.0
"""A cylinder stands out with so many counts, and so many times those of the others. [CP]"""


def counts_of(results: Iterable[MonitorResult], test: int) -> dict[int, float]:
    """Misfires by cylinder, from 1; empty where the car counts none."""
    return {
        result.monitor_id - FIRST_CYLINDER + 1: result.value
        for result in results
        if result.monitor_id is not None
        and FIRST_CYLINDER <= result.monitor_id <= LAST_CYLINDER
        and result.test_id == test
        and result.value is not None
    }


def standing_out(counts: dict[int, float]) -> tuple[int, ...]:
    """The cylinders that miss surely more often than the others."""
    usual = median(counts.values()) if counts else 0.0
    return tuple(
        cylinder
        for cylinder, count in sorted(counts.items())
        if count >= max(LEAST_COUNT, TIMES * max(usual, 1.0))
    )


def misfire_sentence(results: Sequence[MonitorResult]) -> str:
    """What the counts say; `` where the car reports none."""
    told = []
    for test, when in ((CYCLE, "in this driving cycle"), (MEAN, "in the mean of the last ten")):
        counts = counts_of(results, test)
        odd = standing_out(counts)
        if len(counts) < 2:
            continue
        if odd:
            rest = [count for cylinder, count in counts.items() if cylinder not in odd]
            most = max(rest, default=0.0)
            told += [
                said(
                    "cylinder {c} missed {n:.0f} times {when}, no other more than {m:.0f} times",
                    c=cylinder,
                    n=counts[cylinder],
                    when=when,
                    m=most,
                )
                for cylinder in odd
            ]
        else:
            told.append(
                said(
                    "no cylinder stands out {when}: at most {m:.0f} misfires",
                    when=when,
                    m=max(counts.values()),
                )
            )
    return joined(told, end=".") if told else ""
