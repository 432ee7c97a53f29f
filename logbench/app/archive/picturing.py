"""Has the pictures of all drives made: of the archive that is open and the drives listed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QWidget

from logbench.app.archive.body import PICTURES, ArchiveBody
from logbench.app.archive.choice import Choice
from logbench.app.commands import add_command
from logbench.archive.pictures import python_of_picture, sql_of_picture
from logbench.cases.archive import Listing, list_numbers
from logbench.cases.pictures import draw_picture
from logbench.cases.runner import Owner
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Number
    from logbench.archive.picture_rows import Numbers


class Picturing(QObject):
    """Draws when the panel is seen; nothing of another archive, or of other filters, comes in."""

    def __init__(
        self, body: ArchiveBody, choice: Choice, processes: Callable[[], int], page: QWidget
    ) -> None:
        super().__init__(page)
        self._body, self._panel = body, body.pictures
        self._choice, self._processes = choice, processes
        self._owner: Owner | None = None
        self._archive: Archive | None = None
        self._listing: Listing | None = None
        self._drawn: Listing | None = None
        """The drives of the picture that is shown."""
        self._numbers: Sequence[Number] | None = None
        panel = self._panel
        panel.wanted.connect(self.draw)
        panel.copy_wanted.connect(self.copy)
        panel.behind.chosen.connect(body.table.choose)
        panel.behind.review_wanted.connect(self._review)
        panel.work.cancel_button.clicked.connect(self._stopped)
        body.tabs.currentChanged.connect(lambda _: self.draw())
        python, sql = tr("Copy the picture as Python"), tr("Copy the picture as SQL")
        add_command(page, python, "Alt+P", partial(self.copy, "python"))
        add_command(page, sql, "Alt+Q", partial(self.copy, "sql"))

    def open(self, owner: Owner, archive: Archive) -> None:
        """Another archive, or one in which other files are."""
        self._owner, self._archive = owner, archive
        self._listing = self._numbers = None
        self._panel.work.serve(owner)
        self._panel.clear()

    def show_listing(self, found: Listing) -> None:
        """Other drives are listed."""
        self._listing = found
        self.draw()

    def draw(self) -> None:
        """What the panel asks for, when it is seen."""
        owner, archive, listing = self._owner, self._archive, self._listing
        seen = self._body.tabs.currentIndex() == PICTURES and self._body.isVisible()
        if owner is None or archive is None or listing is None or not seen:
            return
        panel = self._panel
        if self._numbers is None:
            panel.work.start(list_numbers(archive), self._know, instead=True)
            return
        chosen = self._body.table.chosen()
        panel.offer_drives(listing.rows, chosen[0].car if chosen else "")
        picture = panel.picture()
        if picture is None:
            return
        if not listing.rows:
            panel.say(tr("No recording fits these filters."))
            return
        drives = tuple(row.recording for row in listing.rows)
        case = draw_picture(archive, picture, drives, self._processes())
        panel.work.start(case, partial(self._show, listing), instead=True)

    def _show(self, listing: Listing, numbers: Numbers) -> None:
        self._drawn = listing
        self._panel.show_numbers(numbers)

    def _know(self, numbers: Sequence[Number]) -> None:
        self._numbers = numbers
        self._panel.offer_numbers(numbers)
        self.draw()

    def copy(self, kind: str) -> None:
        """Code with which a notebook has the same numbers."""
        picture, archive, listing = self._panel.shown_picture, self._archive, self._drawn
        if picture is None or archive is None or listing is None:
            return
        drives = [row.recording for row in listing.rows]
        if kind == "sql":
            self._panel.copy(sql_of_picture(picture, listing.chosen, drives))
        else:
            self._panel.copy(python_of_picture(picture, archive.place, listing.chosen, drives))

    def _review(self, recording: str) -> None:
        if self._body.table.choose(recording):
            self._choice.review()

    def stop(self) -> None:
        """End what is being drawn; what was read of drives is kept."""
        if self._panel.work.busy:
            self._panel.work.cancel()
            self._stopped()

    def _stopped(self) -> None:
        self._panel.say(tr("Stopped. What was read is kept: choose the picture again to go on."))
