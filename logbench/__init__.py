"""logbench: a data-logging and graphing workstation for the automotive diagnostic technician.

From Python, and in a notebook:

    import logbench

    drive = logbench.open("drive.parquet")     # one recording
    drive.facts, drive.signals, drive.trace("RPM").value, drive.frame(["RPM", "ECT"])
    logbench.conditions(drive)                 # what the car was doing, as text
    logbench.check(drive)                      # what the checks find, one row a finding
    logbench.compare(drive, other)             # before and after: .summary, .signals, .findings

    fleet = logbench.archive("FOLDER")         # all recordings below a folder or s3://…
    len(fleet), fleet.find(car="van"), fleet.recordings, fleet.open("van/a")
    fleet.query("SELECT car, count(*) FROM recordings GROUP BY car")
    table = fleet.table("RPM, ECT, SHRTFT1 + LONGFT1", every=1, conditions=["warm", "steady"])
    table.df()                                 # or .relation, .arrow(), .pl(), .sql("SELECT …")

`help(fleet.table)` says more, as do docs/archive.md and docs/expressions.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbench import archive
from logbench.system import version

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike

    import pandas as pd

    from logbench.analysis.bands import Bands
    from logbench.analysis.comparison.results import Comparison
    from logbench.recording.reader import Recording

__version__ = version.VERSION
__all__ = ["archive", "check", "compare", "conditions", "open"]


def open(path: str | PathLike[str]) -> Recording:  # reads as logbench.open(...)
    """Open a finished recording; see `logbench.recording.reader.open_recording`."""
    from logbench.recording.reader import open_recording

    return open_recording(path)


def conditions(recording: Recording) -> pd.DataFrame:
    """What the car was doing in a recording: one row a stretch with `start_s`, `end_s`, the driving
    `condition` as text, whether `warm`, `closed_loop` and `steady`, and the `load`."""
    import pandas as pd

    from logbench.archive.states import conditions_of

    return pd.DataFrame(conditions_of(recording))


_FOUND = ("check", "subject", "verdict", "value", "uncertainty", "unit", "reason", "causes",
          "next_steps")  # fmt: skip


def check(recording: Recording, limits: str | PathLike[str] | None = None) -> pd.DataFrame:
    """What the checks find: one row a finding with `check`, `subject`, `verdict` (`within`,
    `watch`, `act`, `not judged`), `value`, `uncertainty` (half of its 95 % interval), `unit`,
    `reason`, `causes` and `next_steps`. `limits`: a file of your own limits and checks; None: the
    one at the usual place, if there is one. Raises `BandsError` for a file that is wrong."""
    import pandas as pd

    from logbench.analysis.run import run_checks

    found = run_checks(recording, _bands(limits))
    rows = [[getattr(one, name) for name in _FOUND] for one in found]
    made = pd.DataFrame(rows, columns=list(_FOUND))
    return made.assign(verdict=[one.verdict.value for one in found])


def compare(
    before: Recording | Sequence[Recording],
    after: Recording | Sequence[Recording],
    limits: str | PathLike[str] | None = None,
) -> Comparison:
    """Hold one or more drives before a repair against those after it: `summary` in words,
    `signals` with change and half of its 95 % interval, `findings`, `to_drive`, `concerns`.
    `limits`: as in `check`. Raises `UsageError` where a side is empty, or both hold the same
    drive."""
    from logbench.analysis.comparison.compare import compare
    from logbench.analysis.comparison.identity import refuse_same
    from logbench.recording.reader import Recording

    first = [before] if isinstance(before, Recording) else list(before)
    second = [after] if isinstance(after, Recording) else list(after)
    refuse_same(first, second)
    return compare(first, second, _bands(limits))


def _bands(limits: str | PathLike[str] | None) -> Bands:
    from pathlib import Path

    from logbench.analysis.bands import load_limits

    return load_limits(None if limits is None else Path(limits)).bands
