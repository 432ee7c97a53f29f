"""Times as people read them: kept as ISO 8601 in UTC, shown in the local time of this computer."""

from __future__ import annotations

from datetime import UTC, datetime

from logbench.foreign import in_label


def parse_time(text: str) -> datetime | None:
    """The moment of an ISO 8601 text, in UTC where it names no zone; None when it is not a time."""
    when = _moment(text)
    return when if when is None or when.tzinfo is not None else when.replace(tzinfo=UTC)


def local_text(when: datetime) -> str:
    """`2026-05-04 09:40`, local time."""
    return when.astimezone().strftime("%Y-%m-%d %H:%M")


def short_time(text: str) -> str:
    """`2026-05-04 09:40`, local time, from ISO 8601; a text that is none stays as it is."""
    when = _moment(text)
    if when is None or when.tzinfo is None:
        return in_label(text[:16].replace("T", " "))
    return local_text(when)


def when_text(text: str) -> str:
    """`2026-05-04 09:40 UTC+2`: local time with its zone, from ISO 8601.

    A time without a zone (of some imports) is shown as it stands, and says so; a text that is no
    time is shown as it is.
    """
    when = _moment(text)
    if when is None:
        return in_label(text)
    if when.tzinfo is None:
        return f"{in_label(text[:16].replace('T', ' '))} local time, zone not known"
    local = when.astimezone()
    minutes = round((local.utcoffset() or when - when).total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    zone = (
        f"{'+' if minutes > 0 else '-'}{hours}{f':{rest:02d}' if rest else ''}" if minutes else ""
    )
    return f"{local_text(when)} UTC{zone}"


def _moment(text: str) -> datetime | None:
    """With its zone where the text names one; None also for one that cannot be shown."""
    try:
        moment = datetime.fromisoformat(text)
        moment.astimezone(UTC)
        moment.astimezone()
    except (ValueError, OverflowError):
        return None
    return moment
