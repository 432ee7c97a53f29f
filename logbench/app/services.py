"""What every page needs, built once and handed on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from logbench.app.theme import Look
from logbench.cases.runner import Runner
from logbench.cases.settings import Settings

if TYPE_CHECKING:
    from logbench.job.store import JobStore


@dataclass(frozen=True)
class Services:
    """Settings, look and background work of one window."""

    settings: Settings
    look: Look
    runner: Runner
    """Runs cases; each page, job or recording is an owner of its own."""

    @cached_property
    def job_store(self) -> JobStore:
        """Owns the job folders that the window works on; made when first asked for."""
        from logbench.job.store import JobStore

        return JobStore()
