"""Pictures of all drives, as SQL: what each drive adds to one, and the numbers it is drawn of.

A picture is one statement over the views of the archive. The program runs it in two steps, of which
it keeps the first (`picture_rows.py`); *Copy as SQL* gives the whole of it, and a notebook has the
same numbers by the methods of `logbench.archive(PLACE)`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import ClassVar

import pyarrow as pa

from logbench.analysis.comparison.cells import LOAD_AXES, RPM_EDGES, LoadAxis
from logbench.analysis.expression.checked import condition
from logbench.archive.chunks import quoted
from logbench.archive.find import Filter, sql_of, where
from logbench.archive.trend import SAME_DISPLACEMENT_L, parse_number
from logbench.errors import LogbenchError
from logbench.signals.units import METRIC
from logbench.words import tr

WARM_UP_STEP_S = 10
WARM_UP_MOST_S = 1800
LEAST_SECONDS = 10
"""Of steady driving in a cell, for a drive to count there."""
MAP_AXIS: LoadAxis = next(axis for axis in LOAD_AXES if axis.key == "LOAD_PCT")
"""What cars without either sensor report, too; its cells are those of a comparison."""
TRIMS = ("TOTAL_TRIM1", "TOTAL_TRIM2")


@dataclass(frozen=True)
class Picture(ABC):
    """A request. `car`: the whole name of the one in front; empty: none."""

    car: str = ""

    method: ClassVar[str]
    """Of `Fleet`."""
    signals: ClassVar[tuple[str, ...]] = ()
    """That are read of each drive's samples; empty: it is made of findings."""
    of_states: ClassVar[bool] = False
    """Whether it asks what the cars were doing."""
    step_s: ClassVar[int] = 1
    columns: ClassVar[dict[str, pa.DataType]] = {}
    """Of `each`, beside the recording, where it is read of samples."""

    @property
    @abstractmethod
    def title(self) -> str:
        """In the user's language."""

    @abstractmethod
    def each(self) -> str:
        """What each drive adds: a SELECT over the views and `chosen`, the drives."""

    @abstractmethod
    def parts(self) -> dict[str, str]:
        """By name the steps from `each` on; the last is the numbers."""

    def arguments(self) -> dict[str, str]:
        """Of `Fleet`'s method, beside the drives."""
        return {"car": self.car} if self.car else {}

    def from_each(self) -> str:
        """The numbers, where `each` is there as a table."""
        *steps, last = self.parts().items()
        return _with(dict(steps), last[1])

    def statement(self, drives: str) -> str:
        """The whole; `drives`: a SELECT of the drives' names."""
        *steps, last = self.parts().items()
        return _with({"chosen": drives, "each": self.each(), **dict(steps)}, last[1])


def _with(steps: dict[str, str], last: str) -> str:
    made = ",\n".join(f"{name} AS (\n{_indented(sql)})" for name, sql in steps.items())
    return f"WITH {made}\n{_straight(last)}" if made else _straight(last)


def _straight(sql: str) -> str:
    return "\n".join(line.strip() for line in sql.strip().splitlines())


def _indented(sql: str) -> str:
    return "\n".join(f"    {line}" for line in _straight(sql).splitlines())


class WarmUpCurves(Picture):
    """Coolant over the time since the recording began; one row a drive and time."""

    method = "warm_up_curves"
    signals = ("ECT",)
    step_s = WARM_UP_STEP_S
    columns: ClassVar = {"t_s": pa.float64(), "ect_degc": pa.float64()}

    @property
    def title(self) -> str:
        """In the user's language."""
        return tr("Warm-up of all drives")

    def each(self) -> str:
        """Every ten seconds of the first half hour."""
        return f"""SELECT recording, t_s, ECT AS ect_degc
            FROM aligned SEMI JOIN chosen USING (recording)
            WHERE ECT IS NOT NULL AND t_s <= {WARM_UP_MOST_S} AND t_s % {WARM_UP_STEP_S} = 0"""

    def parts(self) -> dict[str, str]:
        """In order of drive and time."""
        return {"curves": """SELECT recording, car, t_s, ect_degc
            FROM each JOIN recordings USING (recording)
            ORDER BY recording, t_s"""}  # fmt: skip


@dataclass(frozen=True)
class TrimMap(Picture):
    """Total fuel trim by engine speed and load, warm, steady and in closed loop; one row a cell.

    Each drive counts once in a cell, by the median of its seconds there.
    """

    bank: int = 1

    method = "trim_map"
    of_states = True
    columns: ClassVar = {"rpm_from": pa.float64(), "load_from": pa.float64(),
                         "trim_pct": pa.float64(), "seconds": pa.int64()}  # fmt: skip

    @property
    def signals(self) -> tuple[str, ...]:  # type: ignore[override]
        """With the bank's trim."""
        return ("RPM", "LOAD_PCT", TRIMS[self.bank - 1])

    @property
    def title(self) -> str:
        """In the user's language."""
        return tr("Fuel trim by engine speed and load, bank {bank}", bank=self.bank)

    def each(self) -> str:
        """One row a drive and cell."""
        trim, width = TRIMS[self.bank - 1], MAP_AXIS.width
        speeds = " ".join(f"WHEN RPM < {high:g} THEN {low:g}"
                          for low, high in pairwise(RPM_EDGES))  # fmt: skip
        return f"""SELECT recording, (CASE {speeds} END)::DOUBLE AS rpm_from,
            floor(LOAD_PCT / {width:g}) * {width:g} AS load_from,
            median({trim}) AS trim_pct, count(*) AS seconds
            FROM aligned SEMI JOIN chosen USING (recording)
            WHERE warm AND steady AND closed_loop AND {trim} IS NOT NULL
            AND RPM >= {RPM_EDGES[0]:g} AND RPM < {RPM_EDGES[-1]:g} AND LOAD_PCT IS NOT NULL
            GROUP BY ALL HAVING count(*) >= {LEAST_SECONDS}"""

    def parts(self) -> dict[str, str]:
        """In order of speed and load."""
        return {
            "cells": """SELECT rpm_from, load_from, median(trim_pct) AS trim_pct,
            count(*) AS drives, sum(seconds)::BIGINT AS seconds
            FROM each GROUP BY rpm_from, load_from ORDER BY rpm_from, load_from"""
        }

    def arguments(self) -> dict[str, str]:
        """The bank."""
        return {"bank": self.bank} if self.bank != 1 else {}  # type: ignore[dict-item]


@dataclass(frozen=True)
class OfNumber(Picture):
    """A picture of a number that findings give, `CHECK:SUBJECT`."""

    number: str = ""

    def each(self) -> str:
        """One row a drive."""
        check, subject, _ = parse_number(self.number)
        return f"""SELECT recording, car, coalesce(started, '') AS started, value, uncertainty,
            coalesce(unit, '') AS unit, verdict
            FROM findings JOIN recordings USING (recording) SEMI JOIN chosen USING (recording)
            WHERE "check" = {quoted(check)} AND subject = {quoted(subject)} AND isfinite(value)"""

    def arguments(self) -> dict[str, str]:
        """The number first."""
        return {"number": self.number} | super().arguments()


_ALIKE = """SELECT * FROM each
    WHERE unit = (SELECT arg_max(unit, started || recording) FROM each)"""
"""A number in another unit than the last one's is another number."""


class AgainstKind(OfNumber):
    """A number of the car's drives beside the medians of the other cars of its kind: the same kind
    of engine, as far as it is stated, and displacement. One row a drive of the car, or another
    car."""

    method = "against_kind"

    @property
    def title(self) -> str:
        """In the user's language."""
        return tr("This car against its kind")

    def parts(self) -> dict[str, str]:
        """Others first, in order of value."""
        mine = f"car = {quoted(self.car)}"
        return {
            "alike": _ALIKE,
            "kind": f"""SELECT arg_max(coalesce(engine, ''), coalesce(started, '')) AS engine,
                median(displacement_l) AS liters
                FROM recordings WHERE {mine}""",
            "numbers": f"""SELECT {mine} AS this_car, car,
                CASE WHEN {mine} THEN recording END AS recording,
                median(value) AS value, count(*) AS drives
                FROM alike JOIN recordings USING (recording, car) CROSS JOIN kind
                WHERE {mine} OR (car != '' AND coalesce(recordings.engine, '') = kind.engine
                AND abs(displacement_l - liters) <= {SAME_DISPLACEMENT_L})
                GROUP BY ALL ORDER BY this_car, value, car, recording""",
        }


class NumberByDate(OfNumber):
    """A number of every dated drive, in order of time; one row a drive."""

    method = "number_by_date"

    @property
    def title(self) -> str:
        """In the user's language."""
        return tr("A number by date, with the car's band")

    def parts(self) -> dict[str, str]:
        """Undated drives have no place."""
        return {
            "alike": _ALIKE,
            "numbers": f"""SELECT recording, car, started, value, uncertainty, verdict,
                car = {quoted(self.car)} AS this_car
                FROM alike WHERE started != '' ORDER BY started, recording""",
        }


class BeforeAndAfter(OfNumber):
    """A number of the car's drives over the years, with what was done to it; one row a drive, job
    or thing done. `part` counts the repairs before it; a repair is the first work noted in a job,
    or the first drive after it."""

    method = "before_and_after"

    @property
    def title(self) -> str:
        """In the user's language."""
        return tr("Before and after, over the years")

    def parts(self) -> dict[str, str]:
        """In order of time."""
        mine = f"car = {quoted(self.car)}"
        return {
            "alike": _ALIKE,
            "visits": f"""SELECT DISTINCT j.* FROM jobs j JOIN recordings r
                ON r.{mine} AND (starts_with(r.recording, j.job || '/') OR j.car = r.car
                OR (j.vin != '' AND j.vin = r.vin))""",
            "done": """SELECT job, at_utc AS started, kind, text
                FROM work SEMI JOIN visits USING (job)
                UNION ALL SELECT job, created_utc, 'job opened', title FROM visits""",
            "repairs": """SELECT job, min(started) AS since FROM (
                SELECT job, started FROM done WHERE kind = 'work' UNION ALL
                SELECT job, r.started FROM roles SEMI JOIN visits USING (job)
                JOIN recordings r USING (recording) WHERE role = 'after')
                WHERE started != '' GROUP BY job""",
            "rows": f"""SELECT started, 'drive' AS kind, recording, '' AS job, value, uncertainty,
                verdict, '' AS text FROM alike WHERE {mine} AND started != ''
                UNION ALL SELECT started, kind, '', job, NULL, NULL, '', text
                FROM done WHERE started != ''""",
            "numbers": """SELECT rows.*,
                (SELECT count(*) FROM repairs WHERE since <= started) AS part
                FROM rows ORDER BY started, kind, recording, job, text""",
        }


# --- to be used elsewhere ---


def sql_of_picture(picture: Picture, chosen: Filter, drives: Sequence[str]) -> str:
    """For a notebook or `archive query`, over the drives that a filter leaves; those are named
    where the filter has no SQL."""
    return f"-- {picture.title}\n{picture.statement(_sql_of_drives(chosen, drives))}\n"


def _sql_of_drives(chosen: Filter, drives: Sequence[str]) -> str:
    held = chosen.condition and sql_of(chosen.condition)
    if chosen.condition is not None and not held:
        return _sql_of_names(drives)
    sql, values = where(chosen)
    first, *others = sql.split("?")
    text = first + "".join(
        f"{quoted(value) if isinstance(value, str) else value}{part}"
        for value, part in zip(values, others, strict=True)
    )
    if held:
        text += f" AND recording IN (SELECT DISTINCT recording FROM samples WHERE {held})"
    return f"SELECT recording FROM recordings r WHERE {text}"


def _sql_of_names(drives: Sequence[str]) -> str:
    named = ", ".join(map(quoted, drives)) or "''"
    return f"SELECT recording FROM recordings WHERE recording IN ({named})"


def python_of_picture(picture: Picture, place: str, chosen: Filter, drives: Sequence[str]) -> str:
    """The same by `Fleet`; the drives are named where the filter cannot be typed."""
    given = {name: repr(value) for name, value in picture.arguments().items()}
    lines = ["import logbench", "", f"fleet = logbench.archive({place!r})"]
    if chosen:
        kept = {f: v for f in Filter.__dataclass_fields__ if (v := getattr(chosen, f))}
        held = kept.pop("condition", None)
        if held is not None and not _is_metric(held.text, held):
            kept = {}
        elif held is not None:
            kept["when"] = held.text
        found = ", ".join(f"{name}={value!r}" for name, value in kept.items())
        lines.append(f"drives = fleet.find({found})" if kept else f"drives = {list(drives)!r}")
        given["drives"] = "drives"
    call = ", ".join(f"{name}={value}" for name, value in given.items())
    return "\n".join([*lines, f"picture = fleet.{picture.method}({call})", "picture.df()", ""])


def _is_metric(text: str, held: object) -> bool:
    """Whether a condition means the same without the units it was typed in."""
    try:
        return condition(text, METRIC) == held
    except LogbenchError:
        return False
