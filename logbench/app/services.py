"""What every page needs, built once and handed on."""

from __future__ import annotations

from dataclasses import dataclass, field

from logbench.app.background import Jobs
from logbench.app.theme import Look
from logbench.cases.runner import Runner
from logbench.cases.settings import Settings
from logbench.job.store import JobStore


@dataclass(frozen=True)
class Services:
    """Settings, look and background work of one window."""

    settings: Settings
    look: Look
    jobs: Jobs
    job_store: JobStore = field(default_factory=JobStore)

    @property
    def runner(self) -> Runner:
        """Runs cases; each page, job or recording is an owner of its own."""
        return self.jobs.runner
