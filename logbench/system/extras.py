"""Packages that a plain installation does without: the one home of what is said where one lacks."""

from __future__ import annotations


def lacks(what: str, package: str, extra: str) -> str:
    """The sentence where a package of an extra of `pyproject.toml` is not installed; `what` needs
    it ('A can: link'). The quotes are right in every shell, Windows' included."""
    return f'{what} needs {package}, which is not installed: pip install "logbench[{extra}]".'
