"""Facts that every new recording carries."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

from logbench.recording.model import SignalFacts
from logbench.signals.table import table


def signal_facts(acronyms: Iterable[str]) -> dict[str, SignalFacts]:
    """Unit, name and PID of each signal from the table; raises `SignalUnknownError`."""
    signals = [table().by_acronym(acronym) for acronym in acronyms]
    return {s.acronym: SignalFacts(unit=s.unit, name=s.name, pid=s.pid) for s in signals}


def iso_utc(moment: datetime.datetime) -> str:
    """ISO 8601 in UTC with microseconds."""
    return moment.astimezone(datetime.UTC).isoformat(timespec="microseconds")


def utc_now() -> datetime.datetime:
    """The time of day, aware."""
    return datetime.datetime.now(datetime.UTC)
