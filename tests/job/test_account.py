"""A change of the car as fields of the job, and as it is shown in the terminal."""

from __future__ import annotations

from logbench.job.account import account
from logbench.job.folder import create_job, open_job
from logbench.job.model import JobEvent
from logbench.job.timeline import timeline
from logbench.system.limits import CAR_ANSWERS
from logbench.vehicle.records.model import CarAnswer, CarChange

CHANGE = CarChange(
    request="04",
    consent="The owner agrees.",
    saved="20260506-103000.json",
    rpm=0.0,
    speed_kmh=0.0,
    asked_utc="2026-05-06T10:29:59.700+00:00",
    sent_utc="2026-05-06T10:30:00.000+00:00",
    wire="30 34 0D",
    answers=[
        CarAnswer(ecu="7E8", data="44", at_utc="2026-05-06T10:30:00.050+00:00"),
        CarAnswer(ecu="7E9", data="7F 04 22", at_utc="2026-05-06T10:30:00.060+00:00"),
        CarAnswer(ecu="7EA", data="7F 04 78", at_utc="2026-05-06T10:30:00.070+00:00"),
        CarAnswer(ecu="7EB", data="7F 04 78", at_utc="2026-05-06T10:30:00.080+00:00"),
        CarAnswer(ecu="7EB", data="44", at_utc="2026-05-06T10:30:01.080+00:00"),
    ],
)


def shown(change: CarChange) -> dict[str, str]:
    return dict(account(change))


def test_every_field_is_shown_in_plain_words():
    facts = shown(CHANGE)
    assert list(facts) == [
        "Consent given", "Reading saved before", "The car right before", "Sent, once", "Answers",
    ]  # fmt: skip
    assert facts["Consent given"] == "The owner agrees."
    stood = facts["The car right before"]
    assert stood.startswith("engine speed 0 rpm, road speed 0 km/h, asked at ")
    assert stood.endswith(":29:59.700, 0.3 s before")
    assert facts["Sent, once"].startswith("04 to all ECUs at ")
    assert facts["Sent, once"].endswith(":30:00.000; on the wire 30 34 0D")
    assert facts["Answers"].split("; ") == [
        "7E8 44 (done) after 0.05 s",
        "7E9 7F 04 22 (refused, the conditions are not right) after 0.06 s",
        "7EA 7F 04 78 (response pending) after 0.07 s",
        "7EB 7F 04 78 (response pending) after 0.08 s",
        "7EB 44 (done) after 1.08 s",
    ]
    assert CHANGE.outcome == "accepted"
    assert (CHANGE.accepted, CHANGE.waiting) == (["7E8", "7EB"], ["7EA"])
    assert CHANGE.refused == {"7E9": "the conditions are not right"}


def test_nothing_came():
    lost = CHANGE.model_copy(update={"answers": [], "said": ["NO DATA"], "ended": "Link lost."})
    facts = shown(lost)
    assert facts["Answers"] == "none"
    assert facts["The adapter said"] == "NO DATA"
    assert facts["Waiting ended early"] == "Link lost."
    assert lost.outcome == "not answered"


def test_a_car_that_said_wait_a_thousand_times():
    many = [CarAnswer(ecu="7E8", data="7F 04 78", at_utc="")] * CAR_ANSWERS
    parts = shown(CHANGE.model_copy(update={"answers": many}))["Answers"].split("; ")
    assert len(parts) == 7
    assert parts[3] == f"{CAR_ANSWERS - 6} more"


def test_what_a_strangers_job_may_say():
    """Times that are none, bytes that are not hex, control characters, markup, very long lines."""
    hostile = "\x1b[2J\u202e<b>&\n" + "x" * 5000
    change = CarChange(
        request=hostile, consent=hostile, saved=hostile, asked_utc=hostile, sent_utc="2026-13-45",
        to=hostile, wire=hostile, said=[hostile], ended=hostile,
        answers=[CarAnswer(ecu=hostile, data=hostile, at_utc=hostile)],
    )  # fmt: skip
    for name, text in account(change):
        assert len(text) < 2000, name
        assert text.isprintable(), name
        assert "\u202e" not in text
    assert change.outcome == "not answered"


def test_a_job_gives_it_back_and_the_timeline_has_it(tmp_path):
    folder, job = create_job(tmp_path, "Rough idle, invented")
    job.events = [JobEvent(at_utc=CHANGE.sent_utc, kind="codes cleared", change=CHANGE)]
    folder.save(job)
    folder, job = open_job(folder.path)
    assert job.events[0].change == CHANGE
    (moment,) = [m for m in timeline(job, folder) if m.kind == "codes cleared"]
    assert moment.facts == account(CHANGE)
