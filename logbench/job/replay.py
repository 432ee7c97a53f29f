"""A ledger gone through by itself: what stands in the job by it, what is wrong with its lines."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from logbench.job.ledger import BEGUN, SHORTENED, Entry, entry_in
from logbench.job.pieces import BESIDE, FIELDS, NUMBERS, REPORT, kind_text, named, sha256_of
from logbench.job.times import parse_time, when_text
from logbench.words import tr, tr_n

_MOST_WRONG = 1000
"""Lines of a ledger, after which it is gone through no further."""
_CLOCK = timedelta(minutes=5)
"""So far a computer's time of day may move by itself between two entries; ours, no source."""


@dataclass(slots=True)
class Replay:
    """What stands in the job by its ledger, as far as it was gone through."""

    standing: dict[str, list[Entry]] = field(default_factory=lambda: defaultdict(list))
    """By kind; of `BESIDE` by recording."""
    reports: list[Entry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    keys: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    """Public keys, with the numbers of the entries they signed."""
    head: bytes = b""
    last: Entry | None = None
    count: int = 0
    begun_utc: str = ""
    cut: bool = False
    """So much is wrong with it that it was not gone through to its end."""

    def others(self, own: frozenset[str]) -> tuple[str, ...]:
        """The keys that are none of an installation's own."""
        return tuple(key for key in self.keys if key not in own)


def replayed(lines: Sequence[bytes]) -> Replay:
    """Go through a ledger's lines."""
    replay = Replay()
    for number, line in enumerate(lines):
        if len(replay.problems) >= _MOST_WRONG:
            replay.problems.append(_not_looked_at(len(lines) - number))
            replay.head, replay.count, replay.cut = lines[-1], len(lines), True
            break
        found = entry_in(line)
        previous = sha256_of(replay.head) if replay.head else ""
        replay.head, replay.count = line, number + 1
        if found is None:
            replay.problems.append(
                tr(
                    "Line {n} of the ledger is not an entry: it was altered or damaged.",
                    n=number + 1,
                )
            )
            continue
        entry, signed = found
        if not signed:
            replay.problems.append(
                tr("{entry} was altered: its signature does not fit.", entry=called(entry))
            )
            continue
        if entry.number != number or entry.previous != previous:
            replay.problems.append(
                tr(
                    "{entry} does not follow what stands before it in the ledger: entries were "
                    "altered, removed, added or moved there.",
                    entry=called(entry),
                )
            )
        replay.keys[entry.key].append(number)
        _clocks(replay, entry)
        _take(replay, entry)
    return replay


def _not_looked_at(count: int) -> str:
    return tr_n(
        "{n} more line of the ledger was not looked at, after so much that is wrong.",
        "{n} more lines of the ledger were not looked at, after so much that is wrong.",
        count,
    )


def _take(replay: Replay, entry: Entry) -> None:
    """Let an entry change what stands."""
    if entry.kind == BEGUN:
        if replay.begun_utc:
            replay.problems.append(tr("{entry}: the ledger begins twice.", entry=called(entry)))
        replay.begun_utc = replay.begun_utc or entry.at_utc
        return
    if entry.kind == SHORTENED:
        replay.remarks.append(
            tr(
                "This is a copy in which names, plates and VINs are shortened, made on {when}; "
                "each piece names its original by its SHA-256.",
                when=when_text(entry.at_utc),
            )
        )
        return
    if entry.kind in (REPORT, NUMBERS):
        replay.reports.append(entry)
        return
    standing = replay.standing[place_of(entry.kind, entry.of)]
    if entry.was:
        former = next((one for one in standing if one.names == entry.was), None)
        if former is None:
            replay.problems.append(
                tr(
                    "The {kind} that {entry} replaces never entered the ledger: it was altered "
                    "outside of the program before.",
                    kind=kind_text(entry.kind),
                    entry=called(entry),
                )
            )
            if entry.kind in (*FIELDS, BESIDE):  # there is one of them only
                standing.clear()
        else:
            standing.remove(former)
    if entry.sha256 or entry.said:
        standing.append(entry)


def place_of(kind: str, of: str) -> str:
    """Under which name entries of a kind stand; of notes beside a recording, of which."""
    return f"{kind} {of}" if kind == BESIDE else kind


def _clocks(replay: Replay, entry: Entry) -> None:
    """Hold the time of day against the clock that nobody sets."""
    last, replay.last = replay.last, entry
    if last is None or not entry.run or entry.run != last.run:
        return
    then, now = parse_time(last.at_utc), parse_time(entry.at_utc)
    if then is None or now is None:
        return
    moved = (now - then) - timedelta(milliseconds=entry.up_ms - last.up_ms)
    if abs(moved) > _CLOCK:
        replay.remarks.append(
            tr(
                "The computer's time of day was set by {minutes} min before {entry}.",
                minutes=round(moved.total_seconds() / 60),
                entry=called(entry),
            )
        )


def called(entry: Entry) -> str:
    """`Entry 7 (note of 2026-05-04 09:40 UTC+2)`."""
    kind = tr("beginning") if entry.kind == BEGUN else entry.kind
    return tr("Entry {n} ({what})", n=entry.number, what=named(kind, entry.at_utc))
