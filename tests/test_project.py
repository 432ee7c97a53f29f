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
    *(".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md"),
    *("docs", "logbench", "pylock.toml", "pyproject.toml", "recordings", "tests"),
}


def test_nothing_but_the_project_is_kept_at_the_top():
    git = ["git", "ls-files", "-z"]
    listed = subprocess.run(git, capture_output=True, text=True, check=False, cwd=ROOT)
    if listed.returncode != 0:
        pytest.skip("not a checkout")
    assert {path.split("/")[0] for path in listed.stdout.split("\0") if path} <= TOP


def test_core_imports_without_qt():
    code = (
        "import sys, logbench, logbench.signals.table, logbench.vehicle.poller,"
        " logbench.recording.reader, logbench.capture.process, logbench.analysis.run,"
        " logbench.simulator.drive, logbench.report.plots, logbench.cli.demo, logbench.cli.main;"
        "bad = [m for m in sys.modules if m.startswith(('PySide6', 'pyqtgraph'))];"
        "sys.exit(str(bad) if bad else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr


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
