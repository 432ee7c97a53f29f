"""What a recording's footer says, as plain rows; damaged, foreign and absurd files are refused.

Only the footer is read: no page of data. A footer that claims what its file cannot hold is not
believed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import ValidationError

from logbench.archive.store import Entry, Problem, Store
from logbench.errors import ArchiveError
from logbench.recording.journal import FACTS_KEY
from logbench.recording.model import SCHEMA_VERSION, Facts

MOST_ROWS = 500_000_000
"""Of one recording: a year of thirty signals at 10 Hz has 9 billion, a day 26 million."""

MOST_UNPACKED_BYTES = 4_000_000_000
"""Of one row group: what reading it may cost in memory."""

_COLUMNS = {"signal": "BYTE_ARRAY", "ecu": "BYTE_ARRAY", "t": "INT64", "value": "DOUBLE"}


@dataclass(frozen=True, slots=True)
class Footer:
    """A recording as one row, and its traces as rows (see `tables.py` for the columns)."""

    recording: dict[str, Any]
    signals: list[dict[str, Any]]


def read_footer(store: Store, entry: Entry) -> Footer | Problem:
    """One file's footer; a `Problem` for every file that is no sound recording."""
    try:
        with store.open(entry.path) as file:
            metadata = pq.read_metadata(file)
    except ArchiveError as error:
        return Problem(entry.path, "link", str(error))
    except (pa.ArrowException, OSError, ValueError, MemoryError, OverflowError) as error:
        if is_unreachable(error):
            return Problem(entry.path, "unreadable", f"{entry.path} cannot be read ({error}).")
        return Problem(
            entry.path, "damaged", f"{entry.path} is cut short, damaged or no Parquet file."
        )
    try:
        return _checked(entry, metadata)
    except (pa.ArrowException, OSError, ValueError, TypeError, AttributeError, OverflowError):
        return Problem(entry.path, "damaged", f"The footer of {entry.path} makes no sense.")


def is_unreachable(error: BaseException | None) -> bool:
    """Whether an error, or what caused it, is the disk's or the network's and not the content's: a
    file that could not be reached must not be taken for a damaged one."""
    while error is not None:
        if isinstance(error, OSError) and error.errno is not None:
            return True
        error = error.__cause__
    return False


def _checked(entry: Entry, metadata: pq.FileMetaData) -> Footer | Problem:
    path = entry.path
    facts = _facts(path, metadata)
    if isinstance(facts, Problem):
        return facts
    columns = {
        metadata.schema.column(k).name: metadata.schema.column(k).physical_type
        for k in range(min(8, metadata.num_columns))
    }
    if columns != _COLUMNS or metadata.num_columns != len(_COLUMNS):
        return Problem(path, "foreign", f"{path} has other columns than a recording: import it.")
    absurd = _absurd(entry, metadata)
    if absurd:
        return Problem(path, "enormous", f"{path} claims {absurd}: not believed, left out.")
    signals = _signal_rows(path, metadata, facts)
    return Footer(_recording_row(entry, metadata, facts, signals), signals)


def _facts(path: str, metadata: pq.FileMetaData) -> Facts | Problem:
    document = (metadata.metadata or {}).get(FACTS_KEY)
    if document is None:
        return Problem(path, "foreign", f"{path} is a Parquet file, but no recording: import it.")
    try:
        content = json.loads(document)
        major = int(str(content.get("schema_version", "")).split(".", maxsplit=1)[0])
        if major > int(SCHEMA_VERSION.split(".")[0]):
            return Problem(path, "too new", f"{path} was written by a newer version: update.")
        return Facts.model_validate(content)
    except (ValidationError, ValueError, AttributeError, RecursionError):
        return Problem(path, "damaged", f"The facts stored in {path} cannot be understood.")


def _absurd(entry: Entry, metadata: pq.FileMetaData) -> str:
    """What the footer claims that cannot be, or must not be read; `` when it is sound."""
    rows = 0
    if not 0 <= metadata.num_rows <= MOST_ROWS:
        return f"{metadata.num_rows:,} rows"
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        rows += group.num_rows
        for k, kind in enumerate(_COLUMNS.values()):
            chunk = group.column(k)
            if chunk.physical_type != kind:  # pyarrow would abort the process at its statistics
                return "columns of other types than its own schema"
            start = chunk.data_page_offset
            if chunk.has_dictionary_page:
                start = min(start, chunk.dictionary_page_offset)
            if start < 0 or start + chunk.total_compressed_size > entry.size:
                return "data behind its end"
            if not 0 <= chunk.total_uncompressed_size <= MOST_UNPACKED_BYTES:
                return f"{chunk.total_uncompressed_size / 1e9:,.0f} GB in one signal"
            if chunk.num_values != group.num_rows:
                return "columns of different lengths"
    if rows != metadata.num_rows:
        return f"{metadata.num_rows:,} rows and holds {rows:,}"
    return ""


def _recording_row(
    entry: Entry, metadata: pq.FileMetaData, facts: Facts, signals: list[dict[str, Any]]
) -> dict[str, Any]:
    vehicle = facts.vehicle
    local = facts.extra.get("import")
    started = facts.started_utc or (
        str(local.get("started_local", "")) if isinstance(local, dict) else ""
    )
    return {
        "recording": entry.path,
        "size_bytes": entry.size,
        "mtime_ns": entry.mtime_ns,
        "recording_id": facts.recording_id,
        "started_utc": started,
        "duration_s": max((s["last_s"] for s in signals if s["last_s"] is not None), default=0.0),
        "samples": metadata.num_rows,
        "car": vehicle.label or vehicle.vin,
        "vin": vehicle.vin,
        "displacement_l": vehicle.displacement_l,
        "cylinders": vehicle.cylinders,
        "turbo": vehicle.turbo,
        "fuel": vehicle.fuel,
        "simulated": facts.link.simulated,
        "note": facts.note[:20_000],
        "events": "\n".join(f"{e.kind}: {e.text}" for e in facts.events[:1000])[:20_000],
        "recovered": facts.recovered,
        "software": facts.software,
        "samples_sha256": facts.samples_sha256,
    }


def _signal_rows(path: str, metadata: pq.FileMetaData, facts: Facts) -> list[dict[str, Any]]:
    """One row a row group and ECU; bounds are None where the file has no statistics."""
    out: list[dict[str, Any]] = []
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        low: list[Any] = []
        high: list[Any] = []
        for k in range(len(_COLUMNS)):
            known = group.column(k).statistics
            has = known is not None and known.has_min_max
            low.append(known.min if has else None)
            high.append(known.max if has else None)
        if low[0] is None or low[0] != high[0]:
            continue  # a file of another writer: several signals in one row group
        signal = str(low[0])
        of_facts = facts.signals.get(signal)
        out.append(
            {
                "recording": path,
                "signal": signal,
                "ecu": str(low[1]) if low[1] == high[1] else "several",
                "unit": of_facts.unit if of_facts else "",
                "samples": group.num_rows,
                "first_s": None if low[2] is None else low[2] / 1e9,
                "last_s": None if high[2] is None else high[2] / 1e9,
                "minimum": low[3],
                "maximum": high[3],
                "row_group": number,
            }
        )
    return out
