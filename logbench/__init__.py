"""logbench: a data-logging and graphing workstation for the automotive diagnostic technician."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbench.system import version

if TYPE_CHECKING:
    from os import PathLike

    from logbench.recording.reader import Recording

__version__ = version.VERSION


def open(path: str | PathLike[str]) -> Recording:  # reads as logbench.open(...)
    """Open a finished recording; see `logbench.recording.reader.open_recording`."""
    from logbench.recording.reader import open_recording

    return open_recording(path)
