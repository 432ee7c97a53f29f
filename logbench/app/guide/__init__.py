"""The guide: pages of text and pictures, in the program without internet, and as the site that CI
makes of the same files. `pages/index.md` lists them; a list that it leads to (`checks/index.md`) is
part of it. Imports no Qt.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).resolve().parent / "pages"
FIRST = "index.md"
_ENTRY = re.compile(r"- \[([^]]+)\]\(([^)]+\.md)\)")
_PICTURE = re.compile(r"!\[[^]]*\]\([^)]*\)")


@dataclass(frozen=True, slots=True)
class Entry:
    """A page in the list: its file below `FOLDER`, its title there, and what it leads to."""

    file: str
    title: str
    parts: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True)
class Chapter:
    """Pages under one heading of the list."""

    title: str
    entries: tuple[Entry, ...]


@cache
def chapters() -> tuple[Chapter, ...]:
    """The list of pages, by its headings."""
    _, *parts = re.split(r"^## ", text_of(FIRST), flags=re.MULTILINE)
    found = ((part.partition("\n")[0].strip(), tuple(_entries(part, FIRST))) for part in parts)
    return tuple(Chapter(title, entries) for title, entries in found if entries)


def files() -> tuple[str, ...]:
    """Every page, in the order of the list, that of the list first."""
    entries = (entry for chapter in chapters() for entry in chapter.entries)
    return (FIRST, *(file for entry in entries for file in _files(entry)))


def text_of(file: str) -> str:
    """A page as Markdown."""
    return (FOLDER / file).read_text(encoding="utf-8")


def words_of(file: str) -> str:
    """A page in small letters, to search in."""
    return _PICTURE.sub("", text_of(file)).lower()


def place(link: str, page: str) -> str:
    """Where a link of a page leads, below `FOLDER`; empty where it leads out of it."""
    target = posixpath.normpath(posixpath.join(posixpath.dirname(page), link.partition("#")[0]))
    file = FOLDER / target
    return target if file.is_file() and file.resolve().is_relative_to(FOLDER) else ""


def _entries(text: str, page: str) -> Iterator[Entry]:
    for title, link in _ENTRY.findall(text):
        file = place(link, page)
        lists = posixpath.basename(file) == FIRST
        yield Entry(file, title, tuple(_entries(text_of(file), file)) if lists else ())


def _files(entry: Entry) -> Iterator[str]:
    yield entry.file
    for part in entry.parts:
        yield from _files(part)
