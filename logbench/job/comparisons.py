"""Before and after in a job: which readings, which recordings, what comparing them said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from logbench.errors import JobDamagedError, UsageError
from logbench.job.folder import JobFolder
from logbench.job.model import ComparisonEntry, Job, RecordingEntry, Role, now_utc

T = TypeVar("T")
Sides = tuple[tuple[str, ...], tuple[str, ...]]
"""Files of the job before and after, as `job.toml` names them."""


def first_and_last(readings: Iterable[tuple[Role, T]]) -> tuple[T | None, T | None]:
    """Of readings with their role: the first one before and the last one after the work."""
    kept = list(readings)
    before = next((reading for role, reading in kept if role == "before"), None)
    after = next((reading for role, reading in reversed(kept) if role == "after"), None)
    return before, after


def drives_before(entries: Sequence[RecordingEntry]) -> list[RecordingEntry]:
    """The drives before the repair; where none is marked so those that are not after it."""
    found = [entry for entry in entries if entry.role == "before"]
    return found or [entry for entry in entries if entry.role == "other"]


def sides_by_role(job: Job) -> Sides:
    """The recordings by their role; a side without any is empty."""
    before, after = (
        tuple(entry.file for entry in job.recordings if entry.role == role)
        for role in ("before", "after")
    )
    return before, after


def missing_sides(sides: Sides) -> str:
    """What a job lacks for a comparison, as a sentence; `` when it lacks nothing."""
    lacking = [role for role, files in zip(("before", "after"), sides, strict=True) if not files]
    if not lacking:
        return ""
    return (
        f"The job has no recording with the role {' and none with the role '.join(lacking)} yet: "
        "add one, or change the role of one that is there."
    )


def sides_named(
    folder: JobFolder, job: Job, before: Sequence[Path], after: Sequence[Path]
) -> Sides | None:
    """These files as entries of the job, on their sides; None when one is none of its recordings.

    Files may be given by their path, or by name as they stand in the job.
    """
    known: dict[Path, str] = {}
    for entry in job.recordings:
        try:
            known[folder.place(entry.file)] = entry.file
        except JobDamagedError:
            continue
    by_name = {Path(file).name: file for file in known.values()}

    def named(path: Path) -> str | None:
        inside = known.get((folder.path / path).resolve()) or known.get(path.resolve())
        return inside or (by_name.get(path.name) if path.name == str(path) else None)

    found = [[named(path) for path in side] for side in (before, after)]
    if not all(found) or any(file is None for side in found for file in side):
        return None
    first, second = (tuple(file for file in side if file is not None) for side in found)
    return first, second


def chosen_sides(
    folder: JobFolder, job: Job, before: Sequence[Path], after: Sequence[Path]
) -> tuple[list[Path], list[Path]]:
    """Files to compare: those named, the other side by its role. Raises UsageError for a file that
    is not a recording of the job, and for a side without any; JobDamagedError."""
    roles = sides_by_role(job)
    wanted = [
        list(named) or [Path(file) for file in files]
        for named, files in zip((before, after), roles, strict=True)
    ]
    lacking = missing_sides((tuple(map(str, wanted[0])), tuple(map(str, wanted[1]))))
    if lacking:
        raise UsageError(lacking)
    sides = sides_named(folder, job, wanted[0], wanted[1])
    if sides is None:
        raise UsageError(
            "Name recordings of the job, as `logbench job show` lists them; add others first with "
            "`logbench job add`."
        )
    first, second = ([folder.place(file) for file in side] for side in sides)
    return first, second


def keep_comparison(
    job: Job, sides: Sides, sentence: str, label: str = "", same_car: bool = False
) -> ComparisonEntry:
    """Enter a comparison with the present time; one of the same sides is replaced, its label kept
    unless there is a new one."""
    before, after = (list(side) for side in sides)
    earlier = [c for c in job.comparisons if (c.before, c.after) == (before, after)]
    entry = ComparisonEntry(
        before=before,
        after=after,
        label=label or (earlier[-1].label if earlier else ""),
        at_utc=now_utc(),
        sentence=sentence,
        same_car=same_car,
    )
    job.comparisons = [c for c in job.comparisons if c not in earlier] + [entry]
    return entry
