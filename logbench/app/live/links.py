"""The ways to a car that can be offered, and what a typed one means."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from logbench.errors import LinkUnknownError

SIMULATED = "sim:?schedule=test-drive"
_SCHEMES = ("tcp://", "serial:", "sim:", "can:", "replay:")
_ADDRESS = re.compile(r"(?P<host>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})")
_PORT_NAME = re.compile(r"(COM\d+|/dev/\S+)")


@dataclass(frozen=True, slots=True)
class LinkChoice:
    """One entry of the list of links."""

    url: str
    title: str


def link_choices(used: Sequence[str] = ()) -> list[LinkChoice]:
    """The last used first, then serial ports that are there, then the simulated car."""
    choices = [LinkChoice(url, title_of(url)) for url in used]
    choices += [c for c in serial_choices() if c.url not in used]
    if not any(c.url.startswith("sim:") for c in choices):
        choices.append(LinkChoice(SIMULATED, title_of(SIMULATED)))
    return choices


def serial_choices() -> list[LinkChoice]:
    """Serial ports of this machine that have hardware behind them."""
    from serial.tools.list_ports import comports

    return [
        LinkChoice(f"serial:{port.device}", f"{port.device}  {port.description or ''}".strip())
        for port in sorted(comports(), key=lambda p: str(p.device))
        if port.hwid not in (None, "n/a")
    ]


def title_of(url: str) -> str:
    """A link's URL as it is shown."""
    if url.startswith("sim:"):
        return "Simulated car" if url == SIMULATED else f"Simulated car  {url}"
    return url.removeprefix("tcp://").removeprefix("serial:")


def link_url_of(text: str) -> str:
    """The URL that a typed text means: a URL as it is, `host:port`, or a port's name.

    Raises `LinkUnknownError` with the forms that are understood.
    """
    text = text.strip()
    if text.startswith(_SCHEMES):
        return text
    if _PORT_NAME.fullmatch(text):
        return f"serial:{text}"
    match = _ADDRESS.fullmatch(text)
    if match and 0 < int(match["port"]) <= 65_535:
        return f"tcp://{text}"
    shown = f"'{text}'" if text else "An empty field"
    raise LinkUnknownError(
        f"{shown} is no link: pick one from the list, or type a network address such as "
        "192.168.0.10:35000, a port such as COM3 or /dev/ttyUSB0, or sim: for the simulated car."
    )
