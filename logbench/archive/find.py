"""Which recordings: by car, date, signal, finding, text, size of engine, or what a signal did."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pyarrow as pa

from logbench.analysis.expression.checked import CONSTANTS, Expression, number
from logbench.analysis.expression.grammar import Node
from logbench.archive.columns import searched_columns
from logbench.archive.expression_sql import sql_of_node
from logbench.archive.partitions import chosen_of, fits, sql_of_chosen
from logbench.errors import UsageError
from logbench.signals.catalog import catalog
from logbench.signals.table import table

if TYPE_CHECKING:
    from logbench.archive.kept import Part


def sql_of(condition: Expression) -> str | None:
    """A condition for the columns of `samples`, where it is about one signal and the time only;
    None where it must be computed from traces. Made of numbers and a known acronym."""
    if len(condition.names) != 1 or condition.constants:
        return None
    made = sql_of_node(
        condition.tree, lambda node: "value" if node.kind == "name" else None, "(t_ns / 1e9)"
    )
    if made is None:
        return None
    return f"signal = '{condition.names[0]}' AND NOT isnan(value) AND {made}"


@dataclass(frozen=True, slots=True)
class Filter:
    """What is looked for; every part that is given must fit."""

    car: str = ""
    """Part of the car's label or VIN, in any case."""
    cars: tuple[str, ...] = ()
    """Whole labels (or VINs where there is no label); any of them fits."""
    engine: str = ""
    """Kind of engine, whole: `diesel, charged`."""
    words: str = ""
    """Words that all must be somewhere: car, VIN, engine, file, notes, events, findings that say
    `watch` or `act`, the job's words and the codes it has read."""
    since: str = ""
    """ISO 8601 date or instant, included."""
    until: str = ""
    """ISO 8601; a date includes its day."""
    signals: tuple[str, ...] = ()
    """Acronyms that all must be recorded."""
    finding: str = ""
    """`fuel_trim`, `act`, `fuel_trim:act`, or with a part of the subject `fuel_trim:act:idle`."""
    text: str = ""
    """Part of the notes, of an event, or of the job's words."""
    displacement_l: tuple[float, float] | None = None
    folders: tuple[str, ...] = ()
    """What the names of folders say, like `year=2026`; of one key any value fits."""
    condition: Expression | None = None
    """Of `analysis.expression`."""

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


def may_hold(part: Part, chosen: Filter) -> bool:
    """Whether a part of the index may hold what is looked for, by what is known of it."""
    if chosen.since and part.newest < _date(chosen.since):
        return False
    if chosen.until and part.oldest >= f"{_date(chosen.until)}~":
        return False
    said: dict[str, set[str]] = {}
    for key, value in part.said:
        said.setdefault(key, set()).add(value)
    return all(
        any(fits({key: value}, {key: wanted}) for value in said.get(key, ()))
        for key, wanted in chosen_of(chosen.folders).items()
    )


def _parts(chosen: Filter) -> Iterator[tuple[str, list[object]]]:
    if chosen.car:
        yield "(contains(lower(r.car), ?) OR contains(lower(r.vin), ?))", [chosen.car.lower()] * 2
    if chosen.cars:
        yield f"r.car IN ({', '.join('?' * len(chosen.cars))})", [*chosen.cars]
    if chosen.engine:
        yield "r.engine = ?", [chosen.engine]
    for word in chosen.words.lower().split():
        named = ", ".join(f"r.{name}" for name in searched_columns())
        yield _WORD.format(named=named), [word] * 4
    if chosen.since:
        yield "r.started >= ?", [_date(chosen.since)]
    if chosen.until:
        behind = f"{_date(chosen.until)}~"  # every instant of that year, month, day or minute
        yield "r.started != '' AND r.started < ?", [behind]
    for acronym in chosen.signals:
        signal = catalog().by_acronym(acronym).acronym
        yield from _could(number(signal))
    if chosen.finding:
        yield _finding(chosen.finding)
    if chosen.text:
        word = chosen.text.lower()
        yield _TEXT, [word] * 2
    if chosen.displacement_l is not None:
        yield "r.displacement_l BETWEEN ? AND ?", [*chosen.displacement_l]
    if chosen.folders:
        yield sql_of_chosen(chosen_of(chosen.folders))
    if chosen.condition is not None:
        yield from _could(chosen.condition)


_WORD = """(contains(lower(concat_ws(' ', {named})), ?)
    OR EXISTS (SELECT 1 FROM codes c WHERE starts_with(r.recording, c.job || '/')
    AND contains(lower(c.code || ' ' || c.about), ?))
    OR r.recording IN (SELECT f.recording FROM findings f WHERE f.verdict IN ('act', 'watch')
    AND contains(lower(concat_ws(' ', f."check", f.subject, f.reason,
    array_to_string(f.causes, ' '))), ?))
    OR EXISTS (SELECT 1 FROM jobs j WHERE starts_with(r.recording, j.job || '/')
    AND contains(lower(concat_ws(' ', j.title, j.car, j.concern, j.conclusion, j.notes)), ?)))"""
_TEXT = """(contains(lower(concat_ws(' ', r.note, r.notes, r.events)), ?) OR EXISTS (
    SELECT 1 FROM jobs j WHERE starts_with(r.recording, j.job || '/')
    AND contains(lower(concat_ws(' ', j.title, j.concern, j.conclusion, j.notes)), ?)))"""


def _could(condition: Expression) -> Iterator[tuple[str, list[object]]]:
    """What the files' own statistics rule out needs no sample read."""
    yield _held(condition.tree)
    low_or_high = {"<": "minimum <", "<=": "minimum <=", ">": "maximum >", ">=": "maximum >="}
    for node in _all_of(condition.tree):
        if node.kind in low_or_high and [p.kind for p in node.parts] == ["name", "number"]:
            left, right = node.parts
            bound = f"(s.{low_or_high[node.kind]} ? OR s.minimum IS NULL)"
            yield _RECORDED.format(places="?", bound=bound), [left.text, right.value]


def _held(node: Node) -> tuple[str, list[object]]:
    """What a condition is made of is recorded."""
    if node.kind == "name":
        if node.text in CONSTANTS:
            return "true", []
        same = [signal.acronym for signal in table().alternatives(node.text)] or [node.text]
        places = ", ".join("?" * len(same))
        return _RECORDED.format(places=places, bound="true"), [*same]
    parts = [_held(part) for part in node.parts]
    values = [value for _, more in parts for value in more]
    sql = " AND ".join(sql for sql, _ in parts) or "true"
    if node.kind == "signal":
        itself = _RECORDED.format(places="?", bound="true")
        return f"({itself} OR {sql})", [node.text, *values]
    return sql, values


def _all_of(node: Node) -> Iterator[Node]:
    """The comparisons that must all hold."""
    if node.kind != "and":
        yield node
        return
    for part in node.parts:
        yield from _all_of(part)


_RECORDED = """EXISTS (SELECT 1 FROM signals s WHERE s.recording = r.recording
    AND s.signal IN ({places}) AND {bound})"""
VERDICTS = ("act", "watch", "within", "not judged")


def _finding(text: str) -> tuple[str, list[object]]:
    parts = [part.strip() for part in text.split(":")]
    check = verdict = subject = ""
    for part in parts:
        if part.lower() in VERDICTS and not verdict:
            verdict = part.lower()
        elif not check and not verdict:
            check = part
        elif not subject:
            subject = part
        else:
            raise UsageError(f"'{text}' is not a finding: write CHECK, VERDICT or CHECK:VERDICT.")
    near = difflib.get_close_matches(subject.lower(), VERDICTS, 1, 0.65)
    if near:
        raise UsageError(f"There is no verdict '{subject}'; did you mean {near[0]}?")
    if check:
        from logbench.analysis.run import require_checks  # brings scipy

        require_checks([check])
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
        raise UsageError(f"'{text}' is not a date: write it like 2026-03-01.")
    return text.strip().replace(" ", "T")


def paths_of(answer: pa.Table) -> list[str]:
    """The recordings of an answer."""
    return [str(path) for path in answer["recording"].to_pylist()]
