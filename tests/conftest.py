"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import pytest

_SHARED = Path(__file__).resolve().parents[1].parent / "shared"


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of reference data beside the checkout; the test is skipped where there is none."""
    if not (_SHARED / "data").is_dir():
        pytest.skip("reference data beside the checkout is absent")
    return _SHARED
