"""The pieces of a job that its ledger knows: each as one canonical text, whose SHA-256 is signed.

A list of the job gives a piece for each entry, any other field one. A text holds what differs from
an empty entry only, so that later versions with further fields give the same text; and the job's
id, a random number, so that nobody finds a name or a VIN by trying.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from logbench.foreign import Foreign, in_label, joined, raw
from logbench.job.model import Job
from logbench.job.times import when_text
from logbench.words import tr

LISTS: dict[str, str] = {
    "notes": "note", "work": "work", "parts": "part", "options": "option",
    "recordings": "recording", "readings": "reading", "other_codes": "code of another module",
    "photos": "photo", "files": "file", "comparisons": "comparison", "tests": "hand test",
    "events": "event",
}  # fmt: skip
"""Lists of the job, and the kind of their pieces."""
FIELDS = ("title", "concern", "agreement", "conclusion", "technician", "customer", "vehicle",
          "symptoms", "sentences")  # fmt: skip
"""Other fields; the kind has the same name."""
WITH_FILE = ("recordings", "readings", "photos", "files")
BESIDE = "notes beside"
"""The kind of the file with notes and corrections beside a recording."""
REPORT = "report"
"""The kind of a report that was written: a piece that the job does not hold."""
NUMBERS = "numbers"
"""The same of the numbers of a report, in a file for third parties."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece. `sha256`: of its file where it is one, else of `text`; `said`: of the text where
    it is a file (role, label, caption), else ``; hex. `of` a file beside a recording: the
    recording's SHA-256."""

    kind: str
    sha256: str
    said: str = ""
    of: str = ""
    text: str = ""
    file: str = ""
    """Where its file lies in the job."""
    at_utc: str = ""

    @property
    def key(self) -> str:
        """What tells it from every other of its kind."""
        return self.said or self.sha256

    @property
    def name(self) -> Foreign:
        """For a sentence: `note of 2026-05-04 09:40 UTC+2`, `recording recordings/a.parquet`."""
        if self.file:
            return joined(" ", kind_text(self.kind), self.file)
        return named(self.kind, self.at_utc)


def named(kind: str, at_utc: str) -> Foreign:
    """A kind with its time."""
    if not at_utc:
        return Foreign(kind_text(kind))
    return Foreign(tr("{kind} of {when}", kind=kind_text(kind), when=when_text(at_utc)))


def kind_text(kind: str) -> str:
    """A kind in the user's language; one of another version as it stands."""
    return _KINDS.get(kind) or in_label(kind)


_KINDS = {
    "note": tr("note"), "work": tr("work done"), "part": tr("part"), "option": tr("option"),
    "recording": tr("recording"), "reading": tr("reading"),
    "code of another module": tr("code of another module"), "photo": tr("photo"),
    "file": tr("file"), "comparison": tr("comparison"), "hand test": tr("hand test"),
    "event": tr("event"), "title": tr("title"), "concern": tr("concern"),
    "agreement": tr("agreement"), "conclusion": tr("conclusion"),
    "technician": tr("technician's name"), "customer": tr("customer"), "vehicle": tr("car"),
    "symptoms": tr("symptoms"), "sentences": tr("rewritten sentences"),
    BESIDE: tr("notes beside a recording"), REPORT: tr("report"),
    NUMBERS: tr("numbers of a report"),
}  # fmt: skip


def canonical(content: object) -> str:
    """JSON without blanks, keys in order, text as it is: one spelling of one content."""
    return json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def sha256_of(data: bytes) -> str:
    """In hex."""
    return hashlib.sha256(data).hexdigest()


def pieces_of(job: Job) -> list[Piece]:
    """All of a job, in its order; fields that say nothing are none."""
    found = []
    for name, kind in LISTS.items():
        for entry in getattr(job, name):
            text = _text(job, kind, entry)
            file = raw(entry.file) if name in WITH_FILE else ""
            at_utc = raw(getattr(entry, "at_utc", ""))
            if file:
                said = sha256_of(text.encode())
                found.append(Piece(kind, raw(entry.sha256), said, "", text, file, at_utc))
            else:
                found.append(Piece(kind, sha256_of(text.encode()), text=text, at_utc=at_utc))
    for name in FIELDS:
        value = getattr(job, name)
        if _plain(value) not in _NOTHING:
            text = _text(job, name, value)
            found.append(Piece(name, sha256_of(text.encode()), text=text))
    return found


def pieces_data(job: Job) -> bytes:
    """The texts of all of them, as they lie beside a packed job (JSON)."""
    texts = [piece.text for piece in pieces_of(job)]
    return json.dumps({"texts": texts}, ensure_ascii=False).encode()


@dataclass(frozen=True, slots=True)
class Change:
    """What became of a piece: it came (`old` None), took the place of another, or was taken out
    (`new` None)."""

    kind: str
    new: Piece | None
    old: Piece | None


def changes_between(old: Iterable[Piece], new: Iterable[Piece]) -> list[Change]:
    """What came, was replaced and was taken out, in that order of the new pieces."""
    gone, come = without(old, new), without(new, old)
    changes = []
    for piece in come:
        former = counterpart(piece, gone)
        if former is not None:
            gone.remove(former)
        changes.append(Change(piece.kind, piece, former))
    return changes + [Change(piece.kind, None, piece) for piece in gone]


def without(pieces: Iterable[Piece], others: Iterable[Piece]) -> list[Piece]:
    """Those pieces that are not among the others, each counted as often as it is there."""
    there = Counter((piece.kind, piece.key) for piece in others)
    left = []
    for piece in pieces:
        if there[piece.kind, piece.key]:
            there[piece.kind, piece.key] -= 1
        else:
            left.append(piece)
    return left


def counterpart(piece: Piece, others: Iterable[Piece]) -> Piece | None:
    """Of other pieces the one that is this one, changed: of the same file or time, or else the
    first of its kind, unless that has a file of its own."""
    same = [other for other in others if other.kind == piece.kind]
    rules: tuple[Callable[[Piece], bool], ...] = (
        lambda other: bool(piece.file) and other.file == piece.file,
        lambda other: bool(piece.sha256) and other.sha256 == piece.sha256,
        lambda other: not piece.file and other.at_utc == piece.at_utc,
    )
    return next((o for rule in rules for o in same if rule(o)), None)


def _text(job: Job, kind: str, entry: object) -> str:
    return canonical({"job": raw(job.job_id), "kind": kind, "what": _plain(entry)})


_NOTHING: tuple[object, ...] = (None, "", [], {})


def _plain(value: Any) -> Any:
    """Plain values, without what a field has by itself and without what says nothing."""
    if isinstance(value, BaseModel):
        fields = type(value).model_fields
        held = {**value.__dict__, **(value.model_extra or {})}
        plain = {
            name: _plain(one)
            for name, one in held.items()
            if name not in fields or fields[name].default in (PydanticUndefined, None)
            or one != fields[name].default
        }  # fmt: skip
        return {raw(name): one for name, one in plain.items() if one not in _NOTHING}
    if isinstance(value, dict):
        return {raw(str.__str__(key)): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, str):
        return raw(value)
    return value if value is None or isinstance(value, bool | int | float) else str(value)
