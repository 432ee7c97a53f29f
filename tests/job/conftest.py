"""A sealed job, which every test that wants to spoils in a copy."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from logbench.job.folder import JobFolder
from logbench.job.keys import Keys
from tests.job.sealed import sealed_job


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> JobFolder:
    return sealed_job(tmp_path_factory.mktemp("made"))


@pytest.fixture
def job(made: JobFolder, tmp_path: Path) -> Iterator[JobFolder]:
    """A copy that a test may spoil, as it may the installation's key."""
    file = Keys().file
    key = file.read_bytes()
    yield JobFolder(Path(shutil.copytree(made.path, tmp_path / "job")))
    file.write_bytes(key)
