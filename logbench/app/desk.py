"""What every page needs, built once and handed on."""

from __future__ import annotations

from dataclasses import dataclass

from logbench.app.background import Jobs
from logbench.app.settings import Settings
from logbench.app.theme import Look


@dataclass(frozen=True)
class Desk:
    """Settings, look and background work of one window."""

    settings: Settings
    look: Look
    jobs: Jobs
