"""From the text of a column header to a signal, with a confidence and what else it may be.

Headers are cut into words, spelled out by `synonyms.toml`, and compared as sets with the phrases
there, with those of `abroad.toml` and with the acronyms and names of the signal table. Only a
whole name is sure; one that is alike is a question (`ALIKE`), for likeness of words feeds no check:
'fuel economizer' is not a fuel system status. Numbers and letters must agree: bank 2 is never
bank 1.
"""

from __future__ import annotations

import functools
import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from logbench.signals.table import table
from logbench.signals.units import compatible, read_unit
from logbench.system.limits import HEADER_CHARS

_BRACKETS = re.compile(r"[\(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_PLACE = re.compile(r"\bb(?:ank)?\s*([1-4])\s*-?\s*s(?:ensor)?\s*([1-4])\b", re.IGNORECASE)
_BANK = re.compile(r"\bb(?:ank|nk)?\s*([1-4])\b", re.IGNORECASE)
_STICKY = re.compile(r"(?<=[a-z]{3})(?=\d)")
_OXYGEN = re.compile(r"\b[oO0]2(?=\b|[A-Z])(?! [a-z]?\d)|O2")
"""`O2`, with a zero for the letter, too."""
_ELIDED = re.compile(r"\b[dl]['’]|\ball['’]|\bdell['’]", re.IGNORECASE)

SURE_NAME = 0.98
"""A whole name of a signal."""
ALIKE = 0.45
"""At most so sure is a name that is only alike, or a whole one against which something speaks:
below `model.SURE`, so it is asked about."""


@dataclass(frozen=True, slots=True)
class Header:
    """A header taken apart."""

    words: tuple[str, ...]
    """All of it but the unit."""
    unit: str | None
    """In a spelling that is `known`; None where none stands there."""
    ecu: str = ""
    bare: str = ""
    """The text outside of brackets."""
    notes: tuple[str, ...] = ()
    """What stands in brackets and is not a unit, as the file has it."""


@dataclass(frozen=True, slots=True)
class Match:
    """A signal that a header may mean."""

    signal: str
    confidence: float
    why: str


@functools.cache
def _vocabulary() -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / "synonyms.toml").read_text("utf-8"))


def mended(text: str) -> str:
    """Text that was encoded as UTF-8 twice, as it was meant; any other as it is. What is longer
    than a header can be is cut."""
    text = text[:HEADER_CHARS]
    if not re.search("[ÂÃâ]", text):
        return text
    try:
        return text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return text


@functools.lru_cache(maxsize=4096)
def words_of(text: str) -> tuple[str, ...]:
    """The words of a phrase in lower case without accents, spelled out, in order; `B1S2` as bank 1
    sensor 2."""
    spelled: dict[str, str] = _vocabulary()["words"]
    text = _ELIDED.sub(" ", mended(text).replace("_", " "))
    text = unicodedata.normalize("NFKD", text)
    text = "".join(letter for letter in text if not unicodedata.combining(letter))
    text = _PLACE.sub(r" bank \1 sensor \2 ", text)
    text = _BANK.sub(r" bank \1 ", text)
    text = _CAMEL.sub(" ", _OXYGEN.sub("o2 ", text))
    out: list[str] = []
    for word in re.findall(r"[^\W_]+", text.casefold()):
        for part in [word] if word in spelled else _STICKY.sub(" ", word).split():
            out += spelled.get(part, part).split()
    joined = re.sub(r"\b(bank|sensor) ([1-4])\b", r"\1\2", " ".join(out))
    return tuple(joined.split())


@functools.lru_cache(maxsize=4096)
def take_apart(header: str) -> Header:
    """Words and unit of a header: `Coolant temp (°F)`, `MAF [g/s]`, `speed_kmh`, `RPM@7E9`."""
    ecu, notes = "", list[str]()
    text, unit = _unit_at_the_end(mended(header.strip()))
    for found in reversed(list(_BRACKETS.finditer(text))):
        inside = found[1].strip()
        read = read_unit(inside) if inside and not _is_letter_of_a_name(text, inside) else None
        if read is not None:
            unit, text = read, f"{text[: found.start()]} {text[found.end() :]}"
        elif inside:
            notes.append(inside)
    bare = _BRACKETS.sub(" ", text).strip()
    text = _BRACKETS.sub(lambda found: f" {found[1]} ", text).strip()
    at = re.fullmatch(r"(\w+)@([0-9A-Fa-f]{2,8})", bare)
    if at:
        text, bare, ecu = at[1], at[1], at[2].upper()
    return Header(words_of(text), unit, ecu, bare, tuple(notes))


def _is_letter_of_a_name(text: str, inside: str) -> bool:
    """Whether `(F)` is the sensor of `Accelerator pedal position (F)`, not a unit."""
    return (
        len(inside) == 1
        and inside.isalpha()
        and _names_of(words_of(_BRACKETS.sub(lambda found: f" {found[1]} ", text))) != ()
        and _names_of(words_of(_BRACKETS.sub(" ", text))) == ()
    )


_RATHER_A_WORD = {"rpm", "lambda", "min", "count", "counts", "ratio", "gps", "day", "days"} | {
    "a", "f", "c", "k"
}  # fmt: skip
"""Units that end a name as often as they stand behind one."""


def _unit_at_the_end(text: str) -> tuple[str, str | None]:
    """`speed_kmh`, `maf_g_s`, `ECT/°C` or `Coolant, deg C`: last words that are a unit and no part
    of the name."""
    if text.upper() in table() or not text or text[-1] in ")]}>":
        return text, None
    places = [found.start() for found in re.finditer(r"(?<=[\s_,;:/|])[^\s_,;:/|]", text)]
    for place in places[-4:] or [found.start() for found in _CAMEL.finditer(text)][-2:]:
        name, tail = text[:place].rstrip(" _,;:/|-"), text[place:]
        letter = len(tail) == 1 and tail.isupper()  # the sensor of PEDAL_F, not a temperature
        joint = not places or text[place - 1] in "/|"
        rather = letter or joint or tail.lower() in _RATHER_A_WORD
        if not name or (rather and not _is_only_without(name, text)):
            continue
        over = re.fullmatch(r"([a-z]{1,3})[ _](h|hr|s|sec|min)", tail.lower())
        for spelling in (tail, f"{over[1]}/{over[2]}" if over else ""):
            unit = read_unit(spelling, in_full=False) if spelling else None
            if unit is not None:
                return name, unit
    return text, None


def _is_only_without(name: str, text: str) -> bool:
    """Whether a text is the whole name of a signal only without what stands behind it."""
    words = words_of(name)
    whole = name.upper() in table() or bool(_names_of(words))
    return whole and (words == words_of(text) or not _names_of(words_of(text)))


# --- the names that are known ---

Words = frozenset[str]


@functools.cache
def _phrases() -> tuple[tuple[str, Words, str], ...]:
    """(acronym, words, phrase): phrases of the trade, of other languages, then the table's own
    names."""
    abroad = tomllib.loads((Path(__file__).parent / "abroad.toml").read_text("utf-8"))
    found: list[tuple[str, Words, str]] = []
    for phrases_of in (_vocabulary()["phrases"], *abroad.values()):
        for acronym, phrases in phrases_of.items():
            found += [(acronym, _set_of(words_of(phrase)), phrase) for phrase in phrases]
    for signal in table():
        for name in (signal.name, signal.name.split(" (0:")[0].replace("(lambda)", "")):
            found.append((signal.acronym, _set_of(words_of(name)), signal.name))
    return tuple(found)


@functools.cache
def _places_of_word() -> Mapping[str, list[int]]:
    """Places in `_phrases` of those that have a word."""
    places: dict[str, list[int]] = {}
    for place, (_, words, _) in enumerate(_phrases()):
        for word in words:
            places.setdefault(word, []).append(place)
    return places


@functools.cache
def _whole_names() -> Mapping[Words, tuple[tuple[str, str], ...]]:
    """Words of a whole name to the (acronym, phrase)s that it means."""
    names: dict[Words, dict[str, str]] = {}
    for acronym, words, phrase in _phrases():
        names.setdefault(words, {}).setdefault(acronym, phrase)
    return {words: tuple(of.items()) for words, of in names.items()}


def _set_of(words: tuple[str, ...]) -> Words:
    """As they are compared: `sensor` says nothing unless it has a number or is all there is."""
    kept = frozenset(words) - {"sensor"}
    return kept if kept - {"oxygen", "bank1", "bank2"} else frozenset(words)


def _names_of(words: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """The (acronym, phrase)s that these words are the whole name of."""
    return _whole_names().get(_set_of(words), ())


def is_kind(header: str, kind: str) -> bool:
    """Whether a header names a column that is not a signal: `time`, `date`, `name`, `value`, …"""
    words = _kind_words(" ".join(take_apart(header).words)) or _kind_words(header)
    return words in _kinds()[kind]


@functools.cache
def _kinds() -> Mapping[str, frozenset[Words]]:
    columns: Mapping[str, list[str]] = _vocabulary()["columns"]
    return {kind: frozenset(map(_kind_words, phrases)) for kind, phrases in columns.items()}


def _kind_words(text: str) -> Words:
    """Its words; as they stand where all of them say nothing of a signal (`value`, `ECU`)."""
    return frozenset(words_of(text)) or frozenset(re.findall(r"[^\W_]+", text.casefold()))


def is_derived(header: str) -> bool:
    """Whether a name says that it was worked out by the program that wrote it, or is of another
    device: averages, economy, costs, what is calculated, positions."""
    plain = mended(header).casefold().replace("_", " ")
    words = set(re.findall(r"[^\W\d_]+\d?", plain))
    if "gps" in words:
        return True
    if _names_of(take_apart(header).words):
        return False  # the standard's own 'calculated load'
    return not words.isdisjoint(_vocabulary()["derived"]["words"])


# --- what a header may mean ---


@functools.lru_cache(maxsize=4096)
def matches(header: str, unit: str | None = None) -> tuple[Match, ...]:
    """Signals that a header may mean, likeliest first, at most five.

    `unit`: the unit its numbers have, where known. Empty when nothing is at least half alike. Only
    the first can be surer than `ALIKE`: a whole name that can have that unit, of one signal of the
    standard; its siblings (`FRP`, `FRP_23`) follow.
    """
    parts = take_apart(header)
    unit = unit if unit is not None else parts.unit
    whole = _whole(parts)
    found = _in_unit(whole, unit)
    if not found and whole:
        found = [_doubted(match, f"which is not measured in {unit}") for match in whole]
    elif len({table().by_acronym(match.signal).standard for match in found}) > 1:
        found = [_doubted(match, "as others do") for match in found]
    surer = found[:1] + [replace(m, confidence=min(m.confidence, ALIKE)) for m in found[1:]]
    have = {match.signal for match in found}
    return tuple((surer + [m for m in _alike(parts, unit) if m.signal not in have])[:5])


def _doubted(match: Match, why: str) -> Match:
    return Match(match.signal, ALIKE, f"{match.why}, {why}")


_ORDINARY = {"LAMBDA"}
"""Acronyms that are words of the trade, too, for something else: only in capitals."""


def _whole(parts: Header) -> list[Match]:
    """Signals that this is the whole name of."""
    acronym = parts.bare.upper()
    if acronym in table() and (acronym not in _ORDINARY or acronym == parts.bare):
        return [_noted(Match(acronym, 1.0, "is the standard's acronym"), parts)]
    named = _names_of(parts.words)
    if named:
        return [Match(a, SURE_NAME, f"reads as '{phrase}'") for a, phrase in named]
    named = _names_of(words_of(parts.bare)) if parts.notes else ()
    return [_noted(Match(a, SURE_NAME, f"reads as '{phrase}'"), parts) for a, phrase in named]


def _noted(match: Match, parts: Header) -> Match:
    """Doubted where brackets hold what is neither a unit nor another name of the same signal."""
    for note in parts.notes:
        same = match.signal in {acronym for acronym, _ in _names_of(words_of(note))}
        pid = re.fullmatch(r"(?:pid *)?(?:0x|01 ?)?([0-9a-f]{2})", note.lower())
        if pid and int(pid[1], 16) == table().by_acronym(match.signal).pid:
            same = True
        if not same and note.upper() != match.signal and words_of(note):
            return _doubted(match, f"but '{note}' behind it is not a unit that is known")
    return match


def _in_unit(whole: list[Match], unit: str | None) -> list[Match]:
    """Those that can have that unit, or else their siblings that can: `O2S11` in mA is
    `O2S11_34`. With each come its siblings of the same unit."""
    fitting = [match for match in whole if fits(match.signal, unit)]
    out = {match.signal: match for match in fitting}
    for match in fitting or whole:
        standard = table().by_acronym(match.signal).standard
        for sibling in table().alternatives(standard):
            if sibling.acronym not in out and fits(sibling.acronym, unit):
                out[sibling.acronym] = replace(match, signal=sibling.acronym)
    return list(out.values())


def fits(acronym: str, unit: str | None) -> bool:
    """Whether numbers in a unit (None, ``: in none) can be those of a signal."""
    return not unit or acronym not in table() or compatible(unit, table().by_acronym(acronym).unit)


# --- what is only alike ---


def _alike(parts: Header, unit: str | None) -> list[Match]:
    """Signals whose names are at least half alike, likeliest first; never sure."""
    words = _set_of(parts.words)
    best: dict[str, tuple[float, str]] = {}
    places = {place for word in words for place in _places_of_word().get(word, ())}
    for acronym, phrase_words, phrase in (_phrases()[place] for place in sorted(places)):
        score = _likeness(words, phrase_words)
        if score >= _HALF and score > best.get(acronym, (0.0, ""))[0]:
            best[acronym] = (score, phrase)
    ranked = sorted(best.items(), key=lambda item: (-item[1][0], item[0]))
    return [
        Match(acronym, ALIKE * score, f"is only like '{phrase}'")
        for acronym, (score, phrase) in ranked
        if fits(acronym, unit)
    ][:5]


_HALF = 0.5


def _likeness(a: Words, b: Words) -> float:
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
def _marks(words: Words) -> Words:
    return frozenset(w for w in words if w[-1].isdigit() or len(w) == 1 or w in _OTHER_QUANTITY)


_FIRST = {"1", "bank1", "sensor1"}
"""What a header may leave out: the first of something."""

_OTHER_QUANTITY = {"gps", "average", "max", "min", "maximum", "minimum", "trip", "set", "desired"}
"""Words that make it another quantity than the ECU's present one."""
