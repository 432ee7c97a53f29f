"""Rows of `recordings` that fit a filter, newest first: for a few only those parts of the index are
opened that may hold them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pyarrow as pa

from logbench.archive.find import Filter, may_hold, where
from logbench.archive.index import Index
from logbench.archive.kept import Part
from logbench.archive.partitions import chosen_of
from logbench.archive.query import Source, Sql
from logbench.errors import UsageError

Views = Callable[[str, Sequence[Part]], dict[str, Source]]
"""The views that a statement asks for, of some parts of the index."""
_ORDER = "ORDER BY r.started DESC, r.recording"


def newest(index: Index, views: Views, chosen: Filter, limit: int | None = None) -> pa.Table:
    """Those that fit (but for the condition, which needs samples), at most `limit`. Raises
    `UsageError`, `QueryError`."""
    sql, values = where(chosen)
    _known_folders(index, chosen)
    parts = [part for part in index.kept.parts if may_hold(part, chosen)]
    text = f"SELECT r.* FROM recordings r WHERE {sql} {_ORDER}"
    if limit is None or len(parts) < 2:
        with Sql(views(text, parts)) as opened:
            return opened.run(text if limit is None else f"{text} LIMIT {limit}", values)
    return _rows(index, views, _names(views, parts, sql, values, limit))


def count_of(index: Index, views: Views, chosen: Filter) -> int:
    """How many fit, of which only the columns that are asked about are read. Raises as `newest`."""
    sql, values = where(chosen)
    _known_folders(index, chosen)
    text = f"SELECT count(*) AS n FROM recordings r WHERE {sql}"
    parts = [part for part in index.kept.parts if may_hold(part, chosen)]
    with Sql(views(text, parts)) as opened:
        return int(opened.run(text, values)["n"][0].as_py())


def _known_folders(index: Index, chosen: Filter) -> None:
    known = {key for key, _ in index.kept.said}
    for key in chosen_of(chosen.folders):
        if key not in known:
            some = f"there is {', '.join(f'{one}=…' for one in sorted(known))}" if known else "none"
            raise UsageError(f"No folder of this archive is called '{key}=…': {some}.")


def _names(
    views: Views, parts: list[Part], sql: str, values: list[object], limit: int
) -> list[tuple[str, str]]:
    """When they began and what they are called. The parts with the newest come first, twice as many
    each time, until the others hold nothing that is newer than what was found."""
    text = (
        f"SELECT r.started, r.recording FROM recordings r WHERE {sql} AND r.started >= ? "
        f"{_ORDER} LIMIT {limit}"
    )
    parts = sorted(parts, key=lambda part: part.newest, reverse=True)
    found: list[tuple[str, str]] = []
    at_once = 1
    while parts:
        some, parts = parts[:at_once], parts[at_once:]
        at_once *= 2
        least = found[-1][0] if len(found) == limit else ""
        with Sql(views(text, some)) as opened:
            answer = opened.run(text, [*values, least])
        found += zip(*(column.to_pylist() for column in answer.columns), strict=True)
        found.sort(key=lambda pair: pair[1])
        found.sort(key=lambda pair: pair[0], reverse=True)
        found = found[:limit]
        if len(found) == limit:
            parts = [part for part in parts if part.newest >= found[-1][0]]
    return found


def _rows(index: Index, views: Views, names: list[tuple[str, str]]) -> pa.Table:
    starts, paths = [pair[0] for pair in names], [pair[1] for pair in names]
    text = (
        "SELECT r.* FROM recordings r WHERE r.started BETWEEN ? AND ? "
        f"AND r.recording IN (SELECT unnest(?::VARCHAR[])) {_ORDER}"
    )
    with Sql(views(text, index.kept.of_paths(paths))) as opened:
        return opened.run(text, [min(starts, default=""), max(starts, default=""), paths])
