"""A notebook of the docs, run cell by cell as a notebook runs them."""

from __future__ import annotations

import ast
import json
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "docs/notebooks"


def cells(name: str) -> list[str]:
    """The code of one."""
    book = json.loads((FOLDER / f"{name}.ipynb").read_text("utf-8"))
    return ["".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == "code"]


def shown(name: str) -> list[object]:
    """What its cells show: the value of the last line of each, where it has one."""
    import matplotlib as mpl
    import matplotlib.pyplot as plt

    mpl.use("Agg")
    plt.close("all")
    names: dict[str, object] = {}
    values = []
    for text in cells(name):
        statements = ast.parse(text).body
        last = statements.pop() if isinstance(statements[-1], ast.Expr) else None
        exec(compile(ast.Module(statements, []), "cell", "exec"), names)
        if isinstance(last, ast.Expr):
            values.append(eval(compile(ast.Expression(last.value), "cell", "eval"), names))
    return values
