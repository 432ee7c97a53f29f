"""A recording of an object store as a file of Python's, read in the pieces that are asked for."""

from __future__ import annotations

import io
import os
from collections.abc import Callable

Fetch = Callable[[int, int], bytes]
"""From a place in the file on, so many bytes. Raises `OSError`."""


class FarFile(io.RawIOBase):
    """Who reads Parquet asks for the last 64 kB of a file before it knows how long the footer is,
    and mostly twice. Where that is known, the footer is fetched, once; the rest of such a piece,
    which nobody looks at, is zeros."""

    def __init__(self, fetch: Fetch, size: int, footer_bytes: int = 0) -> None:
        """`footer_bytes`: the file's end with its length and mark; 0: not known."""
        self._fetch, self._size, self._at = fetch, size, 0
        self._footer_at = size - min(size, footer_bytes)
        self._footer = b""

    def readable(self) -> bool:
        """It is."""
        return True

    def seekable(self) -> bool:
        """It is."""
        return True

    def tell(self) -> int:
        """Where the next piece begins."""
        return self._at

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Nothing is fetched for it."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = base + offset
        return self._at

    def read(self, count: int | None = -1, /) -> bytes:
        """The next piece. Raises `OSError`."""
        rest = max(0, self._size - self._at)
        count = rest if count is None or count < 0 else min(count, rest)
        start, self._at = self._at, self._at + count
        if not count:
            return b""
        if self._at < self._size or self._footer_at == self._size:
            return self._fetch(start, count)
        if not self._footer:
            self._footer = self._fetch(self._footer_at, self._size - self._footer_at)
        before = max(0, self._footer_at - start)
        return bytes(before) + self._footer[max(0, start - self._footer_at) :]
