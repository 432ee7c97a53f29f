"""The report as the command line writes it."""

from __future__ import annotations

import shutil

from pypdf import PdfReader

from logbench.cli.main import main
from logbench.job.folder import create_job
from logbench.job.model import Photo


def test_into_the_jobs_folder_by_default(example, tmp_path, capsys):
    folder, _ = example
    copied = tmp_path / "copied job"
    shutil.copytree(folder.path, copied)
    options = ["--for", "owner", "--letter", "--shop", "Sample | 1 Street"]
    assert main(["report", str(copied), *options]) == 0
    assert "report.pdf" in capsys.readouterr().out
    (page,) = PdfReader(copied / "report.pdf").pages
    assert float(page.mediabox[2]) == 612
    assert "Sample" in page.extract_text()


def test_what_is_missing_is_said_and_the_exit_code_tells(tmp_path, capsys):
    folder, job = create_job(tmp_path, "car")
    job.photos = [Photo(file="photos/gone.jpg")]
    folder.save(job)
    assert main(["report", str(folder.path), "--out", str(tmp_path / "r.html")]) == 5
    assert "gone.jpg" in capsys.readouterr().out
    assert (tmp_path / "r.html").exists()


def test_what_cannot_be_done_is_a_sentence(tmp_path, capsys):
    folder, _ = create_job(tmp_path, "car")
    for arguments, sentence in (
        ([str(tmp_path)], "There is no job"),
        ([str(folder.path), "--sections", "prices"], "no section"),
        ([str(folder.path), "--shop", "|".join("abcdefgh")], "six lines"),
    ):
        assert main(["report", *arguments]) == 3
        assert sentence in capsys.readouterr().err
