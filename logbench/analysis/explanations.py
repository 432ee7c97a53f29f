"""What findings may mean, what tells it apart and what to record next time: the rows of
`explanations.toml`."""

from __future__ import annotations

import tomllib
from importlib import resources

from logbench.analysis.findings import Cause, Explanation

_TABLES = tomllib.loads(
    resources.files("logbench.analysis").joinpath("explanations.toml").read_text("utf-8")
)

CAUSES = {name: Cause(**row) for name, row in _TABLES.pop("causes").items()}
"""Every cause that the program names, by the name it has in the file."""


def explanations_of(module: str) -> dict[str, Explanation]:
    """The explanations of one module of the checks, by name, in the order of the file."""
    return {
        name: Explanation(
            tuple(CAUSES[cause] for cause in row["causes"]),
            tuple(row["tell_apart"]),
            row.get("when", ""),
        )
        for name, row in _TABLES[module].items()
    }


def asks_of(module: str) -> dict[str, str]:
    """What one module of the checks asks for where it cannot judge, by name."""
    return dict(_TABLES["asks"][module])
