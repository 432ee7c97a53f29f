"""What bounds things from outside has one home, a reason each, and is used."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import logbench
from logbench.system import limits

PACKAGE = Path(logbench.__file__).parent
BOUND = re.compile(
    r"_?(MOST|MAX|LONGEST|LARGEST)_.*"
    r"(BYTES|ROWS|PIXELS|PICTURE|COLUMNS|CELLS|DEPTH|CHARS|CHARACTERS|NESTED|ENTRIES|FILES|NOTES)"
    r"|_?(FIELD|LINE|SIZE)_LIMIT|_?(MOST|MAX)_(UNPACKED|NESTED|IN_STRIP|PICTURE)_?\w*"
)
ELSEWHERE = {
    "job/names.py": "of names that are made here",
    "system/log.py": "of the program's own log",
    "recording/frames.py": "of the journal's format",
    "recording/journal_reading.py": "of the journal's format",
    "vehicle/gate.py": "of a request to the car",
}
"""Numbers that look alike, and what they are."""


def constants(path: Path) -> list[ast.Assign]:
    return [
        node
        for node in ast.parse(path.read_text("utf-8")).body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    ]


def name_of(node: ast.Assign) -> str:
    assert isinstance(node.targets[0], ast.Name)
    return node.targets[0].id


def test_limits_have_one_home():
    strays = [
        f"{where}: {name_of(node)}"
        for path in PACKAGE.rglob("*.py")
        if (where := path.relative_to(PACKAGE).as_posix()) not in ELSEWHERE
        for node in constants(path)
        if BOUND.fullmatch(name_of(node)) and isinstance(node.value, ast.Constant)
    ]
    assert strays == []


def test_every_limit_has_a_reason():
    body = ast.parse(Path(limits.__file__).read_text("utf-8")).body[2:]
    for limit, reason in zip(body[::2], body[1::2], strict=True):
        assert isinstance(limit, ast.Assign)
        assert isinstance(reason, ast.Expr), name_of(limit)
        assert isinstance(reason.value, ast.Constant)
        assert len(str(reason.value.value)) > 10


def test_every_limit_is_used():
    text = "\n".join(
        path.read_text("utf-8") for path in PACKAGE.rglob("*.py") if path.name != "limits.py"
    )
    names = [name_of(node) for node in constants(Path(limits.__file__))]
    assert [name for name in names if not re.search(rf"\b{name}\b", text)] == []
