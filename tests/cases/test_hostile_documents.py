"""Settings, known cars, own signals, bands, mappings, jobs and notes as nobody should write them:
each ends in a sentence or is set aside, soon."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from logbench.analysis.bands import load_bands
from logbench.cases.cars import CARS_FILE, CarsFile
from logbench.cases.settings import SETTINGS_FILE, Settings
from logbench.errors import LogbenchError
from logbench.importing.model import Mapping
from logbench.job.folder import JOB_FILE, create_job, open_job
from logbench.plot.layout import Layout, layout_from_json
from logbench.recording.notes import notes_path, read_notes
from logbench.signals.catalog import catalog, own_signals_path

TOML = {
    "a million digits": b"[a]\nwithin = [1, 1" + b"0" * 1_000_000 + b"]\n",
    "a million hexadecimal digits": b"a = 0x" + b"f" * 290_000,
    "nested deeply": b"a = " + b"[" * 140_000 + b"]" * 140_000,
    "nested": b"a = " + b"[" * 200 + b"]" * 200,
    "a key of many parts": b"a." * 140_000 + b"a = 1",
    "a million keys": b"".join(b"k%d=1\n" % n for n in range(1_000_000)),
    "no text": b"\xff\xfe\x00\x00",
}
JSON = {
    "nested deeply": b"[" * 1_000_000,
    "nested": b'{"a":' * 300 + b"1" + b"}" * 300,
    "a million digits": b'{"a": 1' + b"0" * 1_000_000 + b"}",
    "too long": b" " * 60_000_000,
    "no text": b"\xff\xfe\x00\x00",
}


def write(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("what", TOML)
@pytest.mark.parametrize(
    ("name", "read"), [("b.toml", load_bands), ("m.toml", Mapping.load), (JOB_FILE, open_job)]
)
def test_a_hostile_toml_file_is_a_sentence(
    tmp_path: Path, name: str, read: Callable[[Path], object], what: str
):
    path = write(tmp_path / name, TOML[what])
    begun = time.process_time()
    with pytest.raises(LogbenchError, match=name):
        read(path)
    assert time.process_time() - begun < 1.0


@pytest.mark.parametrize("what", TOML)
def test_hostile_own_signals_are_left_out_with_a_sentence(what: str):
    path = write(own_signals_path(), TOML[what])
    begun = time.process_time()
    try:
        assert "cannot be used" in catalog().problem
    finally:
        path.unlink()
    assert time.process_time() - begun < 1.0


@pytest.mark.parametrize("what", JSON)
def test_hostile_settings_and_cars_are_set_aside(tmp_path: Path, what: str):
    settings, cars = tmp_path / SETTINGS_FILE, tmp_path / CARS_FILE
    for path in (settings, cars):
        path.write_bytes(JSON[what])
    assert Settings.load(settings).theme == "system"
    assert CarsFile(cars).load().cars == []
    assert not settings.exists()
    assert not cars.exists()
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("what", JSON)
def test_hostile_notes_and_layouts_are_not_understood(tmp_path: Path, what: str):
    drive = tmp_path / "drive.parquet"
    notes_path(drive).write_bytes(JSON[what])
    with pytest.raises(LogbenchError, match="cannot be understood"):
        read_notes(drive)
    assert layout_from_json(JSON[what].decode("latin-1")) == Layout()


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a folder that refuses")
def test_unreadable_settings_in_a_folder_that_cannot_be_written(tmp_path: Path):
    path = write(tmp_path / "locked" / SETTINGS_FILE, b"{")
    path.parent.chmod(0o500)
    try:
        assert Settings.load(path).theme == "system"
        assert CarsFile(path).load().cars == []
    finally:
        path.parent.chmod(0o700)
    assert path.read_bytes() == b"{"


def test_unreadable_settings_that_cannot_be_set_aside(tmp_path: Path, monkeypatch):
    path = write(tmp_path / SETTINGS_FILE, b"{")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "replace", refuse)
    assert Settings.load(path).theme == "system"
    assert path.read_bytes() == b"{"


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
def test_a_pipe_in_the_place_of_a_document_is_not_waited_for(tmp_path: Path):
    folder = create_job(tmp_path, "Blue van")[0]
    for name in (SETTINGS_FILE, "b.toml", "drive.parquet.notes.json"):
        os.mkfifo(tmp_path / name)
    folder.file.unlink()
    os.mkfifo(folder.file)
    assert Settings.load(tmp_path / SETTINGS_FILE).theme == "system"
    for read in (
        lambda: load_bands(tmp_path / "b.toml"),
        lambda: read_notes(tmp_path / "drive.parquet"),
        lambda: open_job(folder.path),
    ):
        with pytest.raises(LogbenchError, match="ordinary file"):
            read()


def test_what_a_newer_version_keeps_in_the_settings_stays(tmp_path: Path):
    path = write(tmp_path / SETTINGS_FILE, json.dumps({"new": {"a": [1, 2]}}).encode())
    held = Settings.load(path)
    held.theme = "night"
    assert json.loads(path.read_bytes())["new"] == {"a": [1, 2]}
