"""A format is added in one place: everything else finds it there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.archive.archive import Archive
from logbench.cases.importing import ImportFiles
from logbench.cases.work import run_here
from logbench.cli.files import import_files
from logbench.errors import ImportFileError
from logbench.importing import formats
from logbench.importing.formats import Format, load_csv
from logbench.importing.model import Drive, Imported, Report
from logbench.importing.run import files_in, is_foreign, preview, read_file
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import open_recording
from logbench.system.progress import Told
from tests.importing.reading import column_of

DASHES = Format(
    (".dashes",), sheet=lambda path, mapping, _, told: load_csv(path, mapping, "|", told)
)


def _beeps(path: Path, _told: Told) -> Imported:
    """One engine speed a byte, a second apart."""
    value = np.frombuffer(path.read_bytes(), np.uint8) * 10.0
    if not len(value):
        raise ImportFileError(f"{path} is silent.")
    trace = Trace("RPM", "7E8", "rpm", np.arange(len(value), dtype=np.int64) * 10**9, value)
    return Imported((Drive((trace,), Facts()),), Report(samples=len(value)))


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a file of each made-up format, which nothing but the table knows."""
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.beeps").write_bytes(bytes([70, 80, 90]))
    (folder / "b.dashes").write_text("time|rpm\n0|700\n1|800\n2|900\n")
    assert files_in([folder]) == []
    more = [*formats.FORMATS, Format((".beeps",), drives=_beeps), DASHES]
    monkeypatch.setattr(formats, "FORMATS", more)
    return folder


def test_it_is_detected_and_previewed(files):
    beeps, dashes = files_in([files])
    assert is_foreign(beeps)
    assert is_foreign(dashes)
    assert {".beeps", ".dashes"} <= set(formats.suffixes())
    assert preview(beeps, files).mapping is None
    seen = preview(dashes, files)
    assert seen.names == ("time", "rpm")
    assert seen.mapping is not None
    assert column_of(seen.mapping, "rpm").signal == "RPM"


def test_it_is_read(files):
    for path in files_in([files]):
        (drive,) = read_file(path, memory=files).drives
        assert drive.traces[0].value.tolist() == [700, 800, 900]


def test_the_command_line_imports_it(files, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    for path in files_in([files]):
        into = tmp_path / path.stem  # apart, for both hold the same samples
        assert import_files([path], into=into, yes=True) == 0
        recording = open_recording(into / f"{path.stem}.parquet")
        assert recording.trace("RPM").value.tolist() == [700, 800, 900]


def test_the_archive_imports_it(files, tmp_path):
    (tmp_path / "archive").mkdir()
    archive = Archive(tmp_path / "archive", cache=tmp_path / "cache")
    (files / "c.beeps").write_bytes(b"")
    outcomes = run_here(ImportFiles(archive, files_in([files]), memory=tmp_path)).imported
    made, twin, bad = sorted(outcomes, key=lambda outcome: (outcome.problem, not outcome.made))
    assert len(made.made) == 1
    assert not twin.made
    assert len(twin.here) == 1  # the same samples
    assert "is silent" in bad.problem
