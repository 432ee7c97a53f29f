"""Cases of a drive under way: how far it has come, cells to repeat, adapters, orphan journals."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.cases.cars import CarsFile
from logbench.cases.work import Deed, Outcome, Work, only_looks
from logbench.foreign import in_label
from logbench.plot.pyramid import Floats, Ints
from logbench.recording.model import Facts, JournalOutcome, Trace
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.drive_plan import CellGoal, DriveProgress
    from logbench.analysis.run import CheckEvidence
    from logbench.vehicle.links.ble import Found
    from logbench.vehicle.links.nearby import Nearby

NEEDED = frozenset(
    [
        "RPM",
        "VSS",
        "TP",
        "APP",
        "TAC",
        "ECT",
        "FUELSYS1",
        "LOAD",
        "MAP",
        "MAF",
        "MAFA",
        "BARO",
        "EVAP",
        *("FUEL", "ENG", "TQ", "DPF", "DPF1", "DPF2", "GPL", "CI"),
    ]
)
"""First parts of the acronyms that conditions and cells rest on."""
Part = tuple[str, str, str, Callable[[], tuple[Ints, Floats]]]
"""Signal, ECU, unit and a snapshot of a trace that grows."""
_ORPHANS = "*.journal"
_MOST_NAMED = 4
"""In one sentence."""


@dataclass(frozen=True, slots=True)
class Progressed:
    """What one look at a drive gave."""

    progress: DriveProgress
    evidence: list[CheckEvidence] | None
    """What each check still lacks; None where it was not asked for."""
    took_s: float
    """Processor time of the look."""


@dataclass(frozen=True, slots=True)
class Goals:
    """What an earlier drive asks of the next one."""

    cells: Sequence[CellGoal]
    powers: tuple[str, ...]
    """What so many drives of each side would show, in lines."""


@only_looks
def look_at_drive(
    _: Work, parts: Sequence[Part], facts: Facts, goals: Sequence[CellGoal], judges: bool
) -> Progressed:
    """How far a drive has come: steps and cells, with the evidence of the checks where `judges`."""
    from logbench.analysis.drive_plan import progress_of
    from logbench.analysis.run import evidence_so_far
    from logbench.recording.reader import Recording

    started = time.thread_time()
    traces = [Trace(signal, ecu, unit, *whole()) for signal, ecu, unit, whole in parts]
    needed = [t for t in traces if t.signal.split("_")[0] in NEEDED]
    progress = progress_of(Recording.of(needed, facts), goals)
    evidence = None
    if judges and traces:
        evidence = evidence_so_far(Recording.of(traces, facts))
    return Progressed(progress, evidence, time.thread_time() - started)


@only_looks
def find_ways(_: Work) -> Nearby:
    """Adapters that are there now, likeliest first."""
    from logbench.vehicle.links.nearby import find_nearby

    return find_nearby()


@only_looks
def read_goals(_: Work, path: Path, archive: str = "") -> Goals:
    """The cells of an earlier drive, to be driven again; none where it has no warm, steady driving.
    `archive`: with the car's other drives; empty: none. Raises the reader's errors and
    `ArchiveError`."""
    from logbench.analysis.comparison.quantities import of_compression
    from logbench.analysis.drive_plan import plan_from, powers_for, told_of
    from logbench.analysis.run import run_checks
    from logbench.analysis.view import View
    from logbench.archive.repeats import repeats_in
    from logbench.recording.reader import open_recording

    recording = open_recording(path)
    repeats = repeats_in(archive, CarsFile().load(), [recording.facts])
    view = View(recording)
    repeats = repeats.of_engine(of_compression([view]))
    powers = powers_for(run_checks(view, repeats=repeats), repeats)
    return Goals(plan_from([recording]), told_of(powers))


@only_looks
def find_adapters(work: Work) -> list[Found]:
    """Bluetooth devices in the air; those found so far are reported as lines: address, dBm, name,
    tabs between. Raises LinkError."""
    from logbench.vehicle.links.ble import scan

    def found(heard: Sequence[Found], share: float) -> None:
        work.report(
            "\n".join(f"{h.address}\t{h.rssi_dbm}\t{in_label(h.name)}" for h in heard), share
        )

    return scan(found)


@dataclass(frozen=True)
class RecoverJournals(Deed[tuple[JournalOutcome, ...]]):
    """Turn what a crash left in a folder into recordings, and what is in its second place or was
    rescued; canceled, it ends behind the journal at hand."""

    folder: Path
    second: Path | None = None
    title = tr("Recovering what a crash left")
    canceling = "keep"

    def run(self, work: Work) -> tuple[JournalOutcome, ...]:
        """What became of each."""
        from logbench.recording.places import journal_folders

        folders = journal_folders(self.folder, self.second)
        if not any(any(folder.glob(_ORPHANS)) for folder in folders):
            return ()
        from logbench.recording.recovery import recover

        found = []
        for one in recover(*folders):
            found.append(one)
            if one.matters:
                work.report(one.sentence)
            if work.cancelled:
                break
        return tuple(found)

    def outcome(self, answer: tuple[JournalOutcome, ...]) -> Outcome:
        """Names of the recordings made, and what was left and why."""
        made = [one.path.name for one in answer if one.path is not None]
        names, more = ", ".join(made[:_MOST_NAMED]), max(0, len(made) - _MOST_NAMED)
        text = tr("Recovered from a drive that was cut short: {names}", names=names)
        if more:
            text += " " + tr("and {n} more", n=more)
        left = [one.sentence for one in answer if one.kind == "left"]
        if len(left) > _MOST_NAMED:
            left = [left[0], tr("{n} journals were left as they are.", n=len(left))]
        return Outcome(" ".join([text] * bool(made) + left))
