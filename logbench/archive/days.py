"""What each drive tells of how its car moves from drive to drive, kept beside the findings of all
checks: made once for each state of a file, read for the drives that are asked about."""

from __future__ import annotations

import logging
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.parts import add_part
from logbench.archive.store import STATE, Entry, entries_of
from logbench.car.identity import Identity

if TYPE_CHECKING:
    from logbench.analysis.comparison.daily import DayNumbers
    from logbench.analysis.model import Finding
    from logbench.analysis.view import View

log = logging.getLogger(__name__)

_AT_A_TIME = 32
"""Drives read at a time, where one of them is wanted."""
_FINDING = {
    "name": pa.string(), "value": pa.float64(), "half": pa.float64(), "unit": pa.string(),
}  # fmt: skip
_CELL = {
    "number": pa.string(), "axis": pa.string(), "cell": pa.int64(), "mean": pa.float64(),
    "variance": pa.float64(), "rpm": pa.float64(), "load": pa.float64(),
}  # fmt: skip
DAYS = pa.schema(
    {
        **STATE,
        "identity": pa.string(),
        "findings": pa.list_(pa.struct(list(_FINDING.items()))),
        "cells": pa.list_(pa.struct(list(_CELL.items()))),
        "compression": pa.bool_(),
    }
)
"""One row a drive: which car it says it is of, as JSON, and its `DayNumbers`."""


def day_of(view: View, findings: Sequence[Finding]) -> dict[str, Any]:
    """A row without the state of the file; what is not a finite number is left out."""
    from logbench.analysis.comparison.daily import numbers_of

    numbers, units = numbers_of(view, findings), {f.heading: f.unit for f in findings}
    return {
        "identity": view.facts.identity.model_dump_json(exclude_defaults=True),
        "findings": [
            dict(zip(_FINDING, (*row, units.get(row[0], "")), strict=True))
            for row in numbers.findings
            if math.isfinite(row[1])
        ],
        "cells": [
            {name: getattr(cell, name) for name in _CELL}
            for cell in numbers.cells
            if all(map(math.isfinite, (cell.mean, cell.variance, cell.rpm, cell.load)))
        ],
        "compression": numbers.compression,
    }


def _folder(cache: Path, version: str) -> Path:
    return cache / "days" / version


def keep_days(cache: Path, version: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add those of findings' rows that have a `day`. Raises `OSError`."""
    days = [{name: row[name] for name in STATE} | row["day"] for row in rows if "day" in row]
    if days:
        add_part(_folder(cache, version), pa.Table.from_pylist(days, DAYS), _AT_A_TIME)


def load_days(
    cache: Path, version: str, wanted: Collection[Entry]
) -> dict[str, tuple[Identity, dict[str, str], DayNumbers]]:
    """By recording, of the files `wanted` in their present state, as far as they are kept; with the
    units of the findings by their headings."""
    return {name: _day(row) for name, row in _rows(_folder(cache, version), set(wanted))}


def _rows(folder: Path, wanted: set[Entry]) -> Iterator[tuple[str, dict[str, Any]]]:
    """A part's groups of rows are only read where one of them is wanted; one that cannot be used
    is left out."""
    for path in sorted(folder.glob("*.parquet")):
        try:
            with pq.ParquetFile(path, memory_map=False) as file:
                for group in range(file.num_row_groups):
                    states = file.read_row_group(group, [*STATE], use_threads=False)
                    here = [entry in wanted for entry in entries_of(states)]
                    if any(here):
                        rows = file.read_row_group(group, use_threads=False).cast(DAYS)
                        for row in rows.filter(pa.array(here)).to_pylist():
                            yield row["recording"], row
        except (pa.ArrowException, OSError, ValueError) as error:
            log.warning("%s cannot be used and is left out: %s", path, error)


def _day(row: Mapping[str, Any]) -> tuple[Identity, dict[str, str], DayNumbers]:
    from logbench.analysis.comparison.daily import CellMean, DayNumbers

    findings = tuple((f["name"], f["value"], f["half"]) for f in row["findings"])
    cells = tuple(CellMean(**cell) for cell in row["cells"])
    units = {f["name"]: f["unit"] for f in row["findings"]}
    numbers = DayNumbers(findings, cells, row["compression"])
    return Identity.model_validate_json(row["identity"]), units, numbers
