"""The habits that a machine can hold: size of modules and functions, nothing of this machine."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "logbench").rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_and_functions_stay_readable(path: Path):
    source = path.read_text(encoding="utf-8")
    assert len(source.splitlines()) <= 500
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body
            if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
                body = body[1:] or body  # the docstring does not count
            length = (body[-1].end_lineno or 0) - body[0].lineno + 1
            assert length <= 50, f"{node.name} has {length} lines"


TOP = {
    *(".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "MANIFEST.in", "README.md"),
    *("docs", "logbench", "pylock.toml", "pyproject.toml", "recordings", "tests"),
}


def test_nothing_but_the_project_is_kept_at_the_top():
    git = ["git", "ls-files", "-z"]
    listed = subprocess.run(git, capture_output=True, text=True, check=False, cwd=ROOT)
    if listed.returncode != 0:
        pytest.skip("not a checkout")
    assert {path.split("/")[0] for path in listed.stdout.split("\0") if path} <= TOP


WITHOUT_EXTRAS = """
import importlib, pkgutil, sys

sys.modules.update(dict.fromkeys({optional}))
import logbench
for found in pkgutil.walk_packages(logbench.__path__, "logbench."):
    if not found.name.startswith("logbench.app.") and found.name not in {without}:
        importlib.import_module(found.name)
from logbench.cli.main import main
code = main(["check", "recordings/after.parquet"])
print("window", main([]), main(["demo", "--help"]), "check", code)
"""


def test_a_plain_installation_does_all_but_what_its_extras_are_for():
    """Without the packages of every extra: each module loads but the window and the cluster, a
    recording is checked, and for the window a sentence says what to install."""
    optional = {"PySide6", "pyqtgraph", "can", "msgpack", "bleak", "distributed", "dask", "fsspec"}
    code = WITHOUT_EXTRAS.format(optional=optional, without={"logbench.archive.cluster"})
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1].startswith("window 3 0 check")
    assert 'pip install "logbench[window]"' in done.stderr
    assert "Traceback" not in done.stderr


def test_license_is_named_where_it_counts():
    assert 'license = "GPL-3.0-or-later"' in (ROOT / "pyproject.toml").read_text()
    assert "GNU GENERAL PUBLIC LICENSE" in (ROOT / "LICENSE").read_text()


def test_every_picture_is_shown_and_there():
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
    shown = {
        (text.parent / place).resolve()
        for text in texts
        for place in re.findall(r"!\[[^]]*]\(([^)]+)\)", text.read_text("utf-8"))
    }
    assert sorted(path for path in shown if not path.is_file()) == []
    assert set((ROOT / "docs/screenshots").iterdir()) <= shown
