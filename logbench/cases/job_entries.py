"""Cases of a job that enter what a person typed: notes, work, parts, options, its fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Literal

from logbench.cases.work import Deed, Work
from logbench.job.model import Job, Note, Part
from logbench.job.store import JobStore
from logbench.job.typed import (
    TypedKind,
    append,
    correct,
    put_option,
    set_values,
    withdraw,
)
from logbench.words import tr


@dataclass(frozen=True)
class _Enters(Deed[None]):
    jobs: JobStore
    folder: Path
    title: ClassVar[str] = tr("Entering it in the job")


@dataclass(frozen=True)
class EnterInJob(_Enters):
    """Put an entry behind those of a list. Raises JobError, StorageError."""

    name: Literal["notes", "work", "parts"]
    entry: Note | Part

    def run(self, work: Work) -> None:
        """Into the job that is open, or its file."""
        self.jobs.commit(self.folder, lambda job: append(job, self.name, self.entry))


@dataclass(frozen=True)
class PutOption(_Enters):
    """Put a way forward to the owner, or say more of one: what it costs, how it was decided.
    Raises UsageError, JobError, StorageError."""

    what: str
    said: Mapping[str, Any] = field(default_factory=dict)

    def run(self, work: Work) -> None:
        """Into the job that is open, or its file."""
        self.jobs.commit(self.folder, lambda job: put_option(job, self.what, self.said))


@dataclass(frozen=True)
class ChangeEntry(Deed[str]):
    """Correct the words of an entry, by its number in its list, or, without new ones, withdraw it;
    in the ledger that is an entry, and the one of before stays. Gives the words of before. Raises
    UsageError, JobError, StorageError, with nothing changed."""

    jobs: JobStore
    folder: Path
    kind: TypedKind
    number: int
    text: str | None = None
    title: ClassVar[str] = tr("Entering it in the job")

    def run(self, work: Work) -> str:
        """In the job that is open, or its file."""
        old: list[str] = []

        def change(job: Job) -> None:
            if self.text is None:
                old.append(withdraw(job, self.kind, self.number))
            else:
                old.append(correct(job, self.kind, self.number, self.text))

        self.jobs.commit(self.folder, change)
        return old[0]


@dataclass(frozen=True)
class SetJobFields(_Enters):
    """Say what fields of a job are, by their path: `conclusion`, `vehicle.vin`. Raises UsageError,
    JobError, StorageError, with nothing changed."""

    values: Mapping[str, Any]

    def run(self, work: Work) -> None:
        """Into the job that is open, or its file."""
        self.jobs.commit(self.folder, lambda job: set_values(job, self.values))
