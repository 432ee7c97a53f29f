"""From the text of a column header to a signal, with a confidence and what else it may be.

Headers are cut into words, spelled out by `synonyms.toml`, and compared as sets with the phrases
there and with the acronyms and names of the signal table. Numbers and single letters must agree:
bank 2 is never bank 1.
"""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logbench.signals.table import table
from logbench.signals.units import compatible, known

_BRACKETS = re.compile(r"\s*[\(\[\{<]\s*([^\)\]\}>]*?)\s*[\)\]\}>]")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_PLACE = re.compile(r"\bb(?:ank)?\s*([1-4])\s*-?\s*s(?:ensor)?\s*([1-4])\b", re.IGNORECASE)
_BANK = re.compile(r"\bb(?:ank|nk)?\s*([1-4])\b", re.IGNORECASE)
_STICKY = re.compile(r"(?<=[a-z]{3})(?=\d)")


@dataclass(frozen=True, slots=True)
class Header:
    """A header taken apart: its words, and the unit if it has one."""

    words: tuple[str, ...]
    unit: str | None
    """As the file spells it; None where none stands there."""
    ecu: str = ""


@dataclass(frozen=True, slots=True)
class Match:
    """A signal that a header may mean."""

    signal: str
    confidence: float
    why: str


@functools.cache
def _vocabulary() -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / "synonyms.toml").read_text("utf-8"))


@functools.lru_cache(maxsize=4096)
def words_of(text: str) -> tuple[str, ...]:
    """The words of a phrase in lower case, spelled out, in order; `B1S2` as bank 1 sensor 2."""
    spelled: dict[str, str] = _vocabulary()["words"]
    text = _PLACE.sub(r" bank \1 sensor \2 ", text.replace("_", " "))
    text = _BANK.sub(r" bank \1 ", text)
    text = _CAMEL.sub(" ", text.replace("O2", "o2 "))
    out: list[str] = []
    for word in re.findall(r"[^\W_]+", text.lower()):
        for part in [word] if word in spelled else _STICKY.sub(" ", word).split():
            out += spelled.get(part, part).split()
    joined = re.sub(r"\b(bank|sensor) ([1-4])\b", r"\1\2", " ".join(out))
    return tuple(joined.split())


@functools.lru_cache(maxsize=4096)
def take_apart(header: str) -> Header:
    """Words and unit of a header: `Coolant temp (°F)`, `MAF [g/s]`, `speed_kmh`, `RPM@7E9`."""
    text, ecu = header.strip(), ""
    unit: str | None = None
    for inside in _BRACKETS.findall(text):
        if inside and known(inside) is not None:
            unit = inside
            text = text.replace(inside, " ")
    text = _BRACKETS.sub(lambda found: f" {found[1]} ", text).strip()
    at = re.fullmatch(r"(\w+)@([0-9A-Fa-f]{2,8})", text)
    if at:
        text, ecu = at[1], at[2].upper()
    if unit is None:
        text, unit = _unit_at_the_end(text)
    return Header(words_of(text), unit, ecu)


def _unit_at_the_end(text: str) -> tuple[str, str | None]:
    """`speed_kmh` or `Coolant, °C`: a last word that is a unit and no part of the name."""
    if text.upper() in table():
        return text, None
    parts = re.split(r"[\s_,;:]+", text)
    if len(parts) < 2 or not parts[-1] or known(parts[-1]) is None:
        return text, None
    last = parts[-1]
    if len(last) == 1 and last.isalpha() and last.isupper() and "_" in text:
        return text, None  # the sensor of PEDAL_F, not a temperature
    if last.lower() in {"rpm", "lambda", "min", "count", "ratio", "percent"} | {"a", "f", "c", "k"}:
        return text, None
    return text[: text.rfind(last)].rstrip(" _,;:"), last


@functools.cache
def _candidates() -> tuple[tuple[str, frozenset[str], str, float], ...]:
    """(acronym, words, phrase, weight): phrases of the trade, then the table's own names."""
    found: list[tuple[str, frozenset[str], str, float]] = []
    for acronym, phrases in _vocabulary()["phrases"].items():
        found += [(acronym, frozenset(words_of(phrase)), phrase, 1.0) for phrase in phrases]
    for signal in table():
        found.append((signal.acronym, frozenset(words_of(signal.name)), signal.name, 0.95))
    return tuple(found)


def is_kind(header: str, kind: str) -> bool:
    """Whether a header names a column that is no signal: `time`, `date`, `name`, `value`, …"""
    words = frozenset(take_apart(header).words) or frozenset(words_of(header))
    phrases: list[str] = _vocabulary()["columns"][kind]
    return any(words == frozenset(words_of(phrase)) for phrase in phrases)


@functools.lru_cache(maxsize=4096)
def matches(header: str, unit: str | None = None) -> tuple[Match, ...]:
    """Signals that a header may mean, likeliest first, at most five.

    `unit`: the unit its numbers have, where known; signals of another dimension are left out.
    Empty when nothing is at least half alike.
    """
    parts = take_apart(header)
    text = " ".join(header.split())
    unit = unit if unit is not None else parts.unit
    bare = _BRACKETS.sub("", text).split("@")[0].strip().upper()
    if bare in table() and fits(bare, unit):
        return (Match(bare, 1.0, "is the standard's acronym"),)
    words = frozenset(parts.words)
    best: dict[str, Match] = {}
    for acronym, phrase_words, phrase, weight in _candidates():
        score = weight * _alike(words, phrase_words)
        if score < SURE_ENOUGH or (acronym in best and best[acronym].confidence >= score):
            continue
        if not fits(acronym, unit):
            continue
        why = "reads as" if score > 0.9 else "is much like"
        best[acronym] = Match(acronym, min(score, 0.98), f"{why} '{phrase}'")
    ranked = sorted(best.values(), key=lambda match: (-match.confidence, match.signal))[:5]
    return tuple(_with_rivals(match, ranked) for match in ranked)


SURE_ENOUGH = 0.5


def _with_rivals(match: Match, ranked: list[Match]) -> Match:
    """Less sure where another signal fits as well."""
    rivals = [m for m in ranked if m is not match and m.confidence > match.confidence - 0.05]
    same = {table().by_acronym(m.signal).standard for m in rivals if m.signal in table()}
    own = table().by_acronym(match.signal).standard if match.signal in table() else ""
    if not rivals or same == {own}:
        return match
    return Match(match.signal, match.confidence * 0.6, f"{match.why}, as others do")


def fits(acronym: str, unit: str | None) -> bool:
    """Whether numbers in a unit (None, ``: in none) can be those of a signal."""
    return not unit or acronym not in table() or compatible(unit, table().by_acronym(acronym).unit)


def _alike(a: frozenset[str], b: frozenset[str]) -> float:
    """Dice coefficient of two sets of words; 0 where their numbers or single letters differ."""
    if not a or not b:
        return 0.0
    marks_a, marks_b = _marks(a), _marks(b)
    if marks_a - marks_b or (marks_b - marks_a and not marks_b - marks_a <= _FIRST):
        return 0.0
    if ("commanded" in a) != ("commanded" in b) or ("relative" in a) != ("relative" in b):
        return 0.0
    common = a & b
    return 2.0 * len(common) / (len(a) + len(b)) if common - _marks(common) else 0.0


@functools.lru_cache(maxsize=8192)
def _marks(words: frozenset[str]) -> frozenset[str]:
    return frozenset(w for w in words if w[-1].isdigit() or len(w) == 1 or w in _OTHER_QUANTITY)


_FIRST = {"1", "bank1", "sensor1"}
"""What a header may leave out: the first of something."""

_OTHER_QUANTITY = {"gps", "average", "max", "min", "maximum", "minimum", "trip", "set", "desired"}
"""Words that make it another quantity than the ECU's present one."""
