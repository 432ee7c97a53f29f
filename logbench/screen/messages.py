"""What crosses between the window and the process that serves the second screen.

No message holds a VIN, a name, a path or the text of a note: what is not sent cannot be read.
Times are seconds on the recording's clock; a value of None is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Point = tuple[float, float | None]
"""Time and value."""
Cell = tuple[float | None, str, bool]
"""A value in the window's units, as the window writes it, and whether it is live."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Where the page is served, and for whom."""

    host: str
    """The one address that is listened on."""
    network: str
    """Whoever asks from outside it gets nothing: 127.0.0.0/8, 192.168.1.0/24."""
    token: str
    """Random; a part of the page's address."""
    words: Mapping[str, str]
    """The page's own words in the user's language."""
    port: int = 0
    """0: one that is free."""


@dataclass(frozen=True, slots=True)
class Row:
    """A signal with its last minutes."""

    name: str
    title: str
    history: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """What is shown from now on, in this order, instead of what was shown."""

    rows: tuple[Row, ...]
    marks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Values:
    """Newest values, one for each row."""

    t_s: float
    state: str
    """In words: it records, waits for the car, saves."""
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Marks:
    """Times of all markers so far."""

    times_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class End:
    """The recording is over: screens are told so, and nothing is served any more."""


@dataclass(frozen=True, slots=True)
class Ready:
    """The page is served, at this port."""

    port: int


@dataclass(frozen=True, slots=True)
class Screens:
    """So many screens look; `joined`: one more, which has seen nothing so far."""

    count: int
    joined: bool


@dataclass(frozen=True, slots=True)
class MarkWanted:
    """Somebody pressed the marker on a screen."""


@dataclass(frozen=True, slots=True)
class NotServed:
    """The page cannot be served, or is not any more, for this reason."""

    sentence: str


Sent = Rows | Values | Marks | End
"""To the process that serves."""
Told = Ready | Screens | MarkWanted | NotServed
"""From it."""
