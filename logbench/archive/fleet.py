"""An archive in a notebook: what `logbench.archive(PLACE)` gives."""

from __future__ import annotations

import os
import warnings
import weakref
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from logbench.analysis.expression.checked import condition, number
from logbench.archive.aligned import EVERY_S, Aligned, How, sql_of_aligned
from logbench.archive.archive import Archive
from logbench.archive.find import Filter, paths_of
from logbench.archive.fleet_html import page_of
from logbench.archive.over_time import looked_back, write_looked_back
from logbench.archive.picture_rows import Numbers, numbers_of_picture
from logbench.archive.pictures import (
    AgainstKind,
    BeforeAndAfter,
    NumberByDate,
    Picture,
    TrimMap,
    WarmUpCurves,
)
from logbench.archive.query import Sql, refusals
from logbench.archive.room import OwnFolder, Room
from logbench.archive.sweep import Swept, sweep_checks, sweep_states
from logbench.errors import QueryError, UsageError
from logbench.recording.reader import Recording
from logbench.signals.units import Units
from logbench.system.memory import bytes_of

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

_UNITS = {"": Units(), "metric": Units(), "us": Units(us=True)}
_ROWS = 100_000


class Fleet:
    """All drives of an archive: `len`, iteration over opened recordings, `find`, `open`, `query`
    and `table`. Made by `logbench.archive(PLACE)`."""

    def __init__(
        self, place: str | os.PathLike[str], *, memory: str = "", cache: Path | None = None
    ) -> None:
        """`memory`: what a question may take, like `4GB`; empty: a quarter of the computer's. What
        does not fit is put aside on the disk of `cache` (None: the user's cache folder). Raises
        `ArchiveError`, `UsageError`."""
        self._archive = Archive(place, cache, memory_bytes=bytes_of(memory))
        self._archive.refresh()

    def __len__(self) -> int:
        return len(self._archive.index)

    def __iter__(self) -> Iterator[Recording]:
        return (self.open(name) for name in self.find())

    def __repr__(self) -> str:
        table = self._archive.index.recordings
        cars = len(set(table["car"].to_pylist()))
        hours = sum(table["duration_s"].to_pylist()) / 3600
        left_out = len(self._archive.index.problems)
        told = f", {left_out} files left out" if left_out else ""
        return f"<archive of {len(self):,} drives of {cars:,} cars, {hours:,.1f} h{told}>"

    def _repr_html_(self) -> str:
        return page_of(self._archive, repr(self).strip("<>"))

    # --- what there is ---

    @property
    def recordings(self) -> pd.DataFrame:
        """One row a drive: the view `recordings`, newest first."""
        found: pd.DataFrame = self._archive.find().to_pandas()
        return found

    @property
    def signals(self) -> tuple[str, ...]:
        """Acronyms of what is recorded in any drive."""
        return tuple(sorted(set(self._archive.index.signals["signal"].to_pylist())))

    @property
    def findings(self) -> pd.DataFrame:
        """One row a finding, of drives that were swept. Raises `QueryError` where none was."""
        found: pd.DataFrame = self._swept().to_pandas()
        return found

    def _swept(self) -> pa.Table:
        found = self._archive.findings
        if not found.num_rows:
            raise QueryError("No findings are known: run `sweep()` or `archive sweep` first.")
        return found

    def find(self, **chosen: Any) -> list[str]:
        """Names of drives that fit, newest first; all without a filter.

        `car`, `since`, `until`, `signals`, `finding`, `text`, `displacement_l` as
        `archive.find.Filter` takes them; `when`: a condition, like `"ECT below 70 C after 10 min"`.
        Raises `UsageError`.
        """
        when = chosen.pop("when", "")
        if unknown := set(chosen) - set(Filter.__dataclass_fields__):
            raise UsageError(f"There is no filter '{min(unknown)}': see docs/archive.md.")
        if isinstance(chosen.get("signals"), str):
            chosen["signals"] = _listed(chosen["signals"], "signals")
        held = condition(when) if when else None
        return paths_of(self._archive.find(Filter(**chosen, condition=held)))

    def open(self, name: str) -> Recording:
        """A drive by its name, the end of its path or the beginning of its id. Raises
        `ArchiveError`, `RecordingError`."""
        return self._archive.open(name)

    # --- asking ---

    def query(self, sql: str, *, every: float = EVERY_S) -> pa.Table:
        """The answer to one SELECT over the views of docs/archive.md, as an Arrow table; `every`:
        the step of the view `aligned`, in seconds. Warns where the answer is cut off. Raises
        `QueryError`."""
        answer = self._archive.query(sql, every_s=every)
        if answer.cut:
            warnings.warn(answer.cut, stacklevel=2)
        return answer.table

    def sweep(self, *, processes: int = 1) -> Swept:
        """Run the checks over the drives that have not been checked; from a notebook on more
        `processes` (0: as many as pay), from a script only below `if __name__ == "__main__"`.
        Raises `ArchiveError`."""
        return sweep_checks(self._archive, processes=processes)

    def table(
        self,
        signals: str | Sequence[str] | Mapping[str, str],
        *,
        every: float | None = EVERY_S,
        how: How = "asof",
        max_age: float | None = None,
        where: str = "",
        conditions: bool | str | Sequence[str] = False,
        findings: bool = False,
        units: str = "",
        drives: Sequence[str] | None = None,
    ) -> Table:
        """One row a sample time of every drive, with the signals as of that time.

        `signals`: acronyms and expressions (docs/expressions.md), or names for them. `every`:
        seconds between sample times; None: those of the first signal. `how`: `asof`, the last
        sample, at most `max_age` seconds old (None: 3 s, or three of its usual intervals, at most a
        minute); `last` or `mean` of the step that ends there. `where`: a condition that holds in
        the rows. `conditions`: True for the columns, or names of driving conditions, of which one,
        and masks (`warm`, `closed loop`, `steady`, `low load` …), which all hold. `findings`: with
        the worst finding of each drive. `units`: `us` or `metric`. `drives`: names; None: all.

        Nothing is read yet, but where an expression looks back over time: that is computed of each
        drive when the table is made. Raises `UsageError`, `QueryError`.
        """
        if units not in _UNITS:
            raise UsageError(f"'{units}' are not units: choose us or metric.")
        texts = (
            signals
            if isinstance(signals, Mapping)
            else {name: name for name in _listed(signals, "signals")}
        )
        if not texts:
            raise UsageError("No signal is named: name some, such as 'RPM, ECT'.")
        chosen = Aligned(
            {name: number(text, _UNITS[units]) for name, text in texts.items()},
            every,
            how,
            max_age,
            condition(where, _UNITS[units]) if where else None,
            () if isinstance(conditions, bool) else tuple(_listed(conditions, "conditions")),
            bool(conditions),
            findings,
        )
        archive = self._archive
        if not len(self):
            raise UsageError(
                "No recording is in this archive yet: 'logbench archive add' adds some."
            )
        names = self._paths(drives)
        if chosen.needs_states:
            sweep_states(archive, processes=1, recordings=names)
        return Table(archive, chosen, names, self._swept() if findings else None)

    # --- pictures of all drives, as the Archive page draws them ---

    def warm_up_curves(self, car: str = "", drives: Sequence[str] | None = None) -> Numbers:
        """Coolant every ten seconds of the first half hour of `drives` (None: all); `car`: the one
        whose curves the page draws in front. Of each picture `df()` has the numbers. Raises
        `UsageError`, `QueryError`, as the others do."""
        return self._drawn(WarmUpCurves(car), drives)

    def trim_map(self, bank: int = 1, drives: Sequence[str] | None = None) -> Numbers:
        """Total fuel trim by engine speed and load, warm, steady, in closed loop: the median over
        the drives, each by its own median in a cell, with their number and seconds."""
        return self._drawn(TrimMap(bank=bank), drives)

    def against_kind(self, number: str, car: str, drives: Sequence[str] | None = None) -> Numbers:
        """A number (`CHECK:SUBJECT`) of each drive of a car, and the medians of the other cars of
        its kind of engine and displacement; `car`: its whole name."""
        return self._drawn(AgainstKind(car, number), drives)

    def number_by_date(
        self, number: str, car: str = "", drives: Sequence[str] | None = None
    ) -> Numbers:
        """A number of every drive in order of time; `bands()`: where the car's lies untouched."""
        return self._drawn(NumberByDate(car, number), drives)

    def before_and_after(
        self, number: str, car: str, drives: Sequence[str] | None = None
    ) -> Numbers:
        """A number of a car's drives with what was done to the car: jobs, work, codes cleared."""
        return self._drawn(BeforeAndAfter(car, number), drives)

    def _drawn(self, picture: Picture, drives: Sequence[str] | None) -> Numbers:
        return numbers_of_picture(self._archive, picture, self._paths(drives))

    def _paths(self, drives: str | Sequence[str] | None) -> list[str] | None:
        """Of names, or of names with commas between; None for all."""
        if drives is None:
            return None
        return [self._archive.resolve(name) for name in _listed(drives, "drives")]


class Table:
    """The aligned table, read when its rows are asked for: as a DuckDB `relation`, an Arrow stream
    (`arrow()`, or whatever takes the Arrow C stream interface), `df()` of pandas or `pl()` of
    polars. Made by `Fleet.table`."""

    def __init__(
        self, archive: Archive, chosen: Aligned, drives: list[str] | None, findings: pa.Table | None
    ) -> None:
        """Raises `UsageError`, `QueryError`."""
        index, found = archive.index, looked_back(chosen)
        paths = paths_of(index.recordings) if drives is None else drives
        folder = OwnFolder(archive.cache)
        weakref.finalize(self, folder.remove)
        signals, samples = index.signals, archive.samples(paths)
        if found.made:
            file = folder.path / "computed.parquet"
            rows = write_looked_back(found, paths, archive.open, file)
            signals = pa.concat_tables([signals, rows])
            samples = replace(samples, computed=str(file))
        sql = sql_of_aligned(found.wanted, signals)
        views = {"recordings": index.recordings, "signals": signals}
        if chosen.needs_states:
            views["states"] = archive.states
        if findings is not None:
            views["findings"] = findings
        room = Room(archive.memory_bytes, str(folder.path), folder.most_bytes)
        self._sql = Sql(views, samples, room, sql, shut=False)

    @property
    def relation(self) -> duckdb.DuckDBPyRelation:
        """A relation of DuckDB, to go on with: `.filter(…)`, `.aggregate(…)`, `.query(…)`. It lives
        as long as this table."""
        return self._sql.relation("SELECT * FROM aligned")

    @property
    def columns(self) -> list[str]:
        """Names, in order."""
        return list(self.relation.columns)

    def sql(self, sql: str) -> pa.Table:
        """The answer to a SELECT over `aligned`, `recordings`, `signals`. Raises `QueryError`."""
        return self._sql.run(sql)

    def arrow(self) -> pa.RecordBatchReader:
        """The rows as a stream, in no order. Raises `QueryError`."""
        with refusals():
            return self.relation.to_arrow_reader(_ROWS)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self.arrow().__arrow_c_stream__(requested_schema)

    def _sorted(self) -> pa.Table:
        return self._sql.run("SELECT * FROM aligned ORDER BY recording, t_s")

    def df(self) -> pd.DataFrame:
        """All rows in memory, in order of drive and time. Raises `QueryError`."""
        found: pd.DataFrame = self._sorted().to_pandas()
        return found

    def pl(self) -> Any:
        """The same as a frame of polars, where that is installed. Raises `QueryError`."""
        try:
            import polars  # type: ignore[import-not-found, unused-ignore]
        except ImportError as error:
            raise UsageError(
                "polars is not installed: pip install polars, or take df()."
            ) from error
        return polars.from_arrow(self._sorted())

    def __repr__(self) -> str:
        return f"<table of {', '.join(self.columns)}; rows are read when they are asked for>"

    def _repr_html_(self) -> str:
        few = self._sql.run("SELECT * FROM aligned LIMIT 10").to_pandas()
        return str(few.to_html(index=False, escape=True))


def _listed(names: str | Sequence[str], what: str) -> list[str]:
    """The parts of `RPM, mean(MAF, 5 s)`, or of a list. Raises `UsageError`: they are no `what`."""
    if isinstance(names, str):
        ends = [k for k, sign in enumerate(names) if sign == "," and _is_outside(names[:k])]
        parts = [names[a:b] for a, b in pairwise([0, *ends, len(names)])]
        names = [part.strip(", ") for part in parts if part.strip(", ")]
    if not isinstance(names, Iterable) or not all(isinstance(name, str) for name in names):
        raise UsageError(f"{names!r} are no {what}: give names with commas between, or a list.")
    return list(names)


def _is_outside(text: str) -> bool:
    """Whether what follows stands in no parenthesis."""
    return text.count("(") == text.count(")")
