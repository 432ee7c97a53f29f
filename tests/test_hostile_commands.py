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


def on_archive(folder: Path, *texts: str) -> Commands:
    """All texts in one place, since what is tried of each is what the place shows of all."""
    place = folder / "archive"
    place.mkdir(parents=True)
    for n, text in enumerate(texts):
        recording_with(place / f"a{n}.parquet", text)
    recording_with(place / "b.parquet", texts[0], car=HARMLESS)
    (place / "text.parquet").write_text("no recording")
    at = str(place)
    whole = {
        "list": ["archive", "list", at],
        "query": ["archive", "query", at, "SELECT * FROM recordings"],
        "query as CSV": ["archive", "query", at, "SELECT * FROM recordings", "--csv"],
        "signals": ["archive", "query", at, "SELECT * FROM signals"],
        "sweep": ["archive", "sweep", at, "--processes", "1"],
        "list again": ["archive", "list", at],
        "show again": ["archive", "show", at, "b"],
        "trend": ["archive", "trend", at, "fuel_trim:bank 1, warm idle", HARMLESS],
        "like": ["archive", "like", at, "a0"],
        "verify": ["archive", "verify", at],
    }
    for n, text in enumerate(texts):
        whole |= {
            f"find {n}": ["archive", "find", at, "--text", _typed(text[:50])],
            f"show {n}": ["archive", "show", at, f"a{n}"],
            f"not there {n}": ["archive", "show", at, _typed(text)],
        }
    return whole


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


@pytest.mark.parametrize("commands", [on_recording, on_job, on_import, as_typed])
@pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)
def test_a_command_ends_as_with_harmless_text(commands, text: str, run, tmp_path: Path):
    if commands not in as_harmless:
        as_harmless[commands] = ends_of(commands, HARMLESS, run, tmp_path / "harmless")
    assert ends_of(commands, text, run, tmp_path / "hostile") == as_harmless[commands]


def test_an_archive_ends_as_with_harmless_texts(run, tmp_path: Path):
    hostile, harmless = (
        {what: run(line) for what, line in on_archive(tmp_path / name, *texts).items()}
        for name, texts in (("hostile", HOSTILE), ("harmless", (HARMLESS,)))
    )
    assert {what: hostile[what] for what in harmless} == harmless
    for what, code in hostile.items():
        assert code == harmless[what if what in harmless else f"{what.rsplit(' ', 1)[0]} 0"], what


as_harmless: dict[object, dict[str, int]] = {}
"""Exit codes, found once."""


def ends_of(commands, text: str, run, folder: Path) -> dict[str, int]:
    folder.mkdir()
    return {what: run(line) for what, line in commands(folder, text).items()}
