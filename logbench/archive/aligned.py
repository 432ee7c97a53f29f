"""One aligned table of all drives, as SQL: a row a sample time, the chosen signals as of that time.

The samples are put into bins that end at the sample times; of each bin the last value of each
signal is taken, and carried on until it is too old. So one pass over the samples does, whose memory
goes by samples and rows, never by the time they span, and which DuckDB may put aside on disk.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import pyarrow as pa

from logbench.analysis.expression.checked import Expression
from logbench.analysis.expression.evaluate import MOST_OLD_S, OLDEST_S, computed_signals
from logbench.analysis.expression.grammar import Node
from logbench.analysis.model import Condition
from logbench.archive.chunks import SEVERAL, quoted
from logbench.archive.expression_sql import sql_of_node
from logbench.archive.states import LOADS
from logbench.errors import UsageError
from logbench.signals.table import table

How = Literal["asof", "mean", "last"]
HOWS = ("asof", "mean", "last")
EVERY_S = 1.0
LEAST_EVERY_S = 0.01
_NS = 1_000_000_000
_TIME = "(k.at_ns / 1e9)"
MASKS = {
    "warm": "s.warm",
    "closed loop": "s.closed_loop",
    "steady": "s.steady",
    **{f"{load} load": f"s.load = '{load}'" for load in LOADS},
}
"""What may be asked to hold besides a driving condition."""


@dataclass(frozen=True, slots=True)
class Aligned:
    """What a table has.

    `columns`: name to a value, computed of signals. `every_s`: between sample times; None: those of
    the first signal. `how`: `asof`, the last sample, at most `max_age_s` old (None: 3 s, or three
    of the signal's usual intervals, at most a minute); `last`, only of the step that ends there;
    `mean` of that step. `where`: rows in which it holds. `conditions`: driving conditions, of which
    one, and masks, which all must hold. `states`, `findings`: with their columns.
    """

    columns: Mapping[str, Expression]
    every_s: float | None = EVERY_S
    how: How = "asof"
    max_age_s: float | None = None
    where: Expression | None = None
    conditions: tuple[str, ...] = ()
    states: bool = False
    findings: bool = False
    ages: bool = True

    def __post_init__(self) -> None:
        """Raises `UsageError`."""
        if self.how not in HOWS:
            raise UsageError(f"'{self.how}' is no way to align: choose {', '.join(HOWS)}.")
        if self.every_s is None and self.how != "asof":
            raise UsageError(f"The {self.how} of a step needs steps: give `every`, such as 1 s.")
        spans = (("every", self.every_s, LEAST_EVERY_S), ("max_age", self.max_age_s, 0.0))
        for name, seconds, least in spans:
            if not isinstance(seconds, int | float | None):
                raise UsageError(f"{name}={seconds!r} is no number of seconds, such as 0.5.")
            if seconds is not None and not least <= seconds <= 86_400:
                raise UsageError(f"{name}: {seconds:g} s is not from {least:g} s to a day.")
        known = [*Condition, *MASKS]
        for name in self.conditions:
            if name not in known:
                raise UsageError(f"There is no condition '{name}': choose {', '.join(known)}.")

    @property
    def needs_states(self) -> bool:
        """Whether it asks what the car was doing."""
        return self.states or bool(self.conditions)


def sql_of_aligned(wanted: Aligned, signals: pa.Table) -> str:
    """A SELECT over the views `samples`, `signals`, `recordings`, and where asked for `states` and
    `findings`. `signals`: the view, for what is recorded. Raises `UsageError` for what no recording
    holds, or what is not a value of one instant."""
    return _Maker(wanted, signals).sql()


def mentioned(words: Collection[str], signals: pa.Table) -> dict[str, Expression]:
    """Signals, recorded somewhere or computed of such, of which a statement speaks; `words` in
    small letters. All that are recorded, where it speaks of none."""
    from logbench.analysis.expression.checked import number

    recorded = set(signals["signal"].to_pylist())
    made = {n for n, c in computed_signals().items() if recorded.issuperset(c.expression.names)}
    names = sorted(name for name in recorded | made if name.lower() in words) or sorted(recorded)
    known = [name for name in names if name in table() or name in computed_signals()]
    return {name: number(name) for name in known}


class _Maker:
    def __init__(self, wanted: Aligned, signals: pa.Table) -> None:
        self.wanted = wanted
        rows = signals.select(["recording", "signal", "ecu", "minimum"]).to_pydict()
        self.recorded = set(rows["signal"])
        self.lacking: list[str] = []
        """What an expression needs and no recording holds."""
        self.places: dict[str, int] = {}
        """By the acronym in a file: the number of its columns."""
        self.sql_of = {name: self._value(made) for name, made in wanted.columns.items()}
        self.where = None if wanted.where is None else self._value(wanted.where)
        kept = [row for row in zip(*rows.values(), strict=True) if row[1] in self.places]
        self.ecus, self.several = _read_ecus(kept)

    def _value(self, made: Expression) -> str:
        self.lacking = []
        sql = sql_of_node(made.tree, self._named, _TIME)
        if sql is None:
            raise UsageError(
                f"'{made.text}' looks back over time, which the view `aligned` cannot: "
                "`logbench.archive(…).table(…)` computes it."
            )
        if self.lacking:
            name = self.lacking[0]
            what = name if name.isidentifier() else f"what '{made.text}' is made of"
            raise UsageError(f"No recording of this archive holds {what}.")
        return sql

    def _named(self, node: Node) -> str | None:
        """The value of a signal, or of the same quantity under another PID."""
        if node.kind == "signal":
            return self._computed(node) if node.text in self.recorded else None
        names = dict.fromkeys([node.text, *_same(node.text)])
        here = [self._column(name) for name in names if name in self.recorded]
        if not here:
            self.lacking.append(node.text)
            return "NULL::DOUBLE"
        return here[0] if len(here) == 1 else f"coalesce({', '.join(here)})"

    def _computed(self, node: Node) -> str:
        """Where a computed signal was written into a file, that; elsewhere what it is made of."""
        lacking = list(self.lacking)
        inner = sql_of_node(node.parts[0], self._named, _TIME)
        self.lacking = lacking
        own = self._column(node.text)
        return own if inner is None else f"coalesce({own}, {inner})"

    def _column(self, name: str) -> str:
        return f"k.v{self.places.setdefault(name, len(self.places))}"

    def ages(self, made: Expression) -> str:
        """The age of the oldest sample that a value is made of."""
        places = [self.places[n] for n in self._of(made.tree) if n in self.places]
        return f"greatest({', '.join(f'k.a{place}' for place in places)})"

    def _of(self, node: Node) -> list[str]:
        if node.kind in ("name", "signal") and node.text in self.places:
            return [node.text]
        if node.kind == "name":
            return _same(node.text)
        return [name for part in node.parts for name in self._of(part)]

    def sql(self) -> str:
        """The whole statement."""
        steps = f"bins AS ({self._bins()}), filled AS ({self._filled()}), k AS ({self._known()})"
        return f"WITH {steps} {self._rows()}"

    def _bins(self) -> str:
        every = self.wanted.every_s
        k = "t_ns" if every is None else f"ceil(t_ns / {round(every * _NS)})::BIGINT"
        value = "avg(value)" if self.wanted.how == "mean" else "arg_max(value, t_ns)"
        parts = [
            f"{value} FILTER (signal = {quoted(name)}) AS v{n}, "
            f"max(t_ns) FILTER (signal = {quoted(name)}) AS t{n}"
            for name, n in self.places.items()
        ]
        chosen = f"signal IN ({', '.join(map(quoted, self.places))}) AND isfinite(value)"
        if self.ecus:
            chosen += f" AND ecu IN ({', '.join(map(quoted, self.ecus))})"
        columns = f"recording, {k} AS k, {', '.join(parts)}"
        if not self.several:
            return f"SELECT {columns} FROM samples WHERE {chosen} GROUP BY 1, 2"
        places = self.places.values()  # the first by its address, as everywhere
        first = [f"min(ecu) FILTER (t{n} IS NOT NULL) OVER (PARTITION BY recording) AS e{n}"
                 for n in places]  # fmt: skip
        each = f"SELECT ecu, {columns} FROM samples WHERE {chosen} GROUP BY ecu, recording, k"
        own = [f"any_value({c}{n}) FILTER (ecu = e{n}) AS {c}{n}" for n in places for c in "vt"]
        return (f"SELECT recording, k, {', '.join(own)} FROM "
                f"(SELECT *, {', '.join(first)} FROM ({each})) GROUP BY 1, 2")  # fmt: skip

    def _filled(self) -> str:
        parts = ["recording", "k", "lead(k) OVER w AS later"]
        for n in self.places.values():
            if self.wanted.how == "asof":
                parts += [f"last_value({c}{n} IGNORE NULLS) OVER w AS {c}{n}" for c in "vt"]
            else:
                parts += [f"v{n}, t{n}"]
        if self.wanted.every_s is None:
            parts.append("t0 IS NOT NULL AS is_time")
        window = "PARTITION BY recording ORDER BY k"
        return f"SELECT {', '.join(parts)} FROM bins WINDOW w AS ({window})"

    def _known(self) -> str:
        """Rows at the sample times; what is too old is NULL, a row of nothing else is left out."""
        wanted, every = self.wanted, self.wanted.every_s
        oldest_s = MOST_OLD_S if wanted.max_age_s is None else wanted.max_age_s
        if every is None:
            rows = "SELECT *, k AS at_ns FROM filled WHERE is_time"
        else:
            ahead = 1 if wanted.how != "asof" else int(oldest_s / every) + 1
            until = f"least(coalesce(later, k + 1), k + {ahead})"
            rows = (
                f"SELECT *, unnest(range(k, {until})) * {round(every * _NS)} AS at_ns FROM filled"
            )
        parts, known = [], []
        for n in self.places.values():
            most = f"l.m{n}" if wanted.max_age_s is None else str(round(oldest_s * _NS))
            fresh = f"at_ns - t{n} <= {most}" if wanted.how == "asof" else "true"
            parts.append(f"CASE WHEN {fresh} THEN v{n} END AS v{n}, (at_ns - t{n}) / 1e9 AS a{n}")
            known.append(f"v{n} IS NOT NULL AND {fresh}")
        limits = f"JOIN ({self._limits()}) l USING (recording)" if "l.m" in "".join(parts) else ""
        some = " OR ".join(known)
        return f"SELECT recording, at_ns, {', '.join(parts)} FROM ({rows}) {limits} WHERE {some}"

    def _limits(self) -> str:
        usual = "3 * (last_s - first_s) / nullif(samples - 1, 0)"
        age = f"least({MOST_OLD_S}, greatest({OLDEST_S}, {usual}))"
        parts = [
            f"coalesce(max({age}) FILTER (signal = {quoted(name)}), {OLDEST_S}) * {_NS} AS m{n}"
            for name, n in self.places.items()
        ]
        return f"SELECT recording, {', '.join(parts)} FROM signals GROUP BY recording"

    def _rows(self) -> str:
        wanted = self.wanted
        began = "make_timestamp(epoch_us(try_cast(nullif(r.started_utc, '') AS TIMESTAMPTZ)))"
        parts = ["k.recording", "r.car", f"{began} + to_microseconds(k.at_ns // 1000) AS wall_utc",
                 "k.at_ns / 1e9 AS t_s"]  # fmt: skip
        for name, made in wanted.columns.items():
            parts.append(f"{self.sql_of[name]} AS {_name(name)}")
            if wanted.ages and wanted.how == "asof":
                parts.append(f"{self.ages(made)} AS {_name(f'{name}_age_s')}")
        joins = "FROM k JOIN recordings r USING (recording)"
        where = [] if self.where is None else [self.where]
        if wanted.needs_states:
            joins += (
                " ASOF LEFT JOIN states s ON k.recording = s.recording AND k.at_ns >= s.start_ns"
            )
            names = ("condition", "warm", "closed_loop", "steady", "load")
            parts += [f"CASE WHEN k.at_ns < s.end_ns THEN s.{name} END AS {name}" for name in names]
            where += _held(wanted.conditions)
        if wanted.findings:
            joins += f" LEFT JOIN ({_FOUND}) f ON k.recording = f.recording"
            parts += ["f.worst", "f.findings"]
        condition = f" WHERE {' AND '.join(where)}" if where else ""
        return f"SELECT {', '.join(parts)} {joins}{condition}"


def _read_ecus(
    rows: Sequence[tuple[str, str, str, float | None]],
) -> tuple[list[str], bool]:
    """Of recording, signal, ECU and lowest value of what is recorded: the ECUs that come first
    somewhere (empty: not known), and whether any signal has several of them."""
    of: dict[tuple[str, str], list[str]] = {}
    for recording, signal, ecu, _ in rows:
        of.setdefault((recording, signal), []).append(ecu)
    if all(len(ecus) == 1 for ecus in of.values()):
        several = any(ecus == [SEVERAL] for ecus in of.values())
        return [], several
    if any(ecu == SEVERAL or lowest is None for *_, ecu, lowest in rows):
        return [], True
    first = {min(ecus) for ecus in of.values()}
    return sorted(first), any(len(first.intersection(ecus)) > 1 for ecus in of.values())


_FOUND = """SELECT recording, list("check" || ': ' || subject || ': ' || verdict
    ORDER BY "check", subject) FILTER (verdict IN ('watch', 'act')) AS findings,
    CASE max(CASE verdict WHEN 'act' THEN 3 WHEN 'watch' THEN 2 WHEN 'within' THEN 1 ELSE 0 END)
    WHEN 3 THEN 'act' WHEN 2 THEN 'watch' WHEN 1 THEN 'within' ELSE 'not judged' END AS worst
    FROM findings GROUP BY recording"""


def _held(conditions: Sequence[str]) -> list[str]:
    """One of the driving conditions, and all of the masks."""
    if not conditions:
        return []
    driving = [name for name in conditions if name not in MASKS]
    parts = ["k.at_ns < s.end_ns", *(MASKS[name] for name in conditions if name in MASKS)]
    if driving:
        parts.append(f"s.condition IN ({', '.join(map(quoted, driving))})")
    return parts


def _same(name: str) -> list[str]:
    """The same quantity under other PIDs."""
    return [signal.acronym for signal in table().alternatives(name)]


def _name(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
