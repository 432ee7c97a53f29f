"""The customer of the open job deleted, after all that goes has been shown."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QPlainTextEdit, QVBoxLayout, QWidget

from logbench.app.job.opened import OpenJob
from logbench.app.notice import Notice
from logbench.app.parts import Answers, Dialog, lay, muted, named
from logbench.app.plain import Label
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.cases.forgetting import Traces


class ForgetDialog(Dialog):
    """All that goes, and what stays out of reach; Enter leaves it."""

    def __init__(self, traces: Traces, parent: QWidget) -> None:
        from logbench.cases.forgetting import BEYOND

        super().__init__(tr("Delete the customer's data"), parent, 640)
        self.going = named(QPlainTextEdit("\n".join(traces.lines)), tr("What goes"))
        self.going.setReadOnly(True)
        self.going.setMinimumHeight(220)
        unread = tr("Could not be looked into: {what}", what=" ".join(traces.unread))
        self.answers = Answers(self, tr("Delete for good"), tr("Cancel"), careful=True)
        lay(
            QVBoxLayout(self),
            Label(tr("This goes for good, and cannot be undone:")),
            (self.going, 1),
            *([muted(unread)] if traces.unread else []),
            muted(BEYOND),
            self.answers,
            margins=(20, 16, 20, 16),
        )


class Forgetting:
    """Finds, shows, asks and deletes. `leave`: closes the job."""

    def __init__(
        self,
        settings: Settings,
        owner: Owner,
        notice: Notice,
        leave: Callable[[], object],
        parent: QWidget,
    ) -> None:
        self._settings, self._owner, self._notice = settings, owner, notice
        self._leave, self._parent = leave, parent
        self.show: Callable[[ForgetDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows the dialog; tests put their own answer here."""

    def ask(self, opened: OpenJob) -> None:
        """Look for all that there is of the job's customer, and ask."""
        from logbench.cases.forgetting import find_traces, usual_places

        folder = opened.folder.path.resolve()
        if not opened.flush():
            return
        places = tuple(map(str, usual_places(self._settings)))
        self._notice.passing(tr("Looking for what is kept of this customer"))
        self._owner.start(
            find_traces(str(folder), places),
            lambda traces: self._asked(folder, traces),
            self._notice.trouble,
            slot="looking",
        )

    def _asked(self, folder: Path, traces: Traces) -> None:
        from logbench.cases.forgetting import Forget

        self._notice.hide()
        if folder in traces.jobs and self.show(ForgetDialog(traces, self._parent)):
            self._leave()
            self._owner.do(Forget(traces, self._settings), self._notice.say)
