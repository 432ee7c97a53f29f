"""The version is one thing, wherever it is asked for."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys
import tomllib
from pathlib import Path

import logbench
from logbench.system.version import SOFTWARE, VERSION

ROOT = Path(__file__).resolve().parents[2]


def test_the_version_has_one_source():
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)
    assert project["project"]["dynamic"] == ["version"]
    source = project["tool"]["setuptools"]["dynamic"]["version"]["attr"]
    assert source == "logbench.system.version.VERSION"
    assert logbench.__version__ == VERSION == importlib.metadata.version("logbench")
    assert f"logbench {VERSION}" == SOFTWARE


def test_the_command_line_names_it():
    command = [sys.executable, "-m", "logbench", "--version"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == SOFTWARE
