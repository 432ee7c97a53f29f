"""Looking through folders that others filled: bounded, links to folders never followed."""

from __future__ import annotations

import heapq
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from logbench.system import limits


@dataclass(slots=True)
class Room:
    """How many names may still be looked at, in a folder and all below it."""

    left: int = field(default_factory=lambda: limits.FOLDER_FILES)
    exceeded: bool = False
    """There were more."""

    def names_in(self, folder: str | os.PathLike[str]) -> list[os.DirEntry[str]]:
        """What is in a folder, in order of names, as far as there is room. Raises `OSError`."""
        with os.scandir(folder) as scan:
            found = list(islice(scan, self.left))
            self.exceeded |= next(scan, None) is not None
        self.left -= len(found)
        return sorted(found, key=lambda entry: entry.name)


class FolderTooLargeError(ValueError):
    """A folder holds more than is looked at; its text is a sentence."""


def files_below(folder: Path) -> Iterator[Path]:
    """The ordinary files in a folder and below it, in order of names; a folder that may not be read
    is passed over. Raises `FolderTooLargeError` at the end where there was more than this."""
    room = Room()
    too_deep: list[str] = []
    yield from _below(folder, room, 0, too_deep)
    if room.exceeded:
        raise FolderTooLargeError(
            f"{folder} and what lies below it hold more than {limits.FOLDER_FILES:,} names: choose "
            "a smaller folder."
        )
    if too_deep:
        raise FolderTooLargeError(
            f"{too_deep[0]} lies more than {limits.FOLDER_DEPTH} folders deep: choose it by itself."
        )


def _below(folder: Path, room: Room, depth: int, too_deep: list[str]) -> Iterator[Path]:
    if depth > limits.FOLDER_DEPTH:
        too_deep.append(str(folder))
        return
    try:
        found = room.names_in(folder)
    except OSError:
        return
    for entry in found:
        if entry.is_dir(follow_symlinks=False):
            yield from _below(folder / entry.name, room, depth + 1, too_deep)
        elif is_file(entry):
            yield folder / entry.name


def is_file(entry: os.DirEntry[str]) -> bool:
    """Whether it is an ordinary file, or a link to one; a link in a circle is none."""
    try:
        return entry.is_file()
    except OSError:
        return False


def newest_files(folder: Path, suffix: str, most: int) -> list[Path]:
    """The ordinary files of a folder with that ending that were written last, the newest first;
    none where it cannot be read."""
    dated: list[tuple[float, str]] = []
    try:
        for entry in Room().names_in(folder):
            if entry.name.endswith(suffix) and is_file(entry):
                dated.append((entry.stat().st_mtime, entry.name))
    except OSError:
        return []
    return [folder / name for _, name in heapq.nlargest(most, dated)]
