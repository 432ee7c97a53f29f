"""Columns of the aligned table that look back over time: computed of each drive's traces, and put
beside the samples under names of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.analysis.expression.checked import CONDITION, Expression
from logbench.analysis.expression.evaluate import Evaluation, constants_of
from logbench.analysis.expression.grammar import OVER_TIME, Node
from logbench.analysis.grid import Traces
from logbench.archive.aligned import Aligned
from logbench.archive.columns import SIGNALS
from logbench.archive.query import SAMPLES_SCHEMA
from logbench.errors import RecordingError
from logbench.recording.reader import Recording

_MARK = "~"
"""No signal's name begins so."""


@dataclass(slots=True)
class LookedBack:
    """What a table needs of its drives before it is SQL."""

    wanted: Aligned
    """With these columns as signals of their own."""
    made: dict[str, Expression] = field(default_factory=dict)
    """By the name of such a signal."""


def looked_back(wanted: Aligned) -> LookedBack:
    """The columns, and the condition, in which a function over time stands."""
    found = LookedBack(wanted)

    def column(made: Expression) -> Expression:
        if not any(node.kind in OVER_TIME for node in made.tree.walk()):
            return made
        name = f"{_MARK}{len(found.made)}"
        found.made[name] = made
        tree = Node("name", text=name, unit=made.tree.unit)
        if made.tree.unit == CONDITION:
            tree = Node("=", (tree, Node("number", value=1.0)), unit=CONDITION)
        return Expression(made.text, tree)

    columns = {name: column(made) for name, made in wanted.columns.items()}
    where = None if wanted.where is None else column(wanted.where)
    found.wanted = replace(wanted, columns=columns, where=where)
    return found


def write_looked_back(
    found: LookedBack,
    drives: Sequence[str],
    opened: Callable[[str], Recording],
    into: Path,
) -> pa.Table:
    """Compute them of each drive into a Parquet file of samples; returns their rows for the view
    `signals`. A drive that lacks what one is made of, or cannot be read, has none."""
    rows: list[dict[str, object]] = []
    with pq.ParquetWriter(into, SAMPLES_SCHEMA) as file:
        for drive in drives:
            for name, t_ns, value in _computed(found, opened, drive):
                same = [pa.repeat(text, len(t_ns)) for text in (drive, name, "")]
                columns = [*same, pa.array(t_ns), pa.array(t_ns / 1e9), pa.array(value)]
                file.write_table(pa.Table.from_arrays(columns, schema=SAMPLES_SCHEMA))
                ends = {"first_s": t_ns[0] / 1e9, "last_s": t_ns[-1] / 1e9}
                rows.append({"recording": drive, "signal": name, "ecu": "",
                             "samples": len(t_ns), **ends})  # fmt: skip
    return pa.Table.from_pylist(rows, SIGNALS)


def _computed(
    found: LookedBack, opened: Callable[[str], Recording], drive: str
) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    try:
        recording = opened(drive)
        traces = Traces(recording)
        work = Evaluation(traces.recorded, constants_of(recording.facts.vehicle))
        for name, made in found.made.items():
            if work.missing(made.tree):
                continue
            t_ns = work.times(made.tree)
            value = work.at(made.tree, t_ns)
            known = np.isfinite(value)
            if known.any():
                yield name, t_ns[known], value[known]
    except RecordingError:
        return
