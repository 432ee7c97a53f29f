"""Everything that has an acronym: measured signals, derived ones, and the user's own.

Each has one title, unit, number of decimals, color, range and description, whoever shows it.
Derived signals are expressions of `derived.toml`, the user's own of a file of the same form in the
folder of the settings; `logbench.analysis.expression` computes both.
"""

from __future__ import annotations

import difflib
import functools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logbench.errors import SignalUnknownError
from logbench.signals.table import Kind, table
from logbench.system.limits import EXPRESSION_CHARS, TABLES_BYTES
from logbench.system.platforms import config_home
from logbench.system.reading import read_plain, toml_of

Origin = Literal["measured", "derived", "own"]
COMPUTED = "computed"
"""In the place of an ECU, of derived and own signals."""
_DECIMALS = {"rpm": 0, "km/h": 0, "degC": 0, "kPa": 0, "Pa": 0, "km": 0, "min": 0, "s": 0, "Nm": 0,
             "h": 0, "ppm": 0, "%": 1, "deg": 1, "g/s": 2, "L/h": 2, "V": 2, "mA": 2}  # fmt: skip
"""Of measured signals by unit; those of a finer step have as many as that needs, at most three."""
COLORS = 7
"""Colors of lines."""
_FAMILIES: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("trim", re.compile(r"(SHRT|LONG)FT|.*TRIM")),
    ("pedal", re.compile(r"(APP|TP|TAC)(_|$)")),
    ("oxygen", re.compile(r"O2S")),
    ("lambda", re.compile(r"LAMBDA")),
    ("catalyst", re.compile(r"CATEMP")),
    ("supply", re.compile(r"VPWR")),
    ("turbo", re.compile(r"TC[AB]_RPM")),
)
_ORDER = ("rpm", "km/h", "g/s", "kPa", "% trim", "degC", "%", "lambda", "oxygen", "deg", "supply")
"""What belongs high in the stack, by unit or family (ours; no source)."""


class Formula(BaseModel):
    """A signal computed from others, as a table of a file: `[TOTAL_TRIM1]`."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    title: str = Field(min_length=1, max_length=80)
    expression: str = Field(min_length=1, max_length=EXPRESSION_CHARS)
    """Its bare numbers are in the units in which signals are recorded."""
    unit: str = Field(default="", max_length=20)
    decimals: int = Field(default=1, ge=0, le=6)
    description: str = Field(default="", max_length=400)
    group: str = Field(default="", max_length=20)
    """Signals of one group may share a strip; empty: those of its unit."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One signal as every view, file and list shows it."""

    acronym: str
    title: str
    unit: str
    decimals: int
    minimum: float
    maximum: float
    """What it can be; infinite where nothing limits it."""
    description: str
    kind: Kind = "number"
    origin: Origin = "measured"
    formula: str = ""
    """The expression of a signal that is not measured."""
    group: str = ""
    slot: int = 0
    """Its color: a place in the `COLORS` colors of a theme and of the documents."""


class Catalog:
    """All signals by acronym: measured, then derived, then own. Made by `catalog()`."""

    def __init__(self, entries: Mapping[str, Entry], problem: str = "") -> None:
        self._entries = _with_slots(entries)
        self.problem = problem
        """What is wrong with the user's own file, which is then left out; else empty."""

    def __iter__(self) -> Iterator[Entry]:
        return iter(self._entries.values())

    def __contains__(self, acronym: object) -> bool:
        return acronym in self._entries

    def by_acronym(self, acronym: str) -> Entry:
        """The signal of that acronym, in any case of letters.

        Raises `SignalUnknownError`, which names near ones of all kinds.
        """
        wanted = acronym.strip().upper()
        entry = self._entries.get(acronym) or self._entries.get(wanted)
        if entry is None:
            computed = [e.acronym for e in self if e.formula]
            near = difflib.get_close_matches(wanted, computed, n=3, cutoff=0.6)
            near = (near + table().near(acronym))[:5]
            hint = f"did you mean {', '.join(near)}?" if near else "give an acronym such as RPM."
            raise SignalUnknownError(f"There is no signal {acronym!r}; {hint}")
        return entry

    def slot(self, acronym: str) -> int:
        """The signal's color; the first for one that is not here."""
        return self._entries[acronym].slot if acronym in self else 0

    def with_own(self, acronym: str, made: Formula) -> Catalog:
        """The same with one more signal of the user's, or another of that name."""
        return Catalog(dict(self._entries) | {acronym: _computed(acronym, made, "own")})

    @property
    def formulas(self) -> tuple[Entry, ...]:
        """The signals that are computed."""
        return tuple(entry for entry in self if entry.formula)


def own_signals_path() -> Path:
    """Where the user's own signals are kept."""
    return config_home() / "own_signals.toml"


def catalog() -> Catalog:
    """The catalog of now: the user's file is read again when it has changed."""
    path = own_signals_path()
    try:
        stat = path.stat()
        stamp = stat.st_mtime_ns, stat.st_size
    except OSError:
        stamp = None
    return _catalog(path, stamp)


@functools.lru_cache(maxsize=4)
def _catalog(path: Path, stamp: tuple[int, int] | None) -> Catalog:
    entries = dict(fixed())
    if stamp is None:
        return Catalog(entries)
    try:
        own = formulas_of(read_plain(path, TABLES_BYTES))
        taken = sorted(own.keys() & entries.keys())
        if taken:
            raise ValueError(f"{taken[0]} is the name of another signal")
    except (OSError, ValueError) as error:
        first = error.errors()[0] if isinstance(error, ValidationError) else None
        why = f"{'.'.join(map(str, first['loc']))}: {first['msg']}" if first else str(error)
        return Catalog(entries, f"{path} cannot be used: {why}. Your own signals are left out.")
    return Catalog(entries | {name: _computed(name, f, "own") for name, f in own.items()})


def formulas_of(data: bytes) -> dict[str, Formula]:
    """The tables of a file of signals. Raises `ValueError`."""
    tables = toml_of(data)
    if bad := [name for name in tables if not is_acronym(name)]:
        raise ValueError(f"{bad[0]}: a name has capital letters, digits and _, such as MY_SIGNAL")
    return {name: Formula.model_validate(fields) for name, fields in tables.items()}


def is_acronym(text: str) -> bool:
    """Whether a signal may be called so."""
    return text.isidentifier() and text.isascii() and text == text.upper() and len(text) <= 24


@functools.cache
def fixed() -> Mapping[str, Entry]:
    """Measured and derived signals."""
    entries = {}
    for s in table():
        step = len(f"{abs(s.scale):.6f}".rstrip("0").partition(".")[2])
        decimals = _DECIMALS.get(s.unit, min(step, 3)) if s.kind == "number" else 0
        if s.unit == "kPa" and abs(s.scale) <= 0.01:  # a few kPa at most, as over a filter
            decimals = 2
        said = f"PID {s.pid:02X} of SAE J1979"
        entries[s.acronym] = Entry(
            s.acronym, s.name, s.unit, decimals, s.minimum, s.maximum, said, s.kind
        )
    data = Path(__file__).with_name("derived.toml").read_bytes()
    derived = {name: _computed(name, f, "derived") for name, f in formulas_of(data).items()}
    return entries | derived


def _computed(acronym: str, made: Formula, origin: Origin) -> Entry:
    infinite = float("inf")
    return Entry(acronym, made.title, made.unit, made.decimals, -infinite, infinite,
                 made.description, "number", origin, made.expression, made.group)  # fmt: skip


def group_of(signal: str, unit: str, kind: str = "number") -> str:
    """A name shared by traces that one strip may hold: the same unit and, where a unit serves
    unlike quantities, the same family. One whose values are words stands alone."""
    if kind != "number":
        return signal
    family = next((name for name, pattern in _FAMILIES if pattern.match(signal)), "")
    return f"{unit} {family}".strip()


def rank_of(group: str) -> int:
    """Place of a group in a stack, from the top."""
    exact = [n for n, name in enumerate(_ORDER) if name == group]
    near = [n for n, name in enumerate(_ORDER) if name in group.split()]
    return (exact or near or [len(_ORDER)])[0]


def _with_slots(entries: Mapping[str, Entry]) -> dict[str, Entry]:
    """Each with its color. Those of a group follow one another, by the number at their end, so
    that what shares a strip differs; the user's own count from the other end and move no other."""

    def number(entry: Entry) -> int:
        stem = entry.acronym.rstrip("0123456789")
        return int(entry.acronym[len(stem) :] or 0)

    counted: Counter[tuple[bool, str]] = Counter()
    slots = {}
    for entry in sorted(entries.values(), key=number):
        group = entry.group or group_of(entry.acronym, entry.unit, entry.kind)
        own = entry.origin == "own"
        n = counted[own, group]
        slots[entry.acronym] = (rank_of(group) + (-1 - n if own else n)) % COLORS
        counted[own, group] += 1
    return {name: replace(entry, slot=slots[name]) for name, entry in entries.items()}


def told_apart(slots: Iterable[int]) -> list[int]:
    """The colors of lines drawn together, by their slots: one that is taken gets the next free."""
    used: list[int] = []
    for slot in slots:
        near = (n % COLORS for n in range(slot, slot + COLORS))
        used.append(min(near, key=used.count))
    return used
