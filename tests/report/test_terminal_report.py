"""The report as the command line writes it."""

from __future__ import annotations

import io
import shutil

import pytest
from pypdf import PdfReader
from rich.console import Console

from logbench.cli.terminal_report import report_job
from logbench.errors import JobMissingError, UsageError
from logbench.job.folder import create_job
from logbench.job.model import Photo


def quiet() -> Console:
    return Console(file=io.StringIO(), width=200)


def test_into_the_jobs_folder_by_default(example, tmp_path):
    folder, _ = example
    copied = tmp_path / "copied job"
    shutil.copytree(folder.path, copied)
    console = quiet()
    code = report_job(copied, None, console, short=True, paper="letter", shop="Sample | 1 Street")
    assert code == 0
    assert "report.pdf" in console.file.getvalue()
    (page,) = PdfReader(copied / "report.pdf").pages
    assert float(page.mediabox[2]) == 612
    assert "Sample" in page.extract_text()


def test_what_is_missing_is_said_and_the_exit_code_tells(tmp_path):
    folder, job = create_job(tmp_path, "car")
    job.photos = [Photo(file="photos/gone.jpg")]
    folder.save(job)
    console = quiet()
    assert report_job(folder.path, tmp_path / "r.html", console, private=True) == 1
    assert "gone.jpg" in console.file.getvalue()
    assert (tmp_path / "r.html").exists()


def test_what_cannot_be_done_is_a_sentence(tmp_path):
    with pytest.raises(JobMissingError):
        report_job(tmp_path, None, quiet())
    folder, _ = create_job(tmp_path, "car")
    with pytest.raises(UsageError, match="no section"):
        report_job(folder.path, None, quiet(), sections="prices")
    with pytest.raises(UsageError, match="six lines"):
        report_job(folder.path, None, quiet(), shop="|".join("abcdefgh"))
