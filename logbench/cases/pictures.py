"""Cases of the pictures of all drives."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbench.cases.work import Work, only_looks
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.picture_rows import Numbers
    from logbench.archive.pictures import Picture


@only_looks
def draw_picture(
    work: Work, archive: Archive, picture: Picture, drives: tuple[str, ...], processes: int = 0
) -> Numbers:
    """What a picture of these drives is drawn of; what is read of a drive is kept, also where it is
    stopped half way. Raises `UsageError`, `QueryError`, `ArchiveError`."""
    from logbench.archive.picture_rows import numbers_of_picture

    work.report(tr("Drawing"))

    def told(what: str, done: int, of: int) -> None:
        text = tr("Read {done:,} of {of:,} drives", done=done, of=of)
        if what == "states":
            text = tr("Found what the car was doing in {done:,} of {of:,}", done=done, of=of)
        work.report(text, done / max(1, of))

    return numbers_of_picture(archive, picture, drives, told, processes)
