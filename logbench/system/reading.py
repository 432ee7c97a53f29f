"""Opening what others made: only ordinary files, never more than a limit, no endless nesting."""

from __future__ import annotations

import errno
import gzip
import io
import json
import os
import re
import stat
import tomllib
import zlib
from pathlib import Path
from typing import Any, BinaryIO

from logbench.system import limits
from logbench.system.platforms import BINARY, NOT_WAITING

_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_LONG_KEY = re.compile(
    rf"(?:^|[\n{{,\[])[ \t]*{_PART}(?:[ \t]*\.[ \t]*{_PART}){{{limits.DOCUMENT_DEPTH}}}"
)
"""A dotted key of TOML with too many parts; the parser's time goes by their square."""


def open_plain(path: Path) -> BinaryIO:
    """An ordinary file for reading, links followed. Raises `OSError`, also for what is no ordinary
    file: a pipe would wait for ever, a device never end."""
    flags = os.O_RDONLY | NOT_WAITING | BINARY
    fd = _opened(path, flags)
    try:
        _check_kind(os.fstat(fd), path)
        return os.fdopen(fd, "rb")
    except BaseException:
        os.close(fd)
        raise


def _opened(path: Path, flags: int) -> int:
    try:
        return os.open(path, flags)
    except OSError as error:
        if error.errno in {errno.ENXIO, errno.ENODEV}:  # a socket, a device that is not there
            raise _no_file(path) from error
        raise


def _no_file(path: Path) -> OSError:
    return OSError(errno.EINVAL, "it is not an ordinary file", str(path))


def check_plain(path: Path) -> int:
    """The size of an ordinary file, for readers that open it themselves. Raises `OSError`."""
    info = path.stat()
    _check_kind(info, path)
    return info.st_size


def _check_kind(info: os.stat_result, path: Path) -> None:
    if stat.S_ISDIR(info.st_mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(info.st_mode):
        raise _no_file(path)


def read_plain(path: Path, most_bytes: int) -> bytes:
    """A whole ordinary file. Raises `OSError`; `ValueError` for one that is longer."""
    with open_plain(path) as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise ValueError(f"it is longer than {most_bytes / 1e6:g} MB")
    return data


def read_packed(path: Path, most_bytes: int) -> bytes:
    """As `read_plain`; of a file packed as gzip (RFC 1952) what is in it."""
    data = read_plain(path, most_bytes)
    if not data.startswith(b"\x1f\x8b"):
        return data
    try:
        with gzip.open(io.BytesIO(data)) as file:
            data = file.read(most_bytes + 1)
    except (EOFError, OSError, zlib.error) as error:
        raise OSError(errno.EIO, "it is packed, and damaged or cut short") from error
    if len(data) > most_bytes:
        raise ValueError(f"unpacked it is longer than {most_bytes / 1e6:g} MB")
    return data


def json_of(data: bytes | str) -> Any:
    """What a JSON document holds. Raises `ValueError`, also where it is nested too deeply."""
    try:
        return _shallow(json.loads(data))
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def toml_of(data: bytes) -> dict[str, Any]:
    """What a TOML document holds. Raises `ValueError`, also where it is nested too deeply."""
    if sum(map(data.count, (b"\n", b",", b"="))) > limits.TOML_MARKS:
        raise ValueError(f"it has more than {limits.TOML_MARKS:,} values")
    text = data.decode("utf-8-sig")
    if _LONG_KEY.search(text):
        raise ValueError(f"a key has more than {limits.DOCUMENT_DEPTH} parts")
    try:
        found: dict[str, Any] = _shallow(tomllib.loads(text))
        return found
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def _shallow(document: Any) -> Any:
    """The same; `ValueError` where it is nested too deeply or has an absurd number."""
    level = [document]
    for _ in range(limits.DOCUMENT_DEPTH):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                below += value.values()
            elif isinstance(value, list):
                below += value
            elif isinstance(value, int) and value.bit_length() > _MOST_BITS:
                raise ValueError(f"a number has more than {limits.DOCUMENT_DIGITS} digits")
        level = below
        if not level:
            return document
    raise ValueError("it is nested too deeply")


_MOST_BITS = round(limits.DOCUMENT_DIGITS * 3.33)
