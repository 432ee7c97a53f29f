"""Service 01 values read once: what every ECU that supports a PID says now."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Mapping

from logbench.errors import ReplyError
from logbench.signals.decoding import decode, scaling_from
from logbench.signals.model import Scaling
from logbench.signals.table import table
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.services import data_service

Values = dict[str, dict[str, float]]
"""ECU to acronym to value; NaN is left out."""


def read_values(
    asker: Asker, pids: Iterable[int], supported: Mapping[str, frozenset[int]], what: str
) -> Values:
    """Ask for `pids`, one a request, as far as any ECU supports them."""
    service = data_service(asker.link.service)
    found: Values = {}
    for pid in pids:
        if not any(pid in known for known in supported.values()):
            continue
        for reply in asker.ask(service.payload((pid,)), what):
            try:
                parts = service.split(reply.data, table().lengths())
                values = {k: v for got, data in parts for k, v in decode(got, data).items()}
            except ReplyError as error:
                asker.problem(f"{reply.ecu} answers {what} in a way that makes no sense: {error}")
                continue
            kept = {name: value for name, value in values.items() if not math.isnan(value)}
            found.setdefault(reply.ecu, {}).update(kept)
    return found


def read_scaling(asker: Asker, supported: Mapping[str, frozenset[int]]) -> Scaling | None:
    """Maximum values of PID 0x4F and 0x50, which change what the same bytes mean; None: default."""
    service = data_service(asker.link.service)
    raw: dict[int, bytes] = {}
    for pid in (0x4F, 0x50):
        if not any(pid in known for known in supported.values()):
            continue
        for reply in asker.ask(service.payload((pid,)), "maximum values"):
            with contextlib.suppress(ReplyError):  # the default scaling stays
                raw.update(service.split(reply.data, table().lengths()))
    return scaling_from(raw.get(0x4F), raw.get(0x50)) if raw else None


def highest(values: Values, acronym: str) -> float | None:
    """The largest value any ECU gives; None when none does."""
    return max((by[acronym] for by in values.values() if acronym in by), default=None)
