"""logbench: a data-logging and graphing workstation for the automotive diagnostic technician.

From Python, and in a notebook:

    import logbench

    drive = logbench.open("drive.parquet")     # one recording
    drive.facts, drive.signals, drive.trace("RPM").value, drive.frame(["RPM", "ECT"])
    logbench.conditions(drive)                 # what the car was doing, as text

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
    from os import PathLike

    import pandas as pd

    from logbench.recording.reader import Recording

__version__ = version.VERSION
__all__ = ["archive", "conditions", "open"]


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
