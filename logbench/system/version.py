"""The program's version, in one place: `pyproject.toml` reads it from here."""

from __future__ import annotations

VERSION = "0.1.0"
SOFTWARE = f"logbench {VERSION}"
"""As recordings, reports and `logbench --version` name the program."""
RELEASED_UTC = "2026-11-24T00:00:00+00:00"
"""When this version came to be, moved on with each release: a clock that shows less is wrong."""
