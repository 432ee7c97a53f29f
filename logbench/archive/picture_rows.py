"""What pictures of all drives are drawn of: read of the samples once a drive, kept beside the
findings, and put together for the drives that are asked for."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from logbench.analysis.expression.checked import number
from logbench.archive.aligned import Aligned, sql_of_aligned
from logbench.archive.findings import checks_version
from logbench.archive.parts import add_part, load_parts
from logbench.archive.pictures import BeforeAndAfter, NumberByDate, OfNumber, Picture
from logbench.archive.query import Sql
from logbench.archive.store import STATE, Entry, entries_of
from logbench.archive.sweep import sweep_states
from logbench.archive.trend import Trend, trend_of
from logbench.errors import QueryError

if TYPE_CHECKING:
    import pandas as pd

    from logbench.archive.archive import Archive

log = logging.getLogger(__name__)

AT_ONCE = 100
"""Drives read between two words about how far it is."""
Progress = Callable[[str, int, int], None]
"""Told what is done (`states` or `samples`), and (done, of); what it raises ends the work, and what
is made is kept."""


@dataclass(frozen=True)
class Numbers:
    """What a picture is drawn of: `table` is what its SQL answers, `each` what each drive adds;
    `trend`: of its number over the life of its car, where the picture is one over time."""

    picture: Picture
    table: pa.Table
    each: pa.Table
    trend: Trend | None = None

    def df(self) -> pd.DataFrame:
        """The numbers as a frame of pandas."""
        found: pd.DataFrame = self.table.to_pandas()
        return found

    @property
    def unit(self) -> str:
        """Of a picture's number: that of the last drive; empty where there is none."""
        if "unit" not in self.each.column_names or not self.each.num_rows:
            return ""
        columns = (self.each[name].to_pylist() for name in ("started", "recording", "unit"))
        return str(max(zip(*columns, strict=True))[2])

    def bands(self) -> pd.DataFrame:
        """In which band the car's number lies untouched, one row a state between two changes, with
        the starts of its first and last drive; empty where that is not known."""
        import pandas as pd

        rows: list[tuple[object, ...]] = []
        trend = self.trend
        for state in trend.life.states if trend is not None and trend.life is not None else ():
            assert trend is not None
            first, last = (trend.points[at].started for at in (state.begin, state.end - 1))
            rows.append((first, last, state.low, state.median, state.high))
        return pd.DataFrame(rows, columns=["first", "last", "low", "median", "high"])

    def __repr__(self) -> str:
        return f"<{self.picture.title}: {self.table.num_rows:,} rows, see df()>"


def numbers_of_picture(
    archive: Archive,
    picture: Picture,
    drives: Sequence[str] | None = None,
    progress: Progress = lambda what, done, of: None,
    processes: int = 1,
) -> Numbers:
    """Over the drives of these names (None: all). Raises `UsageError` where none holds what it is
    made of, `QueryError`, `ArchiveError`."""
    index = archive.index
    names = pa.array([entry.path for entry in archive.entries(drives)], pa.string())
    views = {"recordings": index.recordings, "chosen": pa.table({"recording": names})}
    if isinstance(picture, OfNumber):
        if not archive.findings.num_rows:
            raise QueryError("No findings are known: run the checks first ('archive sweep').")
        with Sql(views | {"findings": archive.findings}) as sql:
            each = sql.run(picture.each())
        views |= {"jobs": index.jobs, "work": index.work, "roles": index.roles}
    else:
        each = _each(archive, picture, names.to_pylist(), progress, processes)
    with Sql(views | {"each": each}) as sql:
        table = sql.run(picture.from_each())
    return Numbers(picture, table, each, _trend(archive, picture))


def _trend(archive: Archive, picture: Picture) -> Trend | None:
    if not isinstance(picture, NumberByDate | BeforeAndAfter) or not picture.car:
        return None
    return trend_of(archive, picture.number, picture.car, exact=True)


# --- of the samples ---


def _each(
    archive: Archive, picture: Picture, drives: list[str], progress: Progress, processes: int
) -> pa.Table:
    """The rows of `Picture.each` of these drives, made where they are not kept."""
    columns = {name: number(name) for name in picture.signals}
    aligned = Aligned(columns, picture.step_s, states=picture.of_states, ages=False)
    sql = sql_of_aligned(aligned, archive.index.signals)
    if picture.of_states:
        sweep_states(archive, processes=processes, recordings=drives,
                     progress=lambda done, of: progress("states", done, of))  # fmt: skip
    schema = pa.schema({**STATE, **picture.columns})
    version = hashlib.sha256(f"{checks_version()}{picture.each()}{schema}".encode()).hexdigest()
    folder = archive.cache / "pictures" / version[:20]
    entries = archive.entries(drives)
    kept = load_parts(folder, schema)
    there = set(entries_of(kept.group_by([*STATE]).aggregate([])))
    lacking = [entry for entry in entries if entry not in there]
    made: list[pa.Table] = []
    try:
        for begin in range(0, len(lacking), AT_ONCE):
            progress("samples", begin, len(lacking))
            made.append(_read(archive, picture, sql, lacking[begin : begin + AT_ONCE]))
    finally:
        if made:
            _keep(folder, pa.concat_tables(made))
    state = {name: pa.array(values, STATE[name])
             for name, values in zip(STATE, zip(*entries, strict=True), strict=True)}  # fmt: skip
    with Sql({"kept": pa.concat_tables([kept, *made]), "now": pa.table(state)}) as views:
        return views.run(
            f"SELECT DISTINCT recording, {', '.join(picture.columns)} FROM kept SEMI JOIN now "
            f"USING ({', '.join(STATE)}) WHERE {next(iter(picture.columns))} IS NOT NULL"
        )


def _read(archive: Archive, picture: Picture, aligned: str, entries: Sequence[Entry]) -> pa.Table:
    """The rows of these drives; of one that adds nothing, one row that says so. One that cannot be
    read is left out, unless none can."""
    try:
        return _read_all(archive, picture, aligned, entries)
    except QueryError:
        if len(entries) == 1:
            raise
    found: list[pa.Table] = []
    trouble: QueryError | None = None
    for entry in entries:
        try:
            found.append(_read_all(archive, picture, aligned, [entry]))
        except QueryError as error:
            log.warning("%s is left out of a picture: %s", entry.path, error)
            trouble = error
    if trouble is not None and not found:
        raise trouble
    return pa.concat_tables(found)


def _read_all(
    archive: Archive, picture: Picture, aligned: str, entries: Sequence[Entry]
) -> pa.Table:
    index, paths = archive.index, [entry.path for entry in entries]
    chosen = pa.table({"recording": pa.array(paths, pa.string())})
    views = {"recordings": index.recordings, "signals": index.signals, "chosen": chosen}
    if picture.of_states:
        kept = archive.states
        there = pa.compute.is_in(kept["recording"], value_set=chosen["recording"])
        views["states"] = kept.filter(there)
    names = ", ".join(f"e.{name}" for name in picture.columns)
    whole = f"""SELECT {", ".join(f"r.{name}" for name in STATE)}, {names}
        FROM recordings r SEMI JOIN chosen USING (recording)
        LEFT JOIN ({picture.each()}) e USING (recording)"""
    with Sql(views, archive.samples(paths), aligned=aligned) as sql:
        return sql.run(whole).cast(pa.schema({**STATE, **picture.columns}))


def _keep(folder: Path, rows: pa.Table) -> None:
    """For the next time; a full disk costs no more than that."""
    try:
        add_part(folder, rows)
    except OSError as error:
        log.warning("rows of pictures cannot be kept in %s: %s", folder, error)
