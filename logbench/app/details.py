"""What a developer asks for first when something went wrong."""

from __future__ import annotations

import platform

import PySide6

from logbench.system.version import SOFTWARE


def details(sentence: str) -> str:
    """The sentence with versions and system, for the clipboard; nothing of the user or the car
    beyond what the sentence says."""
    lines = (
        sentence,
        f"{SOFTWARE}, Python {platform.python_version()}, PySide6 {PySide6.__version__}",
        platform.platform(),
    )
    return "\n".join(lines)
