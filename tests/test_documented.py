"""What README.md, DEVELOPERS.md and docs/ say is there: each command, option, link and example.

The user's guide: tests/test_guide.py. SQL of docs/archive.md: tests/archive/test_documents.py.
"""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest
import typer

import logbench
from logbench.cli.main import app
from logbench.vehicle.links.schemes import SCHEMES
from tests.parsed import commands_in, parsed

ROOT = Path(__file__).resolve().parents[1]
PAGES = {
    page.relative_to(ROOT).as_posix(): page.read_text(encoding="utf-8")
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md"))
}


def _blocks(kind: str) -> list[tuple[str, str]]:
    pattern = re.compile(rf"^```{kind}\n(.*?)^```$", re.M | re.S)
    return [(name, block) for name, text in PAGES.items() for block in pattern.findall(text)]


def _links(text: str) -> set[str]:
    return set(re.findall(rf"(?<![\w-])((?:{'|'.join(SCHEMES)}):[^\s`'\"|)]*)", text))


def test_every_command_in_a_block_is_one():
    found = [(name, line) for name, block in _blocks("sh") for line in commands_in(block)]
    assert len(found) >= 20
    for name, line in found:
        try:
            values = parsed(re.sub(r"^(?=\S+\.parquet)", "open ", line))  # as `main` takes it
        except Exception as error:  # whatever the parser says, with its place
            pytest.fail(f"{name}: logbench {line}: {error}")
        if values.get("link"):
            assert values["link"].partition(":")[0] in SCHEMES, line


def test_every_command_named_in_a_sentence_is_one_with_its_options():
    found = 0
    for name, text in PAGES.items():
        for said in re.findall(r"`logbench ([^`\n]+)`", text):
            at: Any = typer.main.get_command(app)
            words = shlex.split(said)
            while words and words[0] in getattr(at, "commands", {}):
                at = at.commands[words.pop(0)]
            known = {"--help", *(o for p in at.params for o in (*p.opts, *p.secondary_opts))}
            assert {w.split("=")[0] for w in words if w.startswith("-")} <= known, (name, said)
            assert not hasattr(at, "commands") or not words or words[0][0] == "-", (name, said)
            found += 1
    assert found >= 40


def test_every_kind_of_link_is_told_and_every_link_told_is_one(tmp_path: Path):
    told = {(name, link) for name, text in PAGES.items() for link in _links(text)}
    assert {link.partition(":")[0] for _, link in told if _.startswith("README")} == set(SCHEMES)
    for name, link in told:
        options = re.findall(r"[?&](\w+)=", link)
        form = SCHEMES[link.partition(":")[0]]
        if form.leads_to == "car":
            module = __import__(f"logbench.vehicle.links.{form.name}", fromlist=["OPTIONS"])
            assert set(options) <= module.OPTIONS, (name, link)


def test_python_of_the_pages_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """In a folder that has what the examples name."""
    for place in ("recordings", "my-archive", "FOLDER/van"):
        shutil.copytree(ROOT / "recordings", tmp_path / place)
    drive = tmp_path / "recordings/before.parquet"
    for place in ("drive.parquet", "FOLDER/van/a.parquet"):
        shutil.copy(drive, tmp_path / place)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    blocks = [(n, b) for n, b in _blocks("python") if n != "DEVELOPERS.md"]  # pieces of the window
    assert len(blocks) >= 4
    for name, block in blocks:
        exec(compile(block, name, "exec"), {})


def test_a_frame_has_the_columns_that_are_told():
    told = re.search(r"recording\.frame\(\)  # tidy pandas frame: (.*)", PAGES["README.md"])
    assert told is not None
    frame = logbench.open(ROOT / "recordings/before.parquet").frame()
    assert list(frame.columns) == told[1].split(", ")
