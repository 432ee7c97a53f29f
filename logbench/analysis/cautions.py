"""What can hurt people or the car: the rows of `cautions.toml`, named by key wherever a hand test
is proposed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True, slots=True)
class Caution:
    """One of them. `danger`: 1 care is enough, 2 can injure, 3 can kill, for trained staff."""

    key: str
    text: str
    danger: int


CAUTIONS: Mapping[str, Caution] = {
    key: Caution(key, row["text"], row["danger"])
    for key, row in tomllib.loads(
        resources.files("logbench.analysis").joinpath("cautions.toml").read_text("utf-8")
    ).items()
}
"""All of them by key."""
