"""What the car was doing in each drive, kept beside the findings: stretches of a driving condition,
with what else held there, made once for each state of a file and version of the checks."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from logbench.archive.parts import add_part, load_parts
from logbench.archive.query import Source, Sql
from logbench.archive.store import STATE, Entry, entries_of

if TYPE_CHECKING:
    from logbench.analysis.view import View
    from logbench.recording.reader import Recording

LOADS = ("low", "middle", "high")
_LOW_PCT, _HIGH_PCT = (30.0, 25.0), (60.0, 50.0)
"""Calculated load above which it is no longer low, and from which it is high; until it falls below
the second number. Common practice, no source."""

_STRETCH = {
    "start_ns": pa.int64(), "end_ns": pa.int64(), "condition": pa.string(), "warm": pa.bool_(),
    "closed_loop": pa.bool_(), "steady": pa.bool_(), "load": pa.string(),
}  # fmt: skip
STATES = pa.schema({**STATE, **_STRETCH})
"""One row a stretch of a recording in which nothing of it changes: nanoseconds on its own clock,
start included, end not; `condition` as `analysis.model.Condition` writes it, empty where the engine
speed is not known; `load` one of `LOADS`, empty where the calculated load is not recorded. A drive
that could be looked at and has none has one row with `end_ns` 0."""

NOTHING = dict.fromkeys(_STRETCH) | {"start_ns": 0, "end_ns": 0}


def stretches_of(view: View) -> list[dict[str, Any]]:
    """Of one recording, in order of time, without the state of its file."""
    import numpy as np

    from logbench.analysis.grid import schmitt
    from logbench.analysis.model import Condition

    grid, found, order = view.grid, view.conditions, tuple(Condition)
    if not len(grid):
        return [NOTHING]
    pct, load = grid.linear("LOAD_PCT"), np.full(len(grid), -1, np.int8)
    if pct is not None:
        known = np.isfinite(pct)
        load[known] = schmitt(pct, *_LOW_PCT)[known] + 0
        load[schmitt(pct, *_HIGH_PCT) & known] = 2
    parts = (found.code, found.warm, found.closed_loop, view.steady, load)
    changed = np.diff(grid.t_ns) > grid.step_ns
    for part in parts:
        changed |= np.diff(part.astype(np.int8)) != 0
    starts = np.concatenate([[0], np.flatnonzero(changed) + 1])
    ends = np.concatenate([starts[1:], [len(grid)]])
    return [
        {
            "start_ns": int(grid.t_ns[a]),
            "end_ns": int(grid.t_ns[b - 1]) + grid.step_ns,
            "condition": order[found.code[a]].value if found.code[a] >= 0 else "",
            "warm": bool(found.warm[a]),
            "closed_loop": bool(found.closed_loop[a]),
            "steady": bool(view.steady[a]),
            "load": LOADS[load[a]] if load[a] >= 0 else "",
        }
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
    ]


def conditions_of(recording: Recording) -> list[dict[str, Any]]:
    """The stretches of an open recording, as the view `conditions` has them, in seconds."""
    from logbench.analysis.view import View

    return [
        {"start_s": row.pop("start_ns") / 1e9, "end_s": row.pop("end_ns") / 1e9, **row}
        for row in stretches_of(View(recording))
        if row["end_ns"]
    ]


def _folder(cache: Path, version: str) -> Path:
    return cache / "states" / version


def keep_states(cache: Path, version: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add those of findings' rows that have `states`. Raises `OSError`."""
    kept = [
        {name: row[name] for name in STATE} | one for row in rows for one in row.get("states", ())
    ]
    if kept:
        add_part(_folder(cache, version), pa.Table.from_pylist(kept, STATES))


_CURRENT = """SELECT DISTINCT s.* FROM kept s SEMI JOIN recordings r
    USING (recording, size_bytes, mtime_ns) ORDER BY recording, start_ns"""


def load_states(cache: Path, version: str, views: Mapping[str, Source]) -> pa.Table:
    """Of the recordings in their present state, by the view of that name among `views`, as far as
    they are kept; in order of time."""
    kept = load_parts(_folder(cache, version), STATES)
    if not kept.num_rows:
        return kept
    with Sql({**views, "kept": kept}) as opened:
        return opened.run(_CURRENT).cast(STATES)


def without_states(entries: Collection[Entry], states: pa.Table) -> list[Entry]:
    """Those of which nothing is kept."""
    there = set(entries_of(states.group_by([*STATE]).aggregate([])))
    return [entry for entry in entries if entry not in there]
