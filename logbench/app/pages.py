"""The pages of the window: which there are, how each is made and joined to the others.

A page is added here and nowhere else: a method of `Pages` under `@page(title)` that makes it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QStackedWidget, QWidget

from logbench.app.live.page import LivePage
from logbench.app.parts import named
from logbench.app.services import Services
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.model import Finding
    from logbench.app.archive.page import ArchivePage
    from logbench.app.compare.page import ComparePage
    from logbench.app.job.page import JobPage
    from logbench.app.live.session import CaptureFactory
    from logbench.app.own_signals import OwnSignals
    from logbench.app.review.page import ReviewPage
    from logbench.recording.reader import Recording

PageT = TypeVar("PageT", bound=QWidget)
Then = Callable[[list[Path]], object]
TakeFiles = Callable[[Sequence[Path], Then], object]


class Page(cached_property[PageT]):
    """An attribute of `Pages`: made when first asked for, and then always the same."""

    def __init__(self, make: Callable[[Any], PageT], title: str) -> None:
        super().__init__(make)
        self.title = title


def page(title: str) -> Callable[[Callable[[Any], PageT]], Page[PageT]]:
    """Makes a method that makes a page into that page."""
    return lambda make: Page(make, title)


class Pages(QStackedWidget):
    """One page at a time. `take_files` imports other programs' files before they are used."""

    shown = Signal(str)
    """The key of the page that is shown now."""

    def __init__(
        self, services: Services, take_files: TakeFiles, capture: CaptureFactory | None
    ) -> None:
        super().__init__()
        self.services, self.take_files, self._capture = services, take_files, capture
        self.shown_key = ""

    @page(tr("Live"))
    def live(self) -> LivePage:
        """A drive while it happens."""
        made = LivePage(self.services, self._capture)
        made.endings.review_wanted.connect(lambda path: self.open_recordings([path]))
        made.endings.compare_wanted.connect(self.compare_recordings)
        return self.put("live", made)

    @page(tr("Review"))
    def review(self) -> ReviewPage:
        """A recording."""
        from logbench.app.review.page import ReviewPage

        made = ReviewPage(self.services)
        made.opening.foreign.connect(lambda path: self.take_files([path], self.open_recordings))
        made.own_signals_wanted.connect(self.show_own_signals)
        return self.put("review", made)

    @page(tr("Compare"))
    def compare(self) -> ComparePage:
        """Before and after."""
        from logbench.app.compare.page import ComparePage

        made = ComparePage(self.services)
        made.sides.job_wanted.connect(self._choose_in_job)
        made.sides.files_dropped.connect(self.take_files)
        return self.put("compare", made)

    @page(tr("Job"))
    def job(self) -> JobPage:
        """One car's visit."""
        from logbench.app.job.page import JobPage

        made = JobPage(self.services)
        made.job_shown.connect(self.live.cars.job_shown)
        made.link_wanted.connect(self.live.choose_link)
        recordings = made.tabs.recordings
        recordings.review_wanted.connect(lambda path: self.open_recordings([path]))
        made.tabs.causes.finding_wanted.connect(self.open_finding)
        recordings.compare_wanted.connect(self.compare_recordings)
        made.files_dropped.connect(self.take_files)
        return self.put("job", made)

    @page(tr("Archive"))
    def archive(self) -> ArchivePage:
        """Everything ever recorded."""
        from logbench.app.archive.page import ArchivePage

        made = ArchivePage(self.services)
        made.choice.review_wanted.connect(lambda path: self.open_recordings([path]))
        made.choice.compare_wanted.connect(self.compare_recordings)
        return self.put("archive", made)

    # --- showing ---

    def put(self, key: str, made: PageT) -> PageT:
        """Take a page in, in the place of one that is there."""
        vars(self)[key] = named(made, tr("{title} page", title=TITLES[key]))
        self.addWidget(made)
        return made

    def made(self, key: str) -> Any:
        """A page by its key; None as long as nobody wanted it."""
        return vars(self).get(key)

    def show_page(self, key: str) -> None:
        """Bring a page to the front, by its key."""
        made: QWidget = getattr(self, key)
        self.setCurrentWidget(made)
        self.shown_key = key
        self.shown.emit(key)
        made.setFocus()

    @property
    def drive(self) -> Recording | None:
        """The drive that is open: the recording under review, or on the Live page that under
        way."""
        if self.currentWidget() is self.live:
            return self.live.session.so_far()
        opened = self.review.opened if "review" in vars(self) else None
        return opened.recording if opened is not None else None

    @cached_property
    def own_signals(self) -> OwnSignals:
        """The user's own signals, in a window of their own."""
        from logbench.app.own_signals import OwnSignals

        made = OwnSignals(self.services, lambda: self.drive, self.window())
        made.changed.connect(self._signals_changed)
        return made

    def _signals_changed(self) -> None:
        self.live.shown.renew_computed()
        if "review" in vars(self):
            self.review.renew_computed()

    def show_own_signals(self) -> None:
        """Write a signal of one's own, or change one."""
        self.own_signals.show()
        self.own_signals.activateWindow()

    def open_recordings(self, paths: Sequence[Path]) -> None:
        """Open the last of these recordings on the Review page."""
        self.show_page("review")
        for path in paths[-1:]:
            self.review.open_path(Path(path))

    def open_finding(self, path: Path, finding: Finding) -> None:
        """Open a recording on the Review page, at the evidence of a finding."""
        self.show_page("review")
        self.review.open_path(path, finding)

    def ask_for_recording(self) -> None:
        """Let the user pick a recording to review."""
        self.show_page("review")
        self.review.ask_for_file()

    def compare_recordings(self, before: list[Path], after: list[Path]) -> None:
        """Compare them at once; where one side is empty, it is to be chosen."""
        self.show_page("compare")
        self.compare.set_sides(before, after)
        if before and after:
            self.compare.compare()

    def _choose_in_job(self) -> None:
        self.job.choose_for_compare()

    def leave(self) -> None:
        """The window closes, and no thread works any more."""
        self.live.session.close()
        if "job" in vars(self):
            self.job.leave()


TITLES: dict[str, str] = {
    key: found.title for key, found in vars(Pages).items() if isinstance(found, Page)
}
"""Of all pages by key, in their order."""
