"""Fixtures shared by all tests."""

from __future__ import annotations

import importlib
import os
from pathlib import Path

import pytest

_SHARED = Path(__file__).resolve().parents[1].parent / "shared"

collect_ignore: list[str] = []
pytest_plugins: list[str] = []
_QT_TROUBLE = ""
try:
    importlib.import_module("PySide6.QtWidgets")
    pytest_plugins.append("pytestqt.plugin")
except ImportError as error:  # a machine without Qt's system libraries: README.md names them
    if os.environ.get("CI"):
        raise
    _QT_TROUBLE = str(error)
    collect_ignore.append("app")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say it plainly when the window's tests were left out."""
    if _QT_TROUBLE:
        terminalreporter.write_line(
            f"The tests of the window were left out: {_QT_TROUBLE}. README.md names the packages.",
            yellow=True,
        )


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of reference data beside the checkout; the test is skipped where there is none."""
    if not (_SHARED / "data").is_dir():
        pytest.skip("reference data beside the checkout is absent")
    return _SHARED
