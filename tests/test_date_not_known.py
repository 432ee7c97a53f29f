"""A drive whose date nobody knows: every place that shows a date says so."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from logbench.archive.archive import Archive
from logbench.archive.columns import cells
from logbench.cli.main import app
from logbench.job.folder import create_job
from logbench.report.document import build_report
from tests.archive.conftest import make

SAID = "date not known"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return make(tmp_path / "archive" / "a.parquet", started="")


def test_on_the_command_line(file: Path):
    for command in (["check", str(file)], ["archive", "list", str(file.parent)]):
        assert SAID in CliRunner().invoke(app, command).output


def test_in_a_report(file: Path, tmp_path: Path):
    folder, job = create_job(tmp_path, "a job")
    folder.add_recording(job, file, "before")
    folder.save(job)
    build_report(folder, job, tmp_path / "report.html")
    assert SAID in (tmp_path / "report.html").read_text()


def test_in_lists_of_the_window(file: Path, tmp_path: Path):
    archive = Archive(file.parent, tmp_path / "cache")
    (row,) = archive.find().to_pylist()
    for place in ("list", "details", "terminal"):
        assert SAID in [cell.text(row) for _, cell in cells(place) if cell.text is not None]
