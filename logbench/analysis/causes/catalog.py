"""The causes: what can be wrong with an engine and its car, as `causes.toml` has it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from logbench.analysis.engine import Trait


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause. `prior` is its weight before anything was seen, against 1 for a common one; 0:
    findings name it, but it is not a hypothesis. `effects`: what a plain one does to the number of
    `check|subject` (with * for anything), in standard deviations of healthy cars; empty where the
    simulated cars show it. `safety`: keys of `cautions.toml`; `symptoms`: of `SYMPTOMS`."""

    key: str
    text: str
    owner: str
    group: str
    needs: tuple[Trait, ...]
    lacks: tuple[Trait, ...]
    prior: float
    repair: str
    safety: tuple[str, ...]
    codes: re.Pattern[str] | None
    monitors: re.Pattern[str] | None
    symptoms: tuple[str, ...]
    effects: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Named:
    """A cause as a finding names it: its key (the same for one cause seen in different ways), the
    trade's words for it there, and which engines alone these hold for."""

    key: str
    text: str
    needs: tuple[Trait, ...] = ()


_FILE: dict[str, Any] = tomllib.loads(
    resources.files("logbench.analysis.causes").joinpath("causes.toml").read_text("utf-8")
)
SYMPTOMS: Mapping[str, str] = _FILE["symptoms"]
"""What a customer may complain of: key to words."""


def _cause(key: str, row: Mapping[str, Any]) -> Cause:
    return Cause(
        key,
        row["text"],
        row["owner"],
        row["group"],
        tuple(map(Trait, row.get("needs", ()))),
        tuple(map(Trait, row.get("lacks", ()))),
        row["prior"],
        row["repair"],
        tuple(row.get("safety", ())),
        re.compile(row["codes"]) if "codes" in row else None,
        re.compile(row["monitors"]) if "monitors" in row else None,
        tuple(row.get("symptoms", ())),
        row.get("effects", {}),
    )


CAUSES: Mapping[str, Cause] = {key: _cause(key, row) for key, row in _FILE["cause"].items()}
"""Every cause by its key, in the order of the file."""


def _named() -> dict[str, Named]:
    found = {key: Named(key, cause.text, cause.needs) for key, cause in CAUSES.items()}
    for key, row in _FILE["cause"].items():
        for name, words in row.get("named", {}).items():
            needs = (Trait(words["needs"]),) if "needs" in words else ()
            found[name] = Named(key, words.get("text", row["text"]), needs)
    return found


NAMED: Mapping[str, Named] = _named()
"""Causes by the names that findings have for them: their keys, and the other names."""


KEYS: Mapping[str, frozenset[str]] = {
    text: frozenset(named.key for named in NAMED.values() if named.text == text)
    for text in {named.text for named in NAMED.values()}
}
"""Words of a finding's cause to the keys of those causes."""
