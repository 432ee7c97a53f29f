"""Importing as a case: what was not touched is counted as such, in folders and archives."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.cases.importing import ImportFiles, foresee
from logbench.cases.work import CancelledError, Work, run_here
from logbench.importing.run import files_in


def logs(folder: Path, count: int) -> list[Path]:
    """So many different logs, the second without a duration."""
    folder.mkdir()
    for n in range(count):
        rows = "".join(f"{k},{700 + n + k}\n" for k in range(1 if n == 1 else 30))
        (folder / f"{n}.csv").write_text(f"time (s),rpm\n{rows}")
    return files_in([folder])


def test_canceled_what_was_not_touched_is_counted_as_such(tmp_path: Path):
    work = Work(canceling="keep")

    def reported(text: str, share: float) -> None:
        if "3.csv" in text:
            work.cancel()

    work.reported = reported
    case = ImportFiles(tmp_path / "out", logs(tmp_path / "in", 10), memory=tmp_path)
    account = case.run(work)
    assert account.sentence == "2 recordings from 2 files; 1 not imported; 7 not touched."
    assert len(account.made) == len(list((tmp_path / "out").iterdir())) == 2


def test_into_an_archive_the_same_adds_nothing(tmp_path: Path):
    (tmp_path / "archive").mkdir()
    archive = Archive(tmp_path / "archive", tmp_path / "cache")
    files = logs(tmp_path / "in", 1)
    first = run_here(ImportFiles(archive, files, memory=tmp_path))
    again = run_here(ImportFiles(archive, files, memory=tmp_path))
    assert (len(first.made), len(again.made)) == (1, 0)
    assert again.here == first.made
    assert "is here already" in again.lines[0].text
    assert again.sentence == "0 recordings from 0 files; 1 here already; 0 not imported."


def test_the_same_log_twice_in_one_import_comes_in_once(tmp_path: Path):
    (log,) = logs(tmp_path / "in", 1)
    (tmp_path / "in/copy.csv").write_bytes(log.read_bytes())
    case = ImportFiles(tmp_path / "out", files_in([tmp_path / "in"]), memory=tmp_path)
    assert run_here(case).sentence == "1 recording from 1 file; 1 here already; 0 not imported."


def test_foreseen_is_what_is_made(tmp_path: Path):
    files = tuple(logs(tmp_path / "in", 3))
    foreseen = run_here(foresee(files, memory=tmp_path))
    assert not (tmp_path / "out").exists()
    made = run_here(ImportFiles(tmp_path / "out", files, memory=tmp_path)).imported
    assert [one.drives for one in foreseen] == [one.drives for one in made]
    assert [one.problem for one in foreseen] == [one.problem for one in made]


def test_foreseeing_is_dropped_between_two_steps(tmp_path: Path):
    work = Work()
    work.reported = lambda _text, _share: work.cancel()
    with pytest.raises(CancelledError):
        foresee(tuple(logs(tmp_path / "in", 1)), memory=tmp_path).run(work)
