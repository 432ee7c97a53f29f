"""Packages that a plain installation does without: the one home of what is said where one lacks."""

from __future__ import annotations

import sys
from importlib.util import find_spec


def lacks(what: str, package: str, extra: str) -> str:
    """The sentence where a package of an extra of `pyproject.toml` is not installed; `what` needs
    it ('A can: link'). The quotes are right in every shell, Windows' included.

    A plain `pip` may be another Python's, or none: the one that runs is named where it can be as it
    stands (no space in its path, which shells read differently, and a pip of its own).
    """
    own = find_spec("pip") is not None and " " not in sys.executable
    pip = f"{sys.executable} -m pip" if own else "pip"
    return f'{what} needs {package}, which is not installed: {pip} install "logbench[{extra}]".'
