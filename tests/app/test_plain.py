"""The window shows text as it is, whoever it is from: by construction, and tried."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

APP = Path(__file__).resolve().parents[2] / "logbench" / "app"
MODULES = sorted(path for path in APP.rglob("*.py") if path.name != "plain.py")
BARE = {"QLabel", "QMessageBox", "QTextBrowser", "QTextEdit", "QTreeWidgetItem", "QListWidgetItem",
        "QTableWidgetItem", "QComboBox", "QProgressDialog", "QErrorMessage", "QWhatsThis",
        "QSplashScreen"}  # fmt: skip
"""What takes markup by itself, or shows items: logbench/app/plain.py has the house's own."""
TIPS = {"setToolTip", "setWhatsThis", "setStatusTip"}


def trouble_in(source: str) -> Iterator[str]:
    """`line: what` of each place that could show markup."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ClassDef):
            bases = {ast.unparse(base) for base in node.bases}
            yield from (f"{node.lineno}: {base}" for base in sorted(bases & BARE))
        if not isinstance(node, ast.Call):
            continue
        called = ast.unparse(node.func)
        if called in BARE or called.startswith("QMessageBox."):
            yield f"{node.lineno}: {called}"
        if called.split(".")[-1] in TIPS and not _is_plain(node.args[-1]):
            yield f"{node.lineno}: {ast.unparse(node)}"
        if called == "QToolTip.showText" and not _is_plain(node.args[1]):
            yield f"{node.lineno}: {ast.unparse(node)}"
        if called.split(".")[-1] == "setHtml" and not _is_made(node.args[0]):
            yield f"{node.lineno}: {ast.unparse(node)}"


def _is_plain(given: ast.expr) -> bool:
    """A text of our own, or `plain_tip` of any."""
    if isinstance(given, ast.Call):
        name = ast.unparse(given.func)
        return name == "plain_tip" or name.endswith(".toolTip") or _is_own(given)
    return _is_own(given)


def _is_own(given: ast.expr) -> bool:
    if isinstance(given, ast.BinOp):
        return _is_own(given.left) and _is_own(given.right)
    own = isinstance(given, ast.Call) and ast.unparse(given.func) == "tr"
    return isinstance(given, ast.Constant) or (own and not given.keywords)


def _is_made(given: ast.expr) -> bool:
    """What a function makes that ends in `html`, or texts around `in_html`."""
    if isinstance(given, ast.Call):
        return ast.unparse(given.func).lower().endswith(("html", "_muted"))
    if isinstance(given, ast.IfExp):
        return _is_made(given.body) and _is_made(given.orelse)
    if isinstance(given, ast.JoinedStr):
        values = [v.value for v in given.values if isinstance(v, ast.FormattedValue)]
        return all(_is_made(value) for value in values)
    return isinstance(given, ast.Constant)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(APP)))
def test_nothing_takes_markup_by_itself(path: Path):
    assert list(trouble_in(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    "source",
    ["QLabel(name)", "class A(QLabel): pass", "QMessageBox.warning(self, a)", "a.setToolTip(x)",
     'a.setToolTip(tr("{x}", x=x))', "a.setToolTip(f'{x}')", "page.setHtml(text)",
     "page.setHtml(f'<p>{text}</p>')", "a.setToolTip(1, x + y)",
     "QToolTip.showText(at, said, self)"],
)  # fmt: skip
def test_what_would_take_markup_is_seen(source: str):
    assert list(trouble_in(source))
    assert not list(trouble_in('a.setToolTip(tr("x")); a.setToolTip(plain_tip(x)); Label(x)'))
