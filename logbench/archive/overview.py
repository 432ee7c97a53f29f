"""What a list of recordings shows: each with its signals and its worst finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from logbench.analysis.expression.evaluate import computed_signals
from logbench.archive.archive import Archive
from logbench.archive.columns import Record
from logbench.archive.facets import Facets, Left, apart
from logbench.archive.find import Filter, paths_of
from logbench.archive.query import Sql
from logbench.recording.preview import Preview, shrunk

RANKS = {"not judged": 0, "within": 1, "watch": 2, "act": 3}
"""Verdicts from the least to the worst, as lists sort them."""
_RANK = " ".join(f"WHEN '{verdict}' THEN {rank}" for verdict, rank in RANKS.items())


class Judged(NamedTuple):
    """What its findings come to."""

    worst: str = ""
    """`act`, `watch`, `within`, `not judged`; `` when it has not been checked or cannot be."""
    problem: str = ""
    """Why it cannot be checked."""
    lacking: int = 0
    """Parts of the checks that were not judged."""


@dataclass(frozen=True, slots=True)
class Row:
    """One recording as a list shows it."""

    facts: Record
    """Its row of the view `recordings`."""
    signals: tuple[str, ...]
    """Acronyms, sorted."""
    judged: Judged

    @property
    def recording(self) -> str:
        """Its path below the root."""
        return str(self.facts["recording"])

    @property
    def car(self) -> str:
        """Label, else VIN, else ``."""
        return str(self.facts["car"])

    @property
    def started(self) -> str:
        """ISO 8601; local time where an import knew no more, `` where nothing is known."""
        return str(self.facts["started"])


class Catalog:
    """An archive as it is now: rows and facets for any filter. Made anew after a refresh or a
    sweep. Raises `QueryError`."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self._judged = judged_recordings(archive)
        with archive.views() as views:
            self._signals = _signals(views)
        self._typed: tuple[Filter, pa.Table] | None = None
        """What was typed last, and what fits: other facets need no sample read again."""

    @property
    def facets(self) -> Facets:
        """Of the whole archive."""
        return self.look()[1]

    def look(self, chosen: Filter | None = None) -> tuple[list[Row], Facets]:
        """The recordings that fit, newest first, and what they can be chosen by further. Raises
        `UsageError`, `QueryError`."""
        typed, facets = apart(chosen or Filter())
        kept = self._typed  # another thread may look for something else meanwhile
        if kept is None or kept[0] != typed:
            kept = self._typed = (typed, self.archive.find(typed))
        found = kept[1]
        with self.archive.views() as views:
            left = Left(views, paths_of(found), facets)
            fit = set(left.of())
            counts = left.counts(self._signals)
        rows = [self._row(row) for row in found.to_pylist() if row["recording"] in fit]
        recordings = len(self.archive.index)
        return rows, Facets(recordings, len(self._judged), **counts)

    def _row(self, found: dict[str, Any]) -> Row:
        name = found["recording"]
        return Row(found, self._signals.get(name, ()), self._judged.get(name, Judged()))


def judged_recordings(
    archive: Archive, recordings: Sequence[str] | None = None
) -> dict[str, Judged]:
    """By recording, of those that have been checked; of a few only these are looked up."""
    findings = archive.findings if recordings is None else archive.findings_among(recordings)
    sql = (
        f"SELECT recording, max(CASE verdict {_RANK} END) AS worst, max(problem) AS problem, "
        "count(*) FILTER (verdict = 'not judged') AS lacking FROM findings GROUP BY 1"
    )
    names = dict(zip(RANKS.values(), RANKS, strict=True))
    with Sql({"findings": findings}) as views:
        rows = views.run(sql).to_pylist()
    return {
        row["recording"]: Judged(names.get(row["worst"], ""), row["problem"] or "", row["lacking"])
        for row in rows
    }


def _signals(views: Sql) -> dict[str, tuple[str, ...]]:
    """Those of each recording, recorded or computed of it."""
    sql = """SELECT recording, list(DISTINCT signal ORDER BY signal) AS s,
        any_value(r.displacement_l) IS NOT NULL AS sized
        FROM signals JOIN recordings r USING (recording) GROUP BY 1"""
    found = {}
    for row in views.run(sql).to_pylist():
        computed = [
            name
            for name, made in computed_signals().items()
            if set(made.expression.names) <= set(row["s"])
            and (row["sized"] or not made.expression.constants)
        ]
        found[row["recording"]] = (*row["s"], *computed)
    return found


@dataclass(frozen=True, slots=True)
class Number:
    """A number that findings give, and so has a trend."""

    check: str
    subject: str
    unit: str
    times: int

    @property
    def name(self) -> str:
        """As `Archive.trend` takes it."""
        return f"{self.check}:{self.subject}"


def numbers_of(archive: Archive, car: str = "") -> list[Number]:
    """The numbers known of a car (its whole label; empty: of any), those of most recordings
    first."""
    sql = (
        'SELECT f."check" AS c, f.subject AS s, max(f.unit) AS u, count(*) AS n '
        "FROM findings f JOIN recordings r USING (recording) "
        "WHERE (? = '' OR r.car = ?) AND f.value IS NOT NULL GROUP BY ALL ORDER BY n DESC, c, s"
    )
    rows = archive.rows(sql, [car, car])
    return [Number(row["c"], row["s"], row["u"] or "", row["n"]) for row in rows]


# --- traces made small ---


def preview_of(archive: Archive, recording: str, signal: str) -> Preview:
    """Reads that one trace only. Raises what `Archive.open` and `Recording.trace` raise."""
    opened = archive.open(recording)
    from logbench.analysis.grid import with_computed  # brings scipy

    opened = with_computed(opened, [signal])
    if signal not in opened:
        nothing = np.empty(0, np.float32)
        return Preview(signal, "", nothing, nothing)
    return shrunk(opened.trace(signal), opened.duration_ns)
