"""The clocks of the computer that a recording is tied to, and how far each can be trusted.

Samples carry the recording's own clock, which nothing moves. The time of day says when it began,
unless that cannot be: a computer whose clock battery is empty begins in 1970 or 2000. A capture
that goes on after another has died needs to know how long it was away: the clock that counts since
the computer was switched on knows, in the same run of the computer; else two times of day may.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from logbench.recording.model import CLOCK_KEY, Facts, iso_utc
from logbench.system.platforms import Boot, boot_clock
from logbench.system.version import RELEASED_UTC

LONGEST_YEARS = 30
"""So long after its release nobody uses a version of this program, whatever a clock says."""
LONGEST_AWAY_S = 24 * 3600.0
"""Further apart, two times of day are not taken for one drive: it is gone on with the same day.
Common practice, no source."""
SLACK_S = 5.0
"""By so much a time of day may run back between two captures: it is corrected from time to time."""


def utc_clock() -> datetime:
    """The time of day, as the computer has it."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The time of day, and the time since the computer was switched on."""

    utc_now: Callable[[], datetime] = utc_clock
    boot: Callable[[], Boot] = boot_clock

    def began_utc(self, ago_s: float = 0.0) -> str:
        """The moment so many seconds ago, ISO 8601; `` where the time of day cannot be right."""
        now = self.utc_now()
        return iso_utc(now - timedelta(seconds=ago_s)) if plausible(now) else ""

    def kept(self, recording_id: str, ago_s: float = 0.0) -> dict[str, Any]:
        """For the `extra` of a recording that began so many seconds ago: the boot clock then."""
        now = self.boot()
        if not now.run:
            return {}
        began_ns = now.ns - round(ago_s * 1e9)
        return {CLOCK_KEY: {"run": _hidden(now.run, recording_id), "ns": began_ns}}

    def since_s(self, facts: Facts, last_s: float) -> float | None:
        """Real seconds since a recording began, whose last sample came after `last_s` of them; None
        where no clock can tell."""
        kept, now = facts.extra.get(CLOCK_KEY), self.boot()
        mine = kept if isinstance(kept, dict) else {}
        if now.run and mine.get("run") == _hidden(now.run, facts.recording_id):
            return max((now.ns - int(mine["ns"])) / 1e9, last_s)
        if mine.get("set"):
            return None
        began, today = _moment(facts.started_utc), self.utc_now()
        if began is None or not (plausible(began) and plausible(today)):
            return None
        since_s = (today - began).total_seconds()
        return since_s if -SLACK_S <= since_s - last_s <= LONGEST_AWAY_S else None


def plausible(moment: datetime) -> bool:
    """Whether a clock that shows this may be right: this version exists, and is in use."""
    released = datetime.fromisoformat(RELEASED_UTC)
    return released <= moment < released.replace(year=released.year + LONGEST_YEARS)


def clock_was_set(facts: Facts) -> Facts:
    """The facts of a recording during which the time of day was set: it says no longer how long a
    later capture was away."""
    kept = facts.extra.get(CLOCK_KEY, {})
    return facts.model_copy(update={"extra": facts.extra | {CLOCK_KEY: kept | {"set": True}}})


def _hidden(run: str, recording_id: str) -> str:
    """Tells runs of a computer apart within one recording only."""
    return hashlib.sha256(f"{run}{recording_id}".encode()).hexdigest()[:16]


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None
