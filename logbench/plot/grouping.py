"""Which traces belong into one strip."""

from __future__ import annotations

import re
from collections.abc import Iterable

_FAMILIES: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("trim", re.compile(r"(SHRT|LONG)FT|.*TRIM")),
    ("pedal", re.compile(r"(APP|TP|TAC)(_|$)")),
    ("oxygen", re.compile(r"O2S")),
    ("lambda", re.compile(r"LAMBDA")),
    ("catalyst", re.compile(r"CATEMP")),
    ("supply", re.compile(r"VPWR")),
)
_ORDER = ("rpm", "km/h", "g/s", "kPa", "% trim", "degC", "%", "lambda", "oxygen", "deg", "supply")
"""What belongs high in the stack, by unit or family (ours; no source)."""


def group_of(signal: str, unit: str) -> str:
    """A name shared by traces that one strip may hold: the same unit and, where a unit serves
    unlike quantities, the same family."""
    family = next((name for name, pattern in _FAMILIES if pattern.match(signal)), "")
    return f"{unit} {family}".strip()


def first_shown(signals: Iterable[tuple[str, str]], most_groups: int) -> frozenset[str]:
    """Of (acronym, unit) pairs, the acronyms whose groups come first: enough for one screen."""
    groups: dict[str, list[str]] = {}
    for signal, unit in signals:
        groups.setdefault(group_of(signal, unit), []).append(signal)
    chosen = sorted(groups, key=rank_of)[:most_groups]
    return frozenset(signal for group in chosen for signal in groups[group])


def rank_of(group: str) -> int:
    """Place of a group in a stack, from the top."""
    exact = [n for n, name in enumerate(_ORDER) if name == group]
    near = [n for n, name in enumerate(_ORDER) if name in group.split()]
    return (exact or near or [len(_ORDER)])[0]
