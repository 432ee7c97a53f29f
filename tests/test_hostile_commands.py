"""Every command on files that hold hostile text: no traceback, nothing that steers the terminal,
and the same exit code as with harmless text."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logbench.cli.main import main
from logbench.cli.show import console
from tests.hostile import HOSTILE, HOSTILE_IDS, assert_plain, job_with, recording_with, table_with

HARMLESS = "blue van"
Commands = dict[str, list[str]]


@pytest.fixture(autouse=True)
def terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A wide place that takes no styles, so that any is foreign, and folders of this test only."""
    monkeypatch.setenv("COLUMNS", "120")
    for name in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name))
    console.cache_clear()
    yield
    console.cache_clear()


def _typed(text: str) -> str:
    """As a command can be given it."""
    return text.replace("\0", "").encode("utf-8", "replace").decode()[:2000]


def on_recording(folder: Path, text: str) -> Commands:
    file = str(recording_with(folder / "a.parquet", text))
    other = str(recording_with(folder / "b.parquet", text))
    return {
        "check": ["check", file],
        "check as JSON": ["check", file, "--json"],
        "compare": ["compare", file, other, "--same-car"],
        "verify": ["verify", file],
        "what is known": ["correct", file],
        "correct": ["correct", file, "--car", _typed(text[:50])],
        "export": ["export", file, "--out", str(folder / "a.csv"), "--long"],
        "check and draw": ["check", file, "--png", str(folder / "a.png")],
    }


def on_archive(folder: Path, text: str) -> Commands:
    place = folder / "archive"
    place.mkdir()
    recording_with(place / "a.parquet", text)
    recording_with(place / "b.parquet", text, car=HARMLESS)
    (place / "text.parquet").write_text("no recording")
    return {
        "list": ["archive", "list", str(place)],
        "find": ["archive", "find", str(place), "--text", _typed(text[:50])],
        "show": ["archive", "show", str(place), "a"],
        "query": ["archive", "query", str(place), "SELECT * FROM recordings"],
        "query as CSV": ["archive", "query", str(place), "SELECT * FROM recordings", "--csv"],
        "signals": ["archive", "query", str(place), "SELECT * FROM signals"],
        "sweep": ["archive", "sweep", str(place), "--processes", "1"],
        "list again": ["archive", "list", str(place)],
        "show again": ["archive", "show", str(place), "b"],
        "trend": ["archive", "trend", str(place), "fuel_trim:bank 1, warm idle", HARMLESS],
        "like": ["archive", "like", str(place), "a"],
        "verify": ["archive", "verify", str(place)],
        "not there": ["archive", "show", str(place), _typed(text)],
    }


def on_job(folder: Path, text: str) -> Commands:
    job = str(job_with(folder, text))
    return {
        "show": ["job", "show", job],
        "report": ["report", job, "--out", str(folder / "r.pdf")],
        "page": ["report", job, "--out", str(folder / "r.html")],
    }


def on_import(folder: Path, text: str) -> Commands:
    table = str(table_with(folder / "log.csv", text.replace("\0", "")))
    return {
        "look": ["import", table, "--into", str(folder / "out")],
        "import": ["import", table, "--into", str(folder / "out"), "--yes"],
    }


def as_typed(folder: Path, text: str) -> Commands:
    typed = _typed(text)
    return {
        "no such file": ["check", str(folder / "x") + typed],
        "no such signal": ["export", "x.parquet", "--out", "x.csv", "--signals", typed],
        "no such link": ["record", "--link", typed],
        "no such duration": ["record", "--link", "sim:", "--for", typed],
        "no such word": ["signals", f"zz{typed}"],
        "no such command": ["such", typed],
        "no such option": ["check", f"--{typed}"],
    }


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[[list[str]], int]:
    def run_one(arguments: list[str]) -> int:
        code = main(arguments)
        said = capsys.readouterr()
        for stream in (said.out, said.err):
            assert "Traceback" not in stream
            assert_plain(stream.replace("\r\n", "\n"), lines=True)
        return code

    return run_one


@pytest.mark.parametrize("commands", [on_recording, on_archive, on_job, on_import, as_typed])
@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_a_command_ends_as_with_harmless_text(commands, text: str, run, tmp_path: Path):
    if commands not in as_harmless:
        as_harmless[commands] = ends_of(commands, HARMLESS, run, tmp_path / "harmless")
    assert ends_of(commands, text, run, tmp_path / "hostile") == as_harmless[commands]


as_harmless: dict[object, dict[str, int]] = {}
"""Exit codes, found once."""


def ends_of(commands, text: str, run, folder: Path) -> dict[str, int]:
    folder.mkdir()
    return {what: run(line) for what, line in commands(folder, text).items()}
