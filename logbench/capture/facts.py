"""When a recording was made."""

from __future__ import annotations

import datetime


def iso_utc(moment: datetime.datetime) -> str:
    """ISO 8601 in UTC with microseconds."""
    return moment.astimezone(datetime.UTC).isoformat(timespec="microseconds")


def utc_now() -> datetime.datetime:
    """The time of day, aware."""
    return datetime.datetime.now(datetime.UTC)
