"""Times are kept in UTC and shown in local time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from logbench.foreign import in_label
from logbench.job.account import account
from logbench.job.times import parse_time, short_time, when_text
from logbench.vehicle.records.model import CarChange

WINTER, SUMMER = "2026-01-04T23:40:00+00:00", "2026-07-04T23:40:00Z"


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Sets the time zone of this process, as POSIX writes it."""
    if not hasattr(time, "tzset"):
        pytest.skip("the zone of a process cannot be set here")

    def choose(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield choose
    monkeypatch.undo()
    time.tzset()


def test_the_account_of_a_change_has_local_times(zone):
    zone("CET-1CEST,M3.5.0,M10.5.0/3")
    change = CarChange(
        request="04", consent="yes", saved="a.json", asked_utc=SUMMER, sent_utc=SUMMER, rpm=0.0
    )
    facts = dict(account(change))
    assert "asked at 01:40:00.000, 0.0 s before" in facts["The car right before"]


def test_local_time_with_its_zone(zone):
    zone("CET-1CEST,M3.5.0,M10.5.0/3")
    assert when_text(WINTER) == "2026-01-05 00:40 UTC+1"
    assert when_text(SUMMER) == "2026-07-05 01:40 UTC+2"
    assert short_time(SUMMER) == "2026-07-05 01:40"
    zone("EST5EDT,M3.2.0,M11.1.0")
    assert when_text(WINTER) == "2026-01-04 18:40 UTC-5"
    zone("IST-5:30")
    assert when_text(WINTER) == "2026-01-05 05:10 UTC+5:30"
    zone("UTC0")
    assert when_text(WINTER) == "2026-01-04 23:40 UTC"


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-01T00:00:00+00:00", "\x00"])
def test_what_is_no_time_stays_as_it_is(text: str):
    assert when_text(text) == in_label(text)
    assert parse_time(text) is None


def test_a_time_without_a_zone_is_not_moved(zone):
    zone("CET-1CEST,M3.5.0,M10.5.0/3")
    assert when_text("2026-01-04T23:40:00") == "2026-01-04 23:40 local time, zone not known"
    assert short_time("2026-01-04T23:40:00") == "2026-01-04 23:40"
