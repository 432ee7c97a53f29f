"""Drives of an archive named and dated, many at once, beside their files; and that undone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from logbench.cases.archive import Account, Accounted, Line
from logbench.cases.recording import CorrectFacts, WithdrawCorrections
from logbench.cases.work import Work
from logbench.errors import LogbenchError, UsageError
from logbench.foreign import Foreign
from logbench.words import tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.recording.model import Correction, Facts


@dataclass
class Named(Account):
    """What was done, and how it is undone."""

    undo: dict[Path, tuple[Correction, ...]] = field(default_factory=dict)
    """Corrections that were made, by recording."""


@dataclass(frozen=True)
class NameDrives(Accounted):
    """Correct facts of recordings of an archive, beside their files; the files are as they were.

    `changes`: as `CorrectFacts` takes them. `own_dates`: a recording whose start is not known
    begins so long before its file was written last as it lasts.
    """

    title: ClassVar[str] = tr("Naming drives")

    archive: Archive
    recordings: tuple[str, ...]
    changes: Mapping[str, object]
    own_dates: bool = False

    def run(self, work: Work) -> Account:
        """What is wrong with one leaves the others named. Raises `UsageError` for an archive that
        is not on this computer."""
        from logbench.archive.store import LocalStore

        store = self.archive.store
        if not isinstance(store, LocalStore):
            raise UsageError(
                tr("This archive is in an object store: its drives are named where they are.")
            )
        account = Named("")
        for number, name in enumerate(self.recordings):
            if work.cancelled:
                break
            work.report(tr("Naming {name}", name=Foreign(name)), number / len(self.recordings))
            try:
                path = store.path_of(name)
                made, left = self._correct(path, work)
            except LogbenchError as error:
                account.lines.append(Line(name, str(error), bad=True))
                continue
            if made:
                account.undo[path] = made
            if left:
                account.lines.append(Line(name, left))
        return replace(account, sentence=_told(account))

    def _correct(self, path: Path, work: Work) -> tuple[tuple[Correction, ...], str]:
        """The corrections made, and what was left as it is."""
        from logbench.recording.corrections import STARTED
        from logbench.recording.reader import open_recording

        recording = open_recording(path)
        facts, changes, left = recording.facts, dict(self.changes), ""
        if self.own_dates and not facts.started:
            changes[STARTED] = _began(path, recording.duration_ns / 1e9)
        elif STARTED in changes and _is_dated(facts):
            del changes[STARTED]
            left = tr("Its date stays: it was recorded with it.")
        known = len(facts.corrections)
        return tuple(CorrectFacts(path, changes).run(work).corrections[known:]), left


@dataclass(frozen=True)
class UndoNaming(Accounted):
    """Take back what `NameDrives` did; what was corrected since stays."""

    title: ClassVar[str] = tr("Naming drives")

    undo: Mapping[Path, tuple[Correction, ...]]

    def run(self, work: Work) -> Account:
        """Those that are gone are told."""
        account = Account("")
        done = 0
        for path, made in self.undo.items():
            try:
                WithdrawCorrections(path, made).run(work)
                done += 1
            except LogbenchError as error:
                account.lines.append(Line(path.name, str(error), bad=True))
        sentence = tr_n("{n} drive is as it was.", "{n} drives are as they were.", done)
        return replace(account, sentence=sentence)


def _told(account: Named) -> str:
    n = len(account.undo)
    return tr_n("{n} drive named or dated.", "{n} drives named or dated.", n)


def _is_dated(facts: Facts) -> bool:
    return bool(facts.started_utc) and not facts.is_imported


def _began(path: Path, length_s: float) -> str:
    end_s = path.stat().st_mtime
    return datetime.fromtimestamp(end_s - length_s, UTC).isoformat(timespec="seconds")
