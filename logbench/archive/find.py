"""Which recordings: by car, date, signal, finding, text, size of engine, or what a signal did."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from logbench.archive.columns import searched_columns
from logbench.errors import UsageError
from logbench.signals.table import table

_BELOW = {"below", "under", "<"}
_CONDITION = re.compile(
    r"\s*(?P<signal>\w+)\s*(?P<how>below|under|<|above|over|>)\s*(?P<number>[-+]?\d+(?:\.\d+)?)\s*"
    r"(?P<unit>[^\s\d]\S*?)?"
    r"(?:\s+(?P<when>after|before)\s+(?P<time>\d+(?:\.\d+)?)\s*(?P<scale>s|sec|seconds?|min|minutes?|h|hours?)?)?\s*",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Condition:
    """A signal below or above a value (in its unit), perhaps only after or before a time."""

    signal: str
    below: bool
    value: float
    from_s: float | None = None
    to_s: float | None = None

    @property
    def sql(self) -> str:
        """For the columns of `samples`; made of numbers and a known acronym only."""
        parts = [f"signal = '{self.signal}'", f"value {'<' if self.below else '>'} {self.value!r}"]
        if self.from_s is not None:
            parts.append(f"t_ns >= {round(self.from_s * 1e9)}")
        if self.to_s is not None:
            parts.append(f"t_ns < {round(self.to_s * 1e9)}")
        return " AND ".join(parts)


def parse_condition(text: str) -> Condition:
    """`ECT below 70 after 10 minutes`, `VPWR < 12`, `ECT above 230 degF before 5 min`.

    Raises `UsageError` with the form, `SignalUnknownError`.
    """
    match = _CONDITION.fullmatch(text)
    if match is None:
        raise UsageError(
            f"'{text}' is no condition: write it like 'ECT below 70 after 10 minutes'."
        )
    signal = table().by_acronym(match["signal"])
    value = float(match["number"])
    unit = match["unit"]
    if unit:
        from logbench.signals.units import compatible, convert  # brings pint

        if not compatible(unit, signal.unit):
            raise UsageError(f"{signal.acronym} is in {signal.unit or 'no unit'}, not in {unit}.")
        value = float(convert(np.array([value]), unit, signal.unit)[0])
    limit = None
    if match["when"]:
        scale = {"m": 60.0, "h": 3600.0}.get((match["scale"] or "s")[0].lower(), 1.0)
        limit = float(match["time"]) * scale
    after = (match["when"] or "").lower() == "after"
    return Condition(
        signal.acronym,
        match["how"].lower() in _BELOW,
        value,
        from_s=limit if after else None,
        to_s=None if after else limit,
    )


@dataclass(frozen=True, slots=True)
class Filter:
    """What is looked for; every part that is given must fit."""

    car: str = ""
    """Part of the car's label or VIN, in any case."""
    cars: tuple[str, ...] = ()
    """Whole labels (or VINs where there is no label); any of them fits."""
    words: str = ""
    """Words that all must be somewhere: car, VIN, file, note, events, the job's words."""
    since: str = ""
    """ISO 8601 date or instant, included."""
    until: str = ""
    """ISO 8601; a date includes its day."""
    signals: tuple[str, ...] = ()
    """Acronyms that all must be recorded."""
    finding: str = ""
    """`fuel_trim`, `act`, `fuel_trim:act`, or with a part of the subject `fuel_trim:act:idle`."""
    text: str = ""
    """Part of the note, of an event, or of the job's words."""
    displacement_l: tuple[float, float] | None = None
    condition: Condition | None = None

    def __bool__(self) -> bool:
        return self != Filter()


def where(chosen: Filter) -> tuple[str, list[object]]:
    """SQL and parameters over the views `recordings` (as r), `signals`, `findings`, `jobs`; without
    the condition, which needs samples. Raises `UsageError` for a bad date or finding."""
    parts: list[str] = []
    values: list[object] = []
    for sql, parameters in _parts(chosen):
        parts.append(sql)
        values += parameters
    return " AND ".join(parts) or "true", values


def _parts(chosen: Filter) -> Iterator[tuple[str, list[object]]]:
    if chosen.car:
        yield "(contains(lower(r.car), ?) OR contains(lower(r.vin), ?))", [chosen.car.lower()] * 2
    if chosen.cars:
        yield f"r.car IN ({', '.join('?' * len(chosen.cars))})", [*chosen.cars]
    for word in chosen.words.lower().split():
        named = ", ".join(f"r.{name}" for name in searched_columns())
        yield _WORD.format(named=named), [word] * 2
    if chosen.since:
        yield "r.started_utc >= ?", [_date(chosen.since)]
    if chosen.until:
        behind = f"{_date(chosen.until)}~"  # every instant of that year, month, day or minute
        yield "r.started_utc != '' AND r.started_utc < ?", [behind]
    for acronym in chosen.signals:
        signal = table().by_acronym(acronym).acronym
        sql = "EXISTS (SELECT 1 FROM signals s WHERE s.recording = r.recording AND s.signal = ?)"
        yield sql, [signal]
    if chosen.finding:
        yield _finding(chosen.finding)
    if chosen.text:
        word = chosen.text.lower()
        yield _TEXT, [word] * 3
    if chosen.displacement_l is not None:
        yield "r.displacement_l BETWEEN ? AND ?", [*chosen.displacement_l]
    if chosen.condition is not None:
        yield _could(chosen.condition)


_WORD = """(contains(lower(concat_ws(' ', {named})), ?)
    OR EXISTS (SELECT 1 FROM jobs j WHERE starts_with(r.recording, j.job || '/')
    AND contains(lower(concat_ws(' ', j.title, j.car, j.concern, j.conclusion, j.notes)), ?)))"""
_TEXT = """(contains(lower(r.note), ?) OR contains(lower(r.events), ?) OR EXISTS (
    SELECT 1 FROM jobs j WHERE starts_with(r.recording, j.job || '/')
    AND contains(lower(concat_ws(' ', j.title, j.concern, j.conclusion, j.notes)), ?)))"""


def _could(condition: Condition) -> tuple[str, list[object]]:
    """What the file's own statistics rule out needs no sample read."""
    bound = "s.minimum < ?" if condition.below else "s.maximum > ?"
    sql = (
        "EXISTS (SELECT 1 FROM signals s WHERE s.recording = r.recording AND s.signal = ? AND "
        f"({bound} OR s.minimum IS NULL) AND s.last_s >= ?)"
    )
    return sql, [condition.signal, condition.value, condition.from_s or 0.0]


_VERDICTS = ("act", "watch", "within", "not judged")


def _finding(text: str) -> tuple[str, list[object]]:
    parts = [part.strip() for part in text.split(":")]
    check = verdict = subject = ""
    for part in parts:
        if part.lower() in _VERDICTS and not verdict:
            verdict = part.lower()
        elif not check and not verdict:
            check = part
        elif not subject:
            subject = part
        else:
            raise UsageError(f"'{text}' is no finding: write CHECK, VERDICT or CHECK:VERDICT.")
    sql, values = "f.recording = r.recording", []
    for column, value in (("check", check), ("verdict", verdict)):
        if value:
            sql += f' AND f."{column}" = ?'
            values.append(value)
    if subject:
        sql += " AND contains(lower(f.subject), ?)"
        values.append(subject.lower())
    return f"EXISTS (SELECT 1 FROM findings f WHERE {sql})", list(values)


def _date(text: str) -> str:
    if not re.fullmatch(r"\d{4}(-\d{2}(-\d{2}([T ]\d{2}:\d{2}(:\d{2})?)?)?)?", text.strip()):
        raise UsageError(f"'{text}' is no date: write it like 2026-03-01.")
    return text.strip().replace(" ", "T")


def paths_of(answer: pa.Table) -> list[str]:
    """The recordings of an answer."""
    return [str(path) for path in answer["recording"].to_pylist()]
