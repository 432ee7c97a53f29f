"""What each picture of `docs/screenshots/` depends on, as a digest that tells a stale one.

A picture is stale when a word, a number, a color or a size in the sources of what it shows is
another than when it was made: the constants of those modules count, in their order, and the whole
of the style sheet; comments, docstrings and the names and order of what computes do not.
`docs/make_screenshots.py` writes the digests, `tests/test_pictures.py` compares them.
"""

from __future__ import annotations

import ast
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KEPT = Path(__file__).with_name("screenshots.json")
_DRIVE = ("logbench/capture/demo_drives.py", "logbench/cli/demo.py", "docs/make_screenshots.py")
"""What is driven, and how it is shown."""
_LOOK = (
    "logbench/app/theme.py", "logbench/app/style.qss", "logbench/app/parts.py",
    "logbench/app/tables.py", "logbench/app/flow.py", "logbench/app/window.py",
    "logbench/app/pages.py", "logbench/app/live/recorder_bar.py", "logbench/app/images/*.svg",
)  # fmt: skip
_PLOT = ("logbench/app/plot/*.py",)
_LIVE = (*_LOOK, *_PLOT, "logbench/app/live/*.py")
SHOWN: dict[str, tuple[str, ...]] = {
    "live-roadside": _LIVE,
    "live-driver": _LIVE,
    "review": (*_LOOK, *_PLOT, "logbench/app/review/*.py"),
    "compare": (*_LOOK, *_PLOT, "logbench/app/compare/*.py"),
    "job": (*_LOOK, "logbench/app/job/*.py"),
    "archive": (*_LOOK, "logbench/app/archive/*.py", "logbench/archive/columns.py"),
    "report": ("logbench/report/*.py",),
}
"""The sources of what each shows, beside the drive."""


def digest_of(picture: str) -> str:
    """Of all that this picture depends on."""
    found = hashlib.sha256()
    for pattern in (*_DRIVE, *SHOWN[picture]):
        paths = sorted(ROOT.glob(pattern))
        if not paths:
            raise FileNotFoundError(f"{picture}: no file is {pattern}")
        for path in paths:
            text = path.read_text(encoding="utf-8")
            found.update(constants_of(text).encode() if path.suffix == ".py" else text.encode())
    return found.hexdigest()[:16]


def constants_of(source: str) -> str:
    """The numbers and texts of a module, one a line, without its docstrings."""
    return "\n".join(repr(value) for value in _constants(ast.parse(source)))


def _constants(node: ast.AST) -> Iterator[object]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue  # a docstring
        if isinstance(child, ast.Constant):
            yield child.value
        yield from _constants(child)


def kept() -> dict[str, str]:
    """The digests of the pictures as they were made."""
    read: dict[str, str] = json.loads(KEPT.read_text(encoding="utf-8"))
    return read


def keep(picture: str) -> None:
    """This picture is made now."""
    known = kept() if KEPT.exists() else {}
    known[picture] = digest_of(picture)
    KEPT.write_text(json.dumps(dict(sorted(known.items())), indent=1) + "\n", encoding="utf-8")
