"""What an open archive shows: filters, list, actions, and what is known of the chosen recording."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from PySide6.QtCore import QMargins, Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QTabWidget, QVBoxLayout, QWidget

from logbench.app.archive.facets import FacetsPanel
from logbench.app.archive.panels import AccountPanel, DetailsPanel, SimilarPanel, TrendPanel
from logbench.app.archive.pictures import PicturesPanel
from logbench.app.archive.recordings import RecordingsModel, RecordingsTable
from logbench.app.archive.sparks import Sparks
from logbench.app.flow import Flow
from logbench.app.parts import lay, muted, named, offer
from logbench.app.plain import Choice
from logbench.app.scrolling import UpAndDown
from logbench.app.services import Services
from logbench.app.tables import splitter
from logbench.archive.overview import Judged
from logbench.cases.archive import Account, Details, Listing
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.archive.likeness import Alike

ARCHIVE_TABS = (
    tr("Recording"),
    tr("Similar drives"),
    tr("Trend"),
    tr("What was done"),
    tr("Left out"),
    tr("All drives"),
)
DETAILS, SIMILAR, TREND, ACCOUNT, PROBLEMS, PICTURES = range(len(ARCHIVE_TABS))
_PICTURE_PX = 180
"""More than the least that a picture of all drives needs to be read."""


class ArchiveBody(QWidget):
    """The parts, without what they do."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._look = look = services.look
        self.wanted = ""
        """A recording to choose when it is next listed."""
        self.sparks = Sparks(self)
        self.model = RecordingsModel(self.sparks, look.theme)
        self.table = RecordingsTable(self.model)
        self.facets = FacetsPanel(look)
        self.details = DetailsPanel(look)
        self.similar = SimilarPanel()
        self.trend = TrendPanel(look)
        self.account = AccountPanel(tr("What was done to each file"), tr("Nothing was done yet."))
        self.problems = AccountPanel(tr("Files that are left out"), tr("No file is left out."))
        self.pictures = PicturesPanel(look, services.runner.owner())
        self.none = muted(tr("No recording fits these filters."), wrap=False)
        self.none.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.none.hide()
        self._lay_out()
        self._set_look()
        look.follow(self._set_look)
        for panel in (self.similar, self.trend.plot):
            panel.chosen.connect(self.go_to)

    def _lay_out(self) -> None:
        self.tabs = named(QTabWidget(), tr("What is known"))
        panels = (self.details, self.similar, self.trend, self.account, self.problems,
                  self.pictures)  # fmt: skip
        for title, panel in zip(ARCHIVE_TABS, panels, strict=True):
            self.tabs.addTab(panel, title)
        self.upper = QWidget()
        foot = self._foot()
        lay(QVBoxLayout(self.upper), (self.table, 1), self.none, foot, margins=(0, 0, 0, 0))
        self.right = right = splitter(Qt.Orientation.Vertical, {self.upper: 360, self.tabs: 240})
        self._sizes: list[int] = []
        """Of list and tabs, while a picture of all drives has most of the room."""
        self.tabs.currentChanged.connect(self._make_room)
        right.setStretchFactor(0, 3)
        right.setStretchFactor(1, 2)
        sizes: dict[QWidget, int] = {UpAndDown(self.facets): 264, UpAndDown(right): 880}
        whole = splitter(Qt.Orientation.Horizontal, sizes)
        whole.setStretchFactor(1, 1)
        lay(QHBoxLayout(self), whole, margins=(12, 6, 12, 8))

    def _foot(self) -> QHBoxLayout:
        """What can be done with the chosen, and the signal that is previewed."""
        self.action_row = Flow(QMargins())
        self.preview_box = named(Choice(), tr("Signal of the previews"))
        self.preview_box.addItem(tr("Preview {signal}", signal="RPM"), "RPM")
        self.preview_box.activated.connect(self._preview_chosen)
        return lay(QHBoxLayout(), (self.action_row, 1), self.preview_box)

    def forget(self) -> None:
        """Another archive: nothing of the last one stays, what was looked for in it neither."""
        self.wanted = ""
        self.facets.reset()
        self.model.forget()
        self.details.show_details(None)
        self.similar.forget()
        self.trend.show_numbers("", [])
        for panel in (self.account, self.problems):
            panel.show_account(Account(panel.empty))
        self.tabs.setCurrentIndex(DETAILS)
        self.tabs.setTabText(PROBLEMS, ARCHIVE_TABS[PROBLEMS])

    def _make_room(self, tab: int) -> None:
        """A picture of all drives gets what the list can spare."""
        self._fold()
        if tab == PICTURES:
            self._sizes = self.right.sizes()
            self.right.setSizes([1, sum(self._sizes)])
        elif self._sizes:
            self.right.setSizes(self._sizes)
            self._sizes = []

    def _fold(self, _: object = None) -> None:
        """Where a picture is too small below the list, the list is on the other tabs only."""
        parts = (self.upper, self.tabs)
        least = sum(part.minimumSizeHint().height() for part in parts) + _PICTURE_PX
        little = self.tabs.currentIndex() == PICTURES and self.height() < least
        self.upper.setVisible(not little)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another room for list and picture."""
        super().resizeEvent(event)
        self._fold()

    def to_list(self) -> None:
        """The keys are for the list, on the first tab where it is not beside the picture."""
        if self.upper.isHidden():
            self.tabs.setCurrentIndex(DETAILS)
        self.table.setFocus()

    # --- showing ---

    def show_listing(self, found: Listing) -> None:
        """The recordings that fit; what was chosen stays chosen."""
        chosen = [row.recording for row in self.table.chosen()]
        self.facets.show_facets(found.facets)
        self._offer_signals(list(found.facets.signals))
        self.model.show_rows(found.rows)
        self.none.setVisible(not found.rows)
        self.none.setText(
            tr("No recording fits these filters.")
            if found.facets.recordings
            else tr("There are no recordings in this archive yet: add some, or import other files.")
        )
        self.problems.show_problems(found.problems)
        n = len(found.problems)
        self.tabs.setTabText(PROBLEMS, ARCHIVE_TABS[PROBLEMS] + (f" ({n})" if n else ""))
        if self.wanted and self.table.choose(self.wanted):
            self.wanted = ""
        elif chosen and self.table.choose(chosen[0]):
            return
        elif found.rows and not self.table.chosen():
            self.table.choose_row(0)
        else:
            self.table.chosen_changed.emit()

    def show_details(self, details: Details) -> None:
        """Of the chosen recording; findings made just now are shown in the list too."""
        self.details.show_details(details)
        verdicts = {finding["verdict"] for finding in details.findings}
        problem = next((f["problem"] for f in details.findings if f["problem"]), "")
        worst = next((v for v in ("act", "watch", "within", "not judged") if v in verdicts), "")
        lacking = [f for f in details.findings if f["verdict"] == "not judged"]
        self.model.judge(details.recording, Judged(worst, problem, len(lacking)))

    def show_similar(self, name: str, found: Sequence[Alike]) -> None:
        """The nearest recordings."""
        self.similar.show_similar(name, found, {row.recording: row for row in self.model.rows})

    def go_to(self, recording: str) -> None:
        """Choose a recording in the list, dropping the filters where they hide it."""
        if not self.table.choose(recording):
            self.wanted = recording
            self.facets.clear()
        self.to_list()

    def next_signal(self) -> None:
        """Preview the next signal."""
        n = self.preview_box.count()
        self.preview_box.setCurrentIndex((self.preview_box.currentIndex() + 1) % max(1, n))
        self._preview_chosen()

    def _set_look(self, _: object = None) -> None:
        self._fold()
        self.model.theme = self._look.theme
        self.model.set_units(self._look.units)
        self.details.renew()
        self.trend.renew()

    def _offer_signals(self, signals: Sequence[str]) -> None:
        if signals:
            choices = ((tr("Preview {signal}", signal=signal), signal) for signal in signals)
            offer(self.preview_box, choices)
        if self.preview_box.currentData() != self.sparks.signal:
            self._preview_chosen()

    def _preview_chosen(self, _: int = 0) -> None:
        self.sparks.show_signal(str(self.preview_box.currentData()))
        self.table.look()
