"""The words of an import: how a foreign file's columns become signals, and what was left out."""

from __future__ import annotations

import logging
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from logbench.car.model import Car
from logbench.errors import ImportFileError
from logbench.foreign import Foreign, fill
from logbench.recording.model import Facts, LinkFacts, Trace, signal_facts, start_of
from logbench.recording.storage import storage_trouble, write_whole
from logbench.signals.table import table
from logbench.signals.units import compatible
from logbench.system.limits import MAPPING_BYTES, REASONS
from logbench.system.platforms import config_home
from logbench.system.private import make_folder
from logbench.system.reading import read_plain, toml_of
from logbench.system.version import SOFTWARE

log = logging.getLogger(__name__)

ENGINE_ECU = "7E8"
"""Address written where a file names none: the engine's ordinary one on CAN (ISO 15765-4)."""

SURE = 0.5
"""A guess below this confidence is shown, but not imported unless the user says so."""

YOU_SAID = "as you said"
"""Kept as the reason of what a person corrected, shown by `word`."""

UnitFrom = Literal["header", "cells", "assumed", "user"]
TimeFormat = Literal[
    "number", "clock", "year first", "day first", "month first", "epoch", "days", "none"
]
"""`number`: a count of `unit`s. `clock`: 00:03:02 or 3:02.5. `year first`, `day first` and
`month first`: calendar dates with a time of day. `epoch`: `unit`s since 1970-01-01 UTC. `days`:
a spreadsheet's days since 1899-12-30. `none`: rows `period_s` apart."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", validate_assignment=True)


class ColumnMap(_Strict):
    """Which signal a column (or, in the long layout, a name) is."""

    column: str
    """The header's text, or the name in the long layout, as the file has it."""
    place: int = -1
    """Index of the column, from 0; -1: found by its name, as all are in the long layout."""
    signal: str = ""
    """Acronym; `` leaves the column out. A name that is not in the table is kept as it is."""
    unit: str = ""
    """Unit of the file's numbers, in pint's or the trade's spelling; `` for a pure number."""
    unit_from: UnitFrom = "assumed"
    decimal: Literal["", ".", ","] = ""
    """The column's own decimal mark; `` where it has the file's."""
    thousands: Literal["", ",", ".", " ", "'"] = ""
    """Beside a decimal mark of its own."""
    ecu: str = ""
    """`` for the mapping's."""
    confidence: float = Field(default=0.0, ge=0.0, le=1.0)
    why: str = ""
    others: list[str] = Field(default_factory=list)
    """Further acronyms that it may be, likeliest first."""

    @property
    def used(self) -> bool:
        """Whether it is imported."""
        return bool(self.signal) and self.confidence >= SURE

    def say(self, signal: str, unit: str | None = None, why: str = YOU_SAID) -> None:
        """A person's word, which counts fully: its signal, `` to leave it out, and its unit. A unit
        that was only supposed follows the signal."""
        self.signal, self.confidence, self.why = signal, 1.0 if signal else 0.0, why
        if unit is not None and unit != self.unit:
            self.unit, self.unit_from = unit, "user"
        self.follow()

    def follow(self) -> None:
        """A unit that was only supposed, and cannot be this signal's, becomes the signal's own."""
        if self.unit_from == "assumed" and self.signal in table():
            own = table().by_acronym(self.signal).unit
            self.unit = self.unit if compatible(self.unit, own) else own

    def left_out(self) -> ColumnMap:
        """As a file says it."""
        others = [name for name in (self.signal, *self.others) if name]
        return self.model_copy(update={"signal": "", "confidence": 0.0, "others": others})


class TimeMap(_Strict):
    """Where the times are, and how they are written."""

    places: list[int] = Field(default_factory=list)
    """Index of the column; two where date and time of day have one each."""
    format: TimeFormat = "none"
    unit: str = "s"
    period_s: float = Field(default=1.0, gt=0.0)
    """Distance of rows where nothing tells the time."""
    standing: str = ""
    """A column that is named as the time and stands still: how far rows are apart must be stated,
    and this be taken out, before anything is imported."""
    spread: bool = False
    """True: rows that share a coarse time stamp are spread evenly up to the next one."""
    confidence: float = Field(default=0.0, ge=0.0, le=1.0)
    why: str = ""


class LongMap(_Strict):
    """The columns of a long layout: one row a sample."""

    name: int
    value: int
    unit: int | None = None
    ecu: int | None = None


class SplitMap(_Strict):
    """How several drives in one file are told apart: by columns that say whose a row is, each by
    its index, and by the time."""

    car: int | None = None
    """Column that names the car, by its VIN or otherwise; the drives are of that car."""
    driver: int | None = None
    """Column that names the driver; its content is not kept."""
    trip: int | None = None
    """Column whose value changes from drive to drive."""
    on_restart: bool = True
    """A new drive begins where the time jumps back."""
    gap_s: float = Field(default=1800.0, gt=0.0)
    """A new drive begins after a longer pause."""

    @model_validator(mode="before")
    @classmethod
    def _former(cls, content: Any) -> Any:
        """Take mappings of earlier versions, which had one `place`."""
        if not isinstance(content, dict) or "place" not in content:
            return content
        return {"trip": content["place"], **{k: v for k, v in content.items() if k != "place"}}

    @property
    def places(self) -> set[int]:
        """The columns."""
        return {k for k in (self.car, self.driver, self.trip) if k is not None}


class Mapping(_Strict):
    """How one kind of file is read. Made by `detect`, correctable, saved as TOML."""

    version: Literal[1] = 1
    fingerprint: str = ""
    """Same for files with the same header."""
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ",", ".", " ", "'"] = ""
    header_row: int | None = 0
    """Index of the header among the file's non-empty rows; None: the file has none."""
    units_row: bool = False
    """The row below the header holds units."""
    layout: Literal["wide", "long"] = "wide"
    ecu: str = ENGINE_ECU
    keep_out_of_range: bool = False
    """Values that the standard's encoding cannot hold, and numbers that stand for no reading, are
    kept."""
    time: TimeMap = Field(default_factory=TimeMap)
    long: LongMap | None = None
    split: SplitMap = Field(default_factory=SplitMap)
    columns: list[ColumnMap] = Field(default_factory=list)

    def write_numbers(self, decimal: Literal[".", ","]) -> None:
        """A person's word on the decimal mark, of all columns."""
        if decimal != self.decimal:
            self.decimal = decimal
            for column in self.columns:
                column.decimal, column.thousands = "", ""

    def marks(self, column: ColumnMap) -> tuple[str, str]:
        """Decimal and thousands mark of a column."""
        if column.decimal:
            return column.decimal, column.thousands
        return self.decimal, self.thousands

    def assign(self, name: str, signal: str, unit: str | None = None) -> None:
        """Correct the column of that header text: the user's word counts fully. `signal` `` leaves
        it out. Raises `ImportFileError`, naming the columns there are."""
        column = next((column for column in self.columns if column.column == name), None)
        if column is None:
            known = ", ".join(repr(column.column) for column in self.columns)
            raise ImportFileError(f"There is no column {name!r} in the mapping; it has {known}.")
        column.say(signal, unit)

    def save(self, path: Path) -> None:
        """Write as TOML: a `signal` in it is imported, so a guess that is not becomes one of the
        `others`. Raises `StorageError`."""
        columns = [column if column.used else column.left_out() for column in self.columns]
        written = self.model_copy(update={"columns": columns})
        document = tomlkit.dumps(written.model_dump(exclude_none=True))
        with storage_trouble(path):
            make_folder(path.parent)
            write_whole(path, document.encode())

    @classmethod
    def load(cls, path: Path) -> Mapping:
        """Read what `save` or a person wrote (docs/mapping-file.md). Raises `ImportFileError`,
        naming the field and what is wrong."""
        try:
            mapping = cls.model_validate(toml_of(read_plain(path, MAPPING_BYTES)))
        except FileNotFoundError as error:
            raise ImportFileError(f"There is no mapping {path}: check the name.") from error
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"])
            raise ImportFileError(
                f"The mapping {path} cannot be used, {where}: {first['msg'].lower()}."
            ) from error
        except (OSError, ValueError) as error:
            raise ImportFileError(
                f"The mapping {path} cannot be read ({error}): correct or remove it."
            ) from error
        for column in mapping.columns:
            if column.signal and not column.confidence:  # written by a person
                column.say(column.signal, why="as the mapping file says")
            column.follow()
        return mapping


@dataclass(frozen=True, slots=True)
class Unread:
    """One cell, row or frame that could not be read."""

    line: int
    """Line or row number in the file, from 1; 0 where there is none."""
    column: str
    text: str
    reason: str


LISTED = 200
"""At most so many unread cells of each reason are listed; all are counted."""


@dataclass(slots=True)
class Report:
    """What became of a file: counts of everything, and a list of what could not be read."""

    rows: int = 0
    samples: int = 0
    empty: int = 0
    """Cells without a value."""
    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(column, reason) to how many cells were left out."""
    unread: list[Unread] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """Assumptions and columns left out, one sentence each."""
    cut_short: bool = False
    """The rest of the file could not be read, however much there is of it."""
    _listed: Counter[str] = field(default_factory=Counter)

    def leave_out(self, line: int, column: str, text: str, reason: str) -> None:
        """Count, and list while there is room."""
        if (column, reason) not in self.counts and len(self.counts) >= REASONS:
            column, reason = "", "could not be read either"
        self.counts[column, reason] += 1
        if self._listed[reason] < LISTED:
            self._listed[reason] += 1
            self.unread.append(Unread(line, column, text[:80], reason))

    def remark(self, sentence: str) -> None:
        """Note once."""
        if sentence not in self.remarks:
            self.remarks.append(sentence)

    @property
    def left_out(self) -> int:
        """Cells, rows or frames that could not be read."""
        return sum(self.counts.values())


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive of a file, ready to be written."""

    traces: tuple[Trace, ...]
    facts: Facts


def imported_facts(
    traces: Sequence[Trace],
    started: datetime | None,
    origin: dict[str, Any],
    protocol: str = "",
) -> Facts:
    """Facts of a drive. `started`: t = 0, in local time where it has no zone. `origin`: the `file`
    by name, and what else is known of where it is from; kept in the facts' `extra`."""
    utc, local = start_of(started)
    return Facts(
        started_utc=utc,
        started_local=local,
        software=SOFTWARE,
        link=LinkFacts(adapter=f"imported from {origin['file']}", protocol=protocol),
        signals=signal_facts(trace.signal for trace in traces),
        ecus={trace.ecu: "" for trace in traces},
        extra={"import": origin},
    )


@dataclass(frozen=True, slots=True)
class Imported:
    """All drives of a file, how they were read, and what was left out."""

    drives: tuple[Drive, ...]
    report: Report
    mapping: Mapping | None = None
    """None for formats that need none (CAN logs)."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What a person says of what is imported; it goes before what the file says."""

    car: Car | None = None
    started: datetime | None = None
    """When the one drive that is imported began; without a zone it is local time."""
    drive: int | None = None
    """Which of several is imported, from 1; None: all."""

    def of(self, imported: Imported) -> list[tuple[int, Drive]]:
        """The drives wanted, by their numbers, as they are stated. Raises `ImportFileError` where
        there is no such drive, or one start or car is stated of several."""
        several = len(imported.drives)
        if self.drive is not None and not 1 <= self.drive <= several:
            raise ImportFileError(f"There is no drive {self.drive}: the file holds {several}.")
        if self.started is not None and self.drive is None and several > 1:
            raise ImportFileError(
                f"The file holds {several} drives: say which of them began then, by its number."
            )
        numbered = enumerate(imported.drives, start=1)
        chosen = [(number, drive) for number, drive in numbered if self.drive in (None, number)]
        cars = dict.fromkeys(drive.facts.vehicle.called for _, drive in chosen)
        if self.car is not None and len(cars) > 1:
            raise ImportFileError(fill(
                "The file holds drives of several cars ({cars}): state none, or say whose drive "
                "is imported, by its number.", cars=Foreign(", ".join([*cars][:5])),
            ))  # fmt: skip
        return [(number, self._said(drive)) for number, drive in chosen]

    def _said(self, drive: Drive) -> Drive:
        facts = drive.facts.model_copy(deep=True)
        if self.car is not None:
            facts.vehicle = self.car.over(facts.vehicle)
        if self.started is not None:
            facts.started_utc, facts.started_local = start_of(self.started)
        return replace(drive, facts=facts)


# --- remembered for files that look the same ---


def remember(mapping: Mapping, folder: Path | None = None) -> Path:
    """Keep a mapping for files with the same header; returns its file. Raises `StorageError`."""
    path = _path(mapping.fingerprint, folder)
    mapping.save(path)
    return path


def recall(fingerprint: str, folder: Path | None = None) -> Mapping | None:
    """The mapping kept for that header; None when there is none or it cannot be used any more."""
    path = _path(fingerprint, folder)
    if not path.exists():
        return None
    try:
        mapping = Mapping.load(path)
    except ImportFileError as error:
        log.warning("%s", error)
        return None
    return mapping if mapping.fingerprint == fingerprint else None


def _path(fingerprint: str, folder: Path | None) -> Path:
    if not re.fullmatch(r"[0-9a-f]{16}", fingerprint):
        raise ImportFileError("The mapping has no fingerprint of a header: detect it anew.")
    folder = folder or config_home() / "mappings"
    return folder / f"{fingerprint}.toml"
