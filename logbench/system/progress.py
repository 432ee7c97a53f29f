"""How far a long piece of work is: it tells, and whoever listens may end it.

What it makes stands under a temporary name until it is whole (`recording/storage.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")
Told = Callable[[float], object]
"""Told the share done, 0 to 1. What it raises ends the work, which leaves nothing half; 1 is told
when all is written, before it gets its name."""
_EVERY = 10_000


def untold(share: float) -> None:
    """For whoever does not care."""


def within(told: Told, begin: float, end: float) -> Told:
    """For a part of the work, from one share of the whole to another."""
    return lambda share: told(begin + (end - begin) * share)


def counted(items: Iterable[T], about: int, told: Told, every: int = _EVERY) -> Iterator[T]:
    """The items, and how far they are told now and then; `about`: so many there will be."""
    for number, item in enumerate(items):
        if number and number % every == 0:
            told(min(1.0, number / max(1, about)))
        yield item
