"""A job's ledger: what entered it and when, a signed line each, which holds on to the one before.

A line is canonical JSON, `{"entry":{…},"signature":"…"}`: the signature (Ed25519, RFC 8032) is of
the entry's own canonical JSON, and `previous` in it is the SHA-256 of the whole line before. Lines
are appended only.

What a line tells of and the line itself come together or not at all: the lines are put aside in
`.ledger.next` with the SHA-256 that the file they tell of will have, the file is written, the lines
are appended. Wherever it breaks off, either the file is the new one, and the lines count as if they
were appended, or it is the old one, and they do not.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.errors import JobDamagedError, LogbenchError
from logbench.job.keys import Keys, is_signed, public_of
from logbench.job.names import place_inside
from logbench.job.pieces import Change, canonical, sha256_of
from logbench.recording.storage import storage_trouble, write_whole
from logbench.system.limits import LEDGER_BYTES, LEDGER_LINE_BYTES, LEDGER_LINES
from logbench.system.platforms import boot_clock, sync_folder
from logbench.system.private import owner_only
from logbench.system.reading import json_of, read_plain
from logbench.words import tr

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

log = logging.getLogger(__name__)

LEDGER_FILE = "ledger.jsonl"
NEXT_FILE = ".ledger.next"
BEGUN = "begun"
"""The kind of the first entry."""
SHORTENED = "shortened copy"
"""The kind of the entry behind which a copy for third parties stands instead of the job."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. Hex digits where nothing else is said; `` where there is nothing to say."""

    kind: str
    sha256: str = ""
    """Of the piece that came: of a file, else of its text; `` where one was taken out."""
    said: str = ""
    """Of the text of a piece that is a file."""
    was: str = ""
    """`Piece.key` of the piece that it replaced, or that was taken out."""
    of: str = ""
    """Of the recording that a file lies beside; of any other: `Piece.key` of the original, where a
    shortened copy took its place, or nothing did, in an export."""
    number: int = 0
    """From 0 on."""
    previous: str = ""
    """SHA-256 of the line before; `` in the first."""
    at_utc: str = ""
    """The computer's time of day, ISO 8601 in UTC, to the millisecond."""
    run: str = ""
    """Names the run of the computer, where the system knows it."""
    up_ms: int = 0
    """Since the computer was switched on, in that run: a clock that nobody sets."""
    key: str = ""
    """The public key that signed it."""

    @property
    def names(self) -> str:
        """`Piece.key` of what came."""
        return self.said or self.sha256

    @property
    def signed(self) -> bytes:
        """The bytes that are signed."""
        return canonical(asdict(self)).encode()


_FIELDS = {field.name: type(field.default) for field in fields(Entry) if field.name != "kind"}
_FIELDS["kind"] = str


def line_of(entry: Entry, key: Ed25519PrivateKey) -> bytes:
    """An entry, signed, without the line's end."""
    signature = key.sign(entry.signed).hex()
    return canonical({"entry": asdict(entry), "signature": signature}).encode()


def entry_in(line: bytes) -> tuple[Entry, bool] | None:
    """The entry of a line, and whether it is signed with the key it names; None where the line is
    no entry in its one spelling."""
    try:
        if len(line) > LEDGER_LINE_BYTES:
            return None
        content = json_of(line)
        if canonical(content).encode() != line or set(content) != {"entry", "signature"}:
            return None
        held, signature = content["entry"], content["signature"]
        if {name: type(value) for name, value in held.items()} != _FIELDS:
            return None
        entry = Entry(**held)
        return entry, is_signed(entry.signed, signature, entry.key)
    except (ValueError, TypeError, AttributeError):
        return None


@dataclass(frozen=True, slots=True)
class _Next:
    """Lines that are about to be appended, with the file they tell of."""

    file: str
    sha256: str
    lines: tuple[bytes, ...]


class Ledger:
    """The ledger of a job's folder. Whoever writes holds the job's lock."""

    def __init__(self, folder: Path, keys: Keys | None = None) -> None:
        """`keys`: those of the installation, if left out."""
        self.folder = folder
        self.keys = keys or Keys()

    @property
    def file(self) -> Path:
        """Where it is."""
        return self.folder / LEDGER_FILE

    @property
    def count(self) -> int:
        """How many lines it has; 0 for one that is none. Raises StorageError."""
        try:
            return len(self.lines())
        except JobDamagedError:
            return 0

    def head(self, count: int) -> str:
        """SHA-256 of the last of so many lines, which is what a report says of its ledger; `` where
        there are fewer, or it is none. Raises StorageError."""
        try:
            lines = self.lines()
        except JobDamagedError:
            return ""
        return sha256_of(lines[count - 1]) if 0 < count <= len(lines) else ""

    def lines(self) -> list[bytes]:
        """All lines, without their ends; a last one that broke off is one, too, unless what was put
        aside goes on with it. None where there is no ledger. Raises StorageError; JobDamagedError
        for one that is none: no plain file, or longer than the program writes one."""
        there, torn, waiting = self._parts()
        goes_on = bool(waiting) and waiting[0].startswith(torn)
        return [*there, *([] if goes_on or not torn else [torn]), *waiting]

    def _parts(self) -> tuple[list[bytes], bytes, tuple[bytes, ...]]:
        """Whole lines that are there, one that broke off, and lines put aside that are not."""
        lines = self._data().split(b"\n")
        torn, waiting = lines.pop(), self._waiting()
        known = next((n for n in range(len(waiting), 0, -1) if lines[-n:] == [*waiting[:n]]), 0)
        return lines, torn, waiting[known:]

    def signed(self, changes: Sequence[Change], *, begun: bool, job_id: str) -> list[bytes]:
        """The next lines: one for each change, behind the first entry of all where the ledger
        begins with them; none where this installation can have no key. Raises StorageError."""
        new, old = [c.new for c in changes], [c.old for c in changes]
        entries = [Entry(BEGUN)] if begun else []
        for change, come, gone in zip(changes, new, old, strict=True):
            entry = Entry(change.kind)
            if gone is not None:
                entry = replace(entry, was=gone.key, of=gone.of)
            if come is not None:
                entry = replace(entry, sha256=come.sha256, said=come.said, of=come.of)
            entries.append(entry)
        return self._sign(entries, job_id) if entries else []

    def _sign(self, entries: Sequence[Entry], job_id: str) -> list[bytes]:
        try:
            key = self.keys.own()
        except LogbenchError as error:  # a job is kept in any case; the seal says what is not in
            log.warning("nothing enters the ledger: %s", error)
            return []
        try:
            lines = self.lines()
        except JobDamagedError:
            return []
        clock, made = boot_clock(), list[bytes]()
        run = sha256_of(f"{clock.run}{job_id}".encode())[:16] if clock.run else ""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        for entry in entries:
            before = made[-1] if made else lines[-1] if lines else b""
            whole = replace(
                entry,
                number=len(lines) + len(made),
                previous=sha256_of(before) if before else "",
                at_utc=now,
                run=run,
                up_ms=clock.ns // 1_000_000,
                key=public_of(key),
            )
            made.append(line_of(whole, key))
        return made

    def commit(self, file: Path, data: bytes, lines: Sequence[bytes]) -> None:
        """Write a file of the job whole, and append these lines: both or none. Raises
        StorageError."""
        self._settle()
        if not lines:
            write_whole(file, data)
            return
        aside = {
            "file": file.relative_to(self.folder).as_posix(),
            "sha256": sha256_of(data),
            "lines": [line.decode() for line in lines],
        }
        write_whole(self.folder / NEXT_FILE, canonical(aside).encode())
        write_whole(file, data)
        self._settle()

    def enter(self, entry: Entry, job_id: str) -> None:
        """Append an entry on a file that is there already. Raises StorageError."""
        self._settle()
        self._append(self._sign([entry], job_id))

    def _settle(self) -> None:
        """Append what was put aside, where what it tells of is there, and put it aside no more."""
        aside = self.folder / NEXT_FILE
        if not aside.exists():
            return
        with contextlib.suppress(JobDamagedError):  # what is not a ledger stays as it is
            self._append(self._parts()[2])
        with storage_trouble(aside):
            aside.unlink(missing_ok=True)

    def _append(self, lines: Sequence[bytes]) -> None:
        if not lines:
            return
        torn, new = self._parts()[1], not self.file.exists()
        data = b"".join(line + b"\n" for line in lines)
        if torn:  # what broke off here is gone on with, what somebody else cut off stays as it is
            data = data[len(torn) :] if data.startswith(torn) else b"\n" + data
        with storage_trouble(self.file), open(self.file, "ab", opener=owner_only) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if new:
            sync_folder(self.folder)

    def _data(self) -> bytes:
        why = ""
        with storage_trouble(self.file):
            try:
                data = read_plain(self.file, LEDGER_BYTES)
                if data.count(b"\n") <= LEDGER_LINES:
                    return data
                why = tr("it has more than {most} lines", most=LEDGER_LINES)
            except FileNotFoundError:
                return b""
            except ValueError as error:
                why = str(error)
            except OSError:
                if self.file.is_file():
                    raise
                why = tr("it is not a plain file")
        raise JobDamagedError(tr("The ledger cannot be read: {why}.", why=why))

    def _waiting(self) -> tuple[bytes, ...]:
        """Lines put aside whose file is there as they tell."""
        found = _next_in(self.folder / NEXT_FILE)
        if found is None:
            return ()
        try:
            data = read_plain(place_inside(self.folder, found.file), LEDGER_BYTES)
        except (OSError, ValueError, LogbenchError):
            return ()
        return found.lines if sha256_of(data) == found.sha256 else ()


def _next_in(path: Path) -> _Next | None:
    try:
        content = json_of(read_plain(path, LEDGER_BYTES))
        lines = tuple(line.encode() for line in content["lines"])
        return _Next(content["file"], content["sha256"], lines)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None
