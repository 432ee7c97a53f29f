"""What the names of folders say: `year=2026/workshop=north/drive.parquet`, as columns and filters.

Such folders cut a large archive into parts that are looked through, listed and asked by themselves.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from urllib.parse import unquote

from logbench.archive.chunks import quoted
from logbench.errors import UsageError

Pair = tuple[str, str]
"""A key and its value, as the folder's name has them."""
Chosen = Mapping[str, Collection[str]]
"""By key the values of which any fits; all keys must."""

_FOLDER = re.compile(r"([A-Za-z_]\w{0,62})=(.{1,200})", re.ASCII)
_WHOLE = re.compile(r"-?\d{1,18}")
_NOTHING = "__HIVE_DEFAULT_PARTITION__"
"""How widely used writers name the folder of rows without a value."""
COLUMNS_AT_MOST = 24


def pair_of(folder: str) -> Pair | None:
    """Of the name of one folder; None for an ordinary one."""
    found = _FOLDER.fullmatch(folder)
    return (found[1], found[2]) if found else None


def pairs_of(path: str) -> dict[str, str]:
    """All that the folders of a path say; of a key that comes twice the first counts."""
    out: dict[str, str] = {}
    for folder in path.split("/")[:-1]:
        if pair := pair_of(folder):
            out.setdefault(*pair)
    return out


def chosen_of(texts: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """What `KEY=VALUE` texts choose; of one key any value fits. Raises `UsageError`."""
    out: dict[str, tuple[str, ...]] = {}
    for text in texts:
        pair = pair_of(text.strip())
        if pair is None:
            raise UsageError(f"'{text}' names no folders: write it like year=2026.")
        out[pair[0]] = (*out.get(pair[0], ()), pair[1])
    return out


def fits(folders: Mapping[str, str], chosen: Chosen, *, whole: bool = True) -> bool:
    """Whether what folders say is among what is chosen; where not `whole`, further folders may
    follow that say more."""
    for key, values in chosen.items():
        if key not in folders:
            if whole:
                return False
        elif not any(_same(folders[key], value) for value in values):
            return False
    return True


def _same(folder: str, value: str) -> bool:
    if _WHOLE.fullmatch(folder) and _WHOLE.fullmatch(value):
        return int(folder) == int(value)
    return unquote(folder) == unquote(value)


def sql_of_chosen(chosen: Chosen) -> tuple[str, list[object]]:
    """The same over the view `recordings` (as r)."""
    parts, values = [], list[object]()
    for key, wanted in chosen.items():
        folder, whole = _folder(key, "r.recording"), [v for v in wanted if _WHOLE.fullmatch(v)]
        same = [f"{folder} = ?"] * len(wanted)
        same += [f"try_cast({folder} AS BIGINT) = ?"] * len(whole)
        parts.append(f"({' OR '.join(same)})")
        values += [*map(unquote, wanted), *map(int, whole)]
    return " AND ".join(parts), values


def columns_of(pairs: Iterable[Pair], taken: Collection[str]) -> dict[str, str]:
    """Columns for the view `recordings`: their names, each with its SQL. Whole numbers where all
    values of the archive are; a name that is `taken` has `folder_` before it."""
    values: dict[str, set[str]] = {}
    for key, value in sorted(pairs):
        values.setdefault(key, set()).add(value)
    out: dict[str, str] = {}
    used = {name.lower() for name in taken}
    for key, known in values.items():
        name = f"folder_{key}" if key.lower() in used else key
        if name.lower() in used or len(out) == COLUMNS_AT_MOST:
            continue
        used.add(name.lower())
        sql = f"nullif({_folder(key, 'recording')}, {quoted(_NOTHING)})"
        if all(_WHOLE.fullmatch(value) for value in known - {_NOTHING}):
            sql = f"try_cast({sql} AS BIGINT)"
        out[name] = sql
    return out


def _folder(key: str, column: str) -> str:
    """The value that the folders of a path give a key; NULL where none does."""
    text = f"nullif(regexp_extract('/' || {column}, '/{key}=([^/]+)/', 1), '')"
    return f"coalesce(try(url_decode({text})), {text})"
