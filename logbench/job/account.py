"""All that is known of one change of the car, as names and values in plain words."""

from __future__ import annotations

from datetime import datetime

from logbench.analysis.statement import Quantity, joined, said
from logbench.foreign import in_label
from logbench.job.times import parse_time
from logbench.vehicle.records.model import CarAnswer, CarChange, CarOutcome, refusal

_ENDS = 3
"""Answers shown from the beginning and from the end, where there are more."""
_NOT = "not reported"
_MEANS: dict[CarOutcome, str] = {
    "accepted": "done",
    "waiting": "response pending",
    "not answered": "not readable",
}


def account(change: CarChange) -> tuple[tuple[str, str], ...]:
    """What was agreed, how the car stood, what was sent, and what came; names without values are
    left out."""
    sent = parse_time(change.sent_utc)
    facts = (
        ("Consent given", in_label(change.consent)),
        ("Reading saved before", in_label(change.saved)),
        ("The car right before", _stood(change, sent)),
        ("Sent, once", _sent(change, sent)),
        ("Answers", _answers(change, sent)),
        ("The adapter said", "; ".join(_ends([in_label(text) for text in change.said]))),
        ("Waiting ended early", in_label(change.ended)),
    )
    return tuple((name, text) for name, text in facts if text)


def _stood(change: CarChange, sent: datetime | None) -> str:
    asked = parse_time(change.asked_utc)
    text, before = "engine speed {rpm}, road speed {speed}, asked at {at}", 0.0
    if sent and asked:
        text = "engine speed {rpm}, road speed {speed}, asked at {at}, {before:.1f s} before"
        before = (sent - asked).total_seconds()
    return said(
        text,
        rpm=Quantity(change.rpm, "rpm", decimals=0) if change.rpm is not None else _NOT,
        speed=Quantity(change.speed_kmh, "km/h", decimals=0)
        if change.speed_kmh is not None
        else _NOT,
        at=_clock(asked),
        before=before,
    )


def _sent(change: CarChange, sent: datetime | None) -> str:
    to = in_label(change.to) or "all ECUs"
    request, wire = in_label(change.request), in_label(change.wire)
    text = "{request} to {to} at {time}; on the wire {wire}"
    return said(text, request=request, to=to, time=_clock(sent), wire=wire)


def _answers(change: CarChange, sent: datetime | None) -> str:
    answers = _ends([_answer(answer, sent) for answer in change.answers])
    return joined(answers) if answers else "none"


def _answer(answer: CarAnswer, sent: datetime | None) -> str:
    came = parse_time(answer.at_utc)
    means = _MEANS.get(answer.outcome) or said("refused, {why}", why=refusal(answer.message))
    what = f"{in_label(answer.ecu)} {in_label(answer.data)}"
    if not (sent and came):
        return said("{what} ({means})", what=what, means=means)
    after = (came - sent).total_seconds()
    return said("{what} ({means}) after {after:.2f s}", what=what, means=means, after=after)


def _ends(texts: list[str]) -> list[str]:
    if len(texts) <= 2 * _ENDS + 1:
        return texts
    return [*texts[:_ENDS], said("{n} more", n=len(texts) - 2 * _ENDS), *texts[-_ENDS:]]


def _clock(when: datetime | None) -> str:
    """`10:30:00.125`, local time."""
    return when.astimezone().strftime("%H:%M:%S.%f")[:-3] if when else "a time not known"
