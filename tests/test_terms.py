"""Every word that a person reads: one name for one thing, spelled as in America, and known.

Outside references: the American dictionary of the Hunspell project that `spylls` carries, and
`docs/words.md`, the project's own list of terms.
"""

from __future__ import annotations

import gc
import re
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer
from babel.messages.pofile import read_po
from spylls.hunspell import Dictionary

from logbench.cli.main import app
from logbench.signals.table import table

ROOT = Path(__file__).resolve().parents[1]
BASE = ROOT / "docs/words.md"
TEMPLATE = ROOT / "logbench/locale/logbench.pot"
LISTS = {"licenses.md", "words.md"}
"""Pages of names that nobody chose, and the base itself."""
SPELLINGS = {"test_terms.py", "words.md", "spellings.toml"}
"""What other spellings are read, too."""
STEMS = (
    *(
        "litre",
        "catalogue",
        "vapour",
        "licence",
        "colour",
        "learnt",
        "burnt",
        "neighbour",
        "centre",
    ),
    *("kilometre", "grey", "tyre", "travelled", "fuelled", "judgement", "labelled", "modelled"),
    *("modelling", "behaviour", "favour", "analyse", "aluminium", "petrol", "bonnet", "spoilt"),
    *("organis", "recognis", "summaris", "normalis", "optimis", "minimis", "maximis", "initialis"),
    *("synchronis", "pressuris", "utilis", "realis"),
)
BRITISH = re.compile(
    rf"(?!analyses|petroleum|optimism|realism|pessimism|centrec)(?:{'|'.join(STEMS)})", re.I
)
KEPT = re.compile(
    r"gasoline/petrol|after_refuelling|learnt \{seed\}|\"petrol\"|`petrol`|called petrol"
    r"|\"litres?\"|[Bb]urnt,|BRITISH|REAL"
)
"""The standard's own label, keys and seeds of earlier versions, spellings that are read."""


def _rows(heading: str) -> list[list[str]]:
    part = BASE.read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def _help(command: Any, path: str) -> Iterator[tuple[str, str]]:
    yield path, f"{command.help or ''} {command.short_help or ''}"
    for parameter in command.params:
        yield path, str(getattr(parameter, "help", None) or "")
    for name, child in getattr(command, "commands", {}).items():
        yield from _help(child, f"{path} {name}")


def _prose(text: str) -> str:
    """A text without what is code in it: fences, marks, places, addresses, file names."""
    text = re.sub(r"```.*?```|<pre.*?</pre>", " ", text, flags=re.S)
    return re.sub(r"`[^`]*`|\{[^{}]*\}|https?://\S+|\]\([^)]*\)|<[^<>]*>|[\w./-]+\.\w+", " ", text)


@cache
def read_by_people() -> list[tuple[str, str]]:
    """(where, text): messages of the window and of findings, the command line's help, all pages."""
    found: list[tuple[str, str]] = []
    with TEMPLATE.open("rb") as file:
        for message in read_po(file):
            where = message.locations[0][0] if message.locations else ""
            if where != "logbench/signals":  # the standard's own names
                texts = message.id if isinstance(message.id, tuple) else (message.id,)
                # without the & of the key that opens a menu
                found += [(where, _prose(text.replace("&", ""))) for text in texts if text]
    found += [
        (where, _prose(text)) for where, text in _help(typer.main.get_command(app), "logbench")
    ]
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]
    pages += (ROOT / "logbench/app/guide").rglob("*.md")
    found += [(page.name, _prose(page.read_text(encoding="utf-8"))) for page in pages
              if page.name not in LISTS]  # fmt: skip
    return found


@pytest.mark.parametrize("term", [row[0] for row in _rows("Terms") if row[3]])
def test_one_thing_has_one_name(term: str):
    never = next(row[3] for row in _rows("Terms") if row[0] == term).split(", ")
    wrong = re.compile(rf"\b({'|'.join(map(re.escape, never))})\b", re.I)
    seen = {(where, m[0]) for where, text in read_by_people() for m in wrong.finditer(text)}
    assert not seen, f"say '{term}'"


def test_every_term_is_used():
    said = " ".join(text for _, text in read_by_people()).casefold()
    terms = [term for row in _rows("Terms") for term in row[0].split(", ")]
    assert [term for term in terms if term.casefold() not in said] == []
    assert len(terms) == len(set(terms)) > 40


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_every_word_is_known():
    american = Dictionary.from_files("en_US")
    gc.collect()  # it leaves its files to the collector, which complains
    named = set(re.findall(r"\w+", BASE.read_text(encoding="utf-8").split("## Acronyms")[1]))
    signals = {signal.acronym for signal in table()}
    seen: dict[str, str] = {}
    for where, text in read_by_people():
        for word in re.findall(r"[A-Za-z][A-Za-z'’]{2,}", text):
            seen[re.sub(r"['’]s?$", "", word).replace("’", "'")] = where
    known = (named | signals).__contains__
    unknown = {
        word: where
        for word, where in seen.items()
        if not (known(word) or known(word.lower()) or word.isupper() or american.lookup(word))
    }
    assert unknown == {}


def test_every_acronym_is_explained():
    explained = set(re.findall(r"\w+", " ".join(row[0] for row in _rows("Acronyms"))))
    signals = {signal.acronym for signal in table()}
    code = re.compile(r"[PCBU][0-9A-F]{4}|J\d+|F\d+|[A-Z]\d|E\d\d|\d+|DTC|MIL")
    with TEMPLATE.open("rb") as file:
        texts = [str(message.id) for message in read_po(file) if message.id]
    seen = {word for text in texts for word in re.findall(r"\b[A-Z][A-Z\d_]+\b", _prose(text))}
    loud = {"CHANGED"}  # said in capitals on purpose
    left = {w for w in seen - explained - signals - loud if not code.fullmatch(w)}
    assert {word for word in left if not any(s.startswith(word) for s in signals)} == set()


def test_spelling_is_american_in_code_too():
    files = subprocess.run(["git", "ls-files", "*.py", "*.md", "*.toml", "*.js", "*.css", "*.typ"],
                           capture_output=True, text=True, check=True, cwd=ROOT)  # fmt: skip
    seen: list[str] = []
    for name in files.stdout.split():
        if name.startswith("tests/data") or Path(name).name in SPELLINGS:
            continue
        text = (ROOT / name).read_text(encoding="utf-8")
        small = text.lower()
        for stem in (stem for stem in STEMS if stem in small):  # quick, and seldom true
            lines = enumerate(text.splitlines(), 1)
            seen += [f"{name}:{n}: {stem}" for n, line in lines
                     if stem in line.lower() and BRITISH.search(KEPT.sub("", line))]  # fmt: skip
    assert seen == []
