"""What explains the findings of the recording that is shown, beside them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from PySide6.QtCore import Signal

from logbench.analysis.causes.hand_tests import Done
from logbench.analysis.causes.model import Observation
from logbench.app.causes.panel import CausesPanel
from logbench.app.services import Services
from logbench.cases.causes import (
    EnterTest,
    Explained,
    TakeTestBack,
    as_entry,
    explain_judged,
    without,
)
from logbench.cases.exercise import Commit, play_of
from logbench.cases.recording import Judged
from logbench.cases.runner import Owner
from logbench.job.folder import job_folder_of
from logbench.words import tr


class ReviewCauses(CausesPanel):
    """The causes of one recording. Outcomes are kept in the job it lies in; without one they can
    only be tried."""

    finding_wanted = Signal(object)
    """The `Finding` of an observation that was chosen."""
    spans_wanted = Signal(object)
    failed = Signal(str)

    def __init__(self, services: Services) -> None:
        super().__init__(services.look)
        self._store = services.job_store
        self._owner: Owner | None = None
        self._explained: Explained | None = None
        self.observed.connect(self._show_evidence_of)
        self.entered.connect(self._keep)
        self.withdrawn.connect(self._drop)
        self.committed.connect(self._commit)

    def begin(self, owner: Owner) -> None:
        """Another recording is shown, whose checks are run first."""
        self._owner, self._explained = owner, None
        self.show_causes(None, state=tr("Checking …"))

    def judged(self, judged: Judged, path: Path | None) -> None:
        """The checks were run: weigh what they say."""
        assert self._owner is not None
        folder = job_folder_of(path) if path is not None else None
        case = explain_judged(judged.findings, judged.kind, folder)
        self._owner.start(case, self._show, self._not_weighed, slot="causes")

    def _not_weighed(self, sentence: str) -> None:
        self.show_causes(None, state=sentence)

    def _show(self, explained: Explained) -> None:
        self._explained = explained
        self.let_enter(explained.job is not None)
        play = play_of(explained.exercise, explained.committed)
        self.show_causes(explained.causes, explained.engine, explained.done, play=play)

    def _show_evidence_of(self, observation: Observation) -> None:
        findings = self._explained.findings if self._explained is not None else ()
        if observation.finding is not None and observation.finding < len(findings):
            self.finding_wanted.emit(findings[observation.finding])
        elif observation.spans:
            self.spans_wanted.emit(observation.spans)

    def _keep(self, done: Done) -> None:
        explained = self._explained
        if explained is not None and explained.job is not None and self._owner is not None:
            deed = EnterTest(self._store, explained.job, as_entry(done))
            after = replace(explained, done=(*explained.done, done))
            self._owner.start(deed, partial(self._kept, after), self.failed.emit)

    def _drop(self, place: int) -> None:
        explained = self._explained
        if explained is not None and explained.job is not None and self._owner is not None:
            deed = TakeTestBack(self._store, explained.job, explained.done[place])
            after = replace(explained, done=without(explained.done, place))
            self._owner.start(deed, partial(self._kept, after), self.failed.emit)

    def _commit(self, causes: tuple[str, ...]) -> None:
        explained = self._explained
        if explained is not None and explained.job is not None and self._owner is not None:
            deed = Commit(self._store, explained.job, causes)
            after = replace(explained, committed=causes)
            self._owner.start(deed, partial(self._kept, after), self.failed.emit)

    def _kept(self, after: Explained, _: None) -> None:
        self._show(after)
