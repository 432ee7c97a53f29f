"""The columns of the views that SQL sees; those of `recordings` with type, fact, and how each is
shown, in one table.

A column is added to that table and nowhere else: the index, SQL, the lists of the terminal and the
window and the search for words are made from it, and an index kept with other columns is made anew.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pyarrow as pa

from logbench.archive.store import STATE, SUFFIX, Entry
from logbench.foreign import joined
from logbench.recording.model import Facts
from logbench.recording.notes import Remark, remarks_of
from logbench.signals.numbers import count_text, size_text, started_text, time_text
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.signals.units import Units

Record = Mapping[str, Any]
"""One row of the view: the name of a column to its value, None where nothing is known."""
Place = Literal["list", "details", "terminal"]


@dataclass(frozen=True, slots=True)
class Known:
    """What a row is made of: the file, its facts and what its footer counts."""

    entry: Entry
    facts: Facts
    samples: int
    duration_s: float
    footer_bytes: int = 0
    """Of the file's end that say all but the samples."""


@dataclass(frozen=True, slots=True)
class Cell:
    """How a column is shown in one place."""

    place: Place
    order: int
    """From the left, or from the top."""
    title: str
    text: Callable[[Record], str] | None = None
    """Of a whole row; None: the value by its type, in the reader's units."""
    widest: str = ""
    """A text of about the greatest width; ``: it takes what is left."""
    spacious: bool = False
    """Only where there is plenty of room."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column; its name is the one of SQL."""

    name: str
    type: pa.DataType
    of: Callable[[Known], Any]
    shown: tuple[Cell, ...] = ()
    unit: str = ""
    """Of a number, as the table of signals writes units."""
    searched: bool = False
    """Words are looked for in it."""

    def text(self, cell: Cell, row: Record, units: Units) -> str:
        """What a cell shows of a row; `` where nothing is known."""
        if cell.text is not None:
            return cell.text(row)
        value = row[self.name]
        if value is None:
            return ""
        return units.text(value, self.unit) if isinstance(value, float) else f"{value}"


def cells(place: Place) -> list[tuple[Column, Cell]]:
    """The columns that are shown at a place, in order."""
    found = [(column, cell) for column in COLUMNS for cell in column.shown if cell.place == place]
    return sorted(found, key=lambda pair: pair[1].order)


def searched_columns() -> list[str]:
    """Where words are looked for."""
    return [column.name for column in COLUMNS if column.searched]


def recordings_schema() -> pa.Schema:
    """Of the view `recordings`."""
    return pa.schema([(column.name, column.type) for column in COLUMNS])


def kept_schema() -> pa.Schema:
    """The same as it is kept, with the length of the footer and what is said of each."""
    more = [pa.field(FOOTER, pa.int64()), pa.field(REMARKS, pa.list_(_REMARK))]
    return pa.schema([*recordings_schema(), *more])


def shown(kept: pa.Table) -> pa.Table:
    """The view `recordings`, of recordings as they are kept."""
    return kept.drop_columns([FOOTER, REMARKS])


def record_of(known: Known, notes: Sequence[Remark] = ()) -> dict[str, Any]:
    """A recording as one row, with its events and the `notes` beside it."""
    said = remarks_of(known.facts.events[:REMARKS_AT_MOST], notes[:REMARKS_AT_MOST])
    remarks = [
        {"start_s": one.start_ns / 1e9, "end_s": one.end_ns / 1e9, "kind": one.kind,
         "text": one.text}
        for one in said
    ]  # fmt: skip
    return {column.name: column.of(known) for column in COLUMNS} | {
        FOOTER: known.footer_bytes, REMARKS: remarks,
    }  # fmt: skip


def notes_of(kept: pa.Table) -> pa.Table:
    """The view `notes`, of recordings as they are kept."""
    said = kept[REMARKS].combine_chunks()
    places = pa.compute.list_parent_indices(said)
    columns = [
        kept["recording"].combine_chunks().take(places),
        *pa.compute.list_flatten(said).flatten(),
    ]
    return pa.Table.from_arrays(columns, schema=NOTES)


def _events(known: Known) -> str:
    return "\n".join(joined(": ", e.kind, e.text) for e in known.facts.events[:1000])[:20_000]


def _liters(row: Record, unit: str = "") -> str:
    liters = row["displacement_l"]
    return "" if liters is None else f"{liters:.1f}{unit}"


def car_text(row: Record) -> str:
    """The car, named or not, with its displacement."""
    return "  ".join(filter(None, (row["car"] or tr("unnamed car"), _liters(row, " L"))))


def _engine(row: Record) -> str:
    cylinders = "" if row["cylinders"] is None else tr("{n} cylinders", n=row["cylinders"])
    return ", ".join(part for part in (_liters(row, " L"), cylinders, row["engine"]) if part)


def _kind(known: Known) -> str:
    """What kind of engine the car is known to have, in words to look for."""
    car = known.facts.vehicle
    kinds = (
        (car.turbo, "charged"),
        (car.hybrid, "hybrid"),
        (car.stop_start, "stop-start"),
    )
    return ", ".join([*filter(None, [car.fuel]), *(word for holds, word in kinds if holds)])


def _samples(row: Record) -> str:
    return tr(
        "{count} in {size}",
        count=count_text(row["samples"]),
        size=size_text(row["size_bytes"]),
    )


_TEXT, _WHOLE, _NUMBER, _FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()

COLUMNS: tuple[Column, ...] = (
    Column("recording", _TEXT, lambda k: k.entry.path, (
        Cell("terminal", 0, "recording"),
        Cell("list", 1, tr("File"), lambda r: r["recording"].removesuffix(SUFFIX)),
        Cell("details", 10, tr("File"))), searched=True),
    Column("size_bytes", _WHOLE, lambda k: k.entry.size),
    Column("mtime_ns", _WHOLE, lambda k: k.entry.mtime_ns),
    Column("recording_id", _TEXT, lambda k: k.facts.recording_id),
    Column("started", _TEXT, lambda k: k.facts.started, (
        Cell("list", 0, tr("Started"), lambda r: started_text(r["started"]),
             "2026-00-00 00:00 local"),
        Cell("terminal", 1, "started", lambda r: started_text(r["started"]),
             "2026-00-00 00:00 local"),
        Cell("details", 3, tr("Started"), lambda r: started_text(r["started"], 19)))),
    Column("started_utc", _TEXT, lambda k: k.facts.started_utc),
    Column("duration_s", _NUMBER, lambda k: k.duration_s, (
        Cell("list", 3, tr("Length"), lambda r: time_text(r["duration_s"]), "10:00:00"),
        Cell("terminal", 4, "min", lambda r: f"{r['duration_s'] / 60:.1f}", "1000.0"),
        Cell("details", 4, tr("Length"), lambda r: time_text(r["duration_s"]))), unit="s"),
    Column("samples", _WHOLE, lambda k: k.samples, (
        Cell("terminal", 5, "samples", lambda r: count_text(r["samples"]), "1,000,000",
             spacious=True),
        Cell("details", 5, tr("Samples"), _samples))),
    Column("car", _TEXT, lambda k: k.facts.vehicle.called, (
        Cell("list", 2, tr("Car"), car_text),
        Cell("terminal", 2, "car", widest="an estate with the engine"),
        Cell("details", 0, tr("Car"), lambda r: r["car"] or tr("unnamed car"))), searched=True),
    Column("vin", _TEXT, lambda k: k.facts.vehicle.vin, (
        Cell("details", 1, "VIN"),), searched=True),
    Column("displacement_l", _NUMBER, lambda k: k.facts.vehicle.displacement_l, (
        Cell("terminal", 3, "liters", _liters, "liters", spacious=True),
        Cell("details", 2, tr("Engine"), _engine))),
    Column("cylinders", pa.int32(), lambda k: k.facts.vehicle.cylinders),
    Column("turbo", _FLAG, lambda k: k.facts.vehicle.turbo),
    Column("fuel", _TEXT, lambda k: k.facts.vehicle.fuel),
    Column("hybrid", _FLAG, lambda k: k.facts.vehicle.hybrid),
    Column("engine", _TEXT, _kind, searched=True),
    Column("simulated", _FLAG, lambda k: k.facts.link.simulated, (
        Cell("details", 6, tr("From"), lambda r: tr("the simulated car") if r["simulated"] else ""),
    )),
    Column("note", _TEXT, lambda k: k.facts.note[:20_000], (
        Cell("terminal", 7, "note", lambda r: " ".join(r["note"].split())[:40], "x" * 40,
             spacious=True),
        Cell("details", 7, tr("Note"))), searched=True),
    Column("events", _TEXT, _events, (
        Cell("details", 8, tr("Events"), lambda r: r["events"].replace("\n", "; ")[:600]),
    ), searched=True),
    Column("notes", _TEXT, lambda k: "", (
        Cell("details", 9, tr("Notes"), lambda r: r["notes"].replace("\n", "; ")[:600]),
    ), searched=True),
    Column("corrected", _TEXT, lambda k: k.facts.corrected, (
        Cell("details", 11, tr("Corrected afterwards")),
    )),
    Column("notes_mtime_ns", _WHOLE, lambda k: 0),
    Column("recovered", _FLAG, lambda k: k.facts.recovered),
    Column("software", _TEXT, lambda k: k.facts.software),
    Column("samples_sha256", _TEXT, lambda k: k.facts.samples_sha256),
)  # fmt: skip
"""One row a recording. `recording` is its path below the root, the key of all views; `car` the
label, or the VIN where there is none; `started` is `started_utc`, or the local time, without a
zone, where an import knew no more."""


FOOTER, REMARKS = "footer_bytes", "remarks"
REMARKS_AT_MOST = 1000
_REMARK = pa.struct({"start_s": pa.float64(), "end_s": pa.float64(), "kind": pa.string(),
                     "text": pa.string()})  # fmt: skip
NOTES = pa.schema([("recording", pa.string()), *_REMARK])
"""One row an event of a recording or a note beside it, seconds on its own clock."""

SIGNALS = pa.schema(
    [
        ("recording", pa.string()),
        ("signal", pa.string()),
        ("ecu", pa.string()),
        ("unit", pa.string()),
        ("samples", pa.int64()),
        ("first_s", pa.float64()),
        ("last_s", pa.float64()),
        ("minimum", pa.float64()),
        ("maximum", pa.float64()),
        ("row_group", pa.int32()),
    ]
)
"""One row a signal of a recording, from the file's own statistics."""

PROBLEMS = pa.schema(
    [
        ("path", pa.string()),
        ("kind", pa.string()),
        ("sentence", pa.string()),
        ("size_bytes", pa.int64()),
        ("mtime_ns", pa.int64()),
    ]
)

FINDINGS = pa.schema(
    [
        *STATE.items(),
        ("version", pa.string()),
        ("check", pa.string()),
        ("subject", pa.string()),
        ("verdict", pa.string()),
        ("value", pa.float64()),
        ("uncertainty", pa.float64()),
        ("unit", pa.string()),
        ("reason", pa.string()),
        ("said", pa.string()),
        ("coverage", pa.string()),
        ("band", pa.string()),
        ("causes", pa.list_(pa.string())),
        ("numbers", pa.string()),
        ("evidence_ns", pa.list_(pa.int64())),
        ("problem", pa.string()),
    ]
)
"""One row a finding. `version` is that of the checks; `numbers` is JSON, as is `said`, the reason
with its quantities; `coverage` is `judged`, or why it was not; `evidence_ns` is start,
end, start, end, …; a recording that could not be checked has one row with `problem` and no check.
`size_bytes` and `mtime_ns` say which state of the file was checked."""

JOBS = pa.schema(
    [
        ("job", pa.string()),
        ("title", pa.string()),
        ("created_utc", pa.string()),
        ("car", pa.string()),
        ("vin", pa.string()),
        ("displacement_l", pa.float64()),
        ("concern", pa.string()),
        ("conclusion", pa.string()),
        ("notes", pa.string()),
        ("recordings", pa.int32()),
    ]
)
"""One row a folder with a `job.toml`; `job` is the folder's path below the root."""


READINGS = pa.schema([(name, pa.string()) for name in ("job", "file", "role", "at_utc", "label")])
"""One row a reading of a car's records that a job holds; `file` below the job's folder."""

ROLES = pa.schema([("recording", pa.string()), ("job", pa.string()), ("role", pa.string())])
"""One row a recording that a job has as `before` or `after` its work."""

WORK = pa.schema([(name, pa.string()) for name in ("job", "at_utc", "kind", "text")])
"""One row a thing done in a job: `work` that was noted, or what was done to the car through the
program, by the kind of the job's event."""


def table_of(rows: Sequence[dict[str, Any]], schema: pa.Schema) -> pa.Table:
    """Few rows of plain JSON types, without `pa.array` (it imports pandas: 0.3 s); a missing number
    is null."""
    if not rows:
        return pa.Table.from_batches([], schema)
    import pyarrow.json as pajson

    lines = "\n".join(json.dumps(row) for row in rows).encode()
    return pajson.read_json(
        io.BytesIO(lines),
        pajson.ReadOptions(block_size=len(lines) + 1),
        pajson.ParseOptions(explicit_schema=schema, unexpected_field_behavior="error"),
    )
