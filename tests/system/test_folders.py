"""Folders of any size, depth and content are looked through, or it is said that they were not."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

import pytest

from logbench.archive.archive import Archive
from logbench.archive.store import LocalStore
from logbench.cases.archive import AddRecordings
from logbench.cases.compare import find_recordings
from logbench.cases.work import run_here
from logbench.errors import ImportFileError
from logbench.importing.run import files_in
from logbench.system import limits
from logbench.system.folders import FolderTooLargeError, files_below, newest_files

pytestmark = pytest.mark.skipif(os.name == "nt", reason="there are no such files")


@pytest.fixture
def odd(tmp_path: Path) -> Path:
    """Pipes, sockets, devices, links in circles and out, a folder that is a recording by name."""
    folder = tmp_path / "odd"
    (folder / "deep").mkdir(parents=True)
    for name in ("a.csv", "b.parquet", "c.log"):
        os.mkfifo(folder / f"pipe-{name}")
        (folder / f"circle-{name}").symlink_to(folder / f"circle-{name}")
        (folder / f"device-{name}").symlink_to("/dev/zero")
        (folder / f"gone-{name}").symlink_to(folder / "nowhere")
        (folder / f"folder-{name}").mkdir()
        (folder / f"bad-{name}").write_bytes(b"x")
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(folder / "socket.csv"))
    (folder / "deep" / "up").symlink_to(folder)
    (folder / "circle").symlink_to(folder / "circle")
    return folder


def test_only_ordinary_files_are_found(odd: Path):
    names = [path.name for path in files_below(odd)]
    assert names == ["bad-a.csv", "bad-b.parquet", "bad-c.log"]
    assert [path.name for path in newest_files(odd, ".parquet", 9)] == ["bad-b.parquet"]


def test_nothing_waits_for_what_is_no_file(odd: Path):
    """Import, archive and the choices of a folder: each ends, and says what it left out."""
    assert [path.name for path in files_in([odd])] == ["bad-a.csv", "bad-b.parquet", "bad-c.log"]
    listing = LocalStore(odd).listing()
    assert [entry.path for entry in listing.recordings] == ["bad-b.parquet"]
    assert {p.path for p in listing.problems} >= {"pipe-b.parquet", "circle-b.parquet", "deep/up"}
    assert newest_files(odd, ".parquet", 1) == [odd / "bad-b.parquet"]
    recent = tuple(odd / f"{kind}-b.parquet" for kind in ("pipe", "circle", "device", "gone"))
    found = run_here(find_recordings(odd, recent))
    assert len(found) == 5
    assert {f.car for f in found} == {"cannot be read"}
    (odd.parent / "archive").mkdir()
    account = run_here(AddRecordings(Archive(odd.parent / "archive"), (odd, *recent)))
    assert len([line for line in account.lines if line.bad]) == 5


def test_more_names_than_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(limits, "FOLDER_FILES", 100)
    for number in range(60):
        (tmp_path / f"{number}.csv").write_text("x")
        (tmp_path / f"{number}.parquet").write_text("x")
    with pytest.raises(ImportFileError, match="more than 100 names"):
        files_in([tmp_path])
    listing = LocalStore(tmp_path).listing()
    assert [p.kind for p in listing.problems] == ["enormous"]
    assert len(listing.recordings) <= 60
    assert len(run_here(find_recordings(tmp_path, ()))) <= 60
    (tmp_path / "archive").mkdir()
    account = run_here(AddRecordings(Archive(tmp_path / "archive"), (tmp_path,)))
    assert any("more than 100 names" in line.text for line in account.lines)


def test_names_are_counted_over_all_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(limits, "FOLDER_FILES", 10)
    for number in range(4):
        (tmp_path / f"{number}").mkdir()
        (tmp_path / f"{number}/a.csv").write_text("x")
    assert len(list(files_below(tmp_path))) == 4
    (tmp_path / "3/b.csv").write_text("x")
    for more in "cd":
        (tmp_path / f"3/{more}.csv").write_text("x")
    with pytest.raises(FolderTooLargeError):
        list(files_below(tmp_path))


def test_folders_within_folders_without_end(tmp_path: Path):
    deep = tmp_path
    for _ in range(limits.FOLDER_DEPTH + 5):
        deep /= "d"
    deep.mkdir(parents=True)
    (deep / "a.csv").write_text("x")
    with pytest.raises(ImportFileError, match="folders deep"):
        files_in([tmp_path])
    assert files_in([deep]) == [deep / "a.csv"]
    assert any("too deeply" in p.sentence for p in LocalStore(tmp_path).listing().problems)


def test_a_folder_of_many_recordings_is_chosen_from_soon(tmp_path: Path):
    """Twenty thousand names: no file is opened but those that are shown, each is looked at once."""
    for number in range(20_000):
        (tmp_path / f"{number}.parquet").touch()
    begun = time.process_time()
    assert len(run_here(find_recordings(tmp_path, ()))) == 60
    newest_files(tmp_path, ".parquet", 1)
    assert time.process_time() - begun < 1.0
