"""The ways to a car that can be offered, and what a typed one means."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logbench.errors import LinkUnknownError
from logbench.words import tr

SIMULATED = "sim:?schedule=test-drive"
ASK_REPLAY = "replay:"
"""Stands for a recording that is still to be picked."""
ASK_BLE = "ble:"
"""Stands for a Bluetooth adapter that is still to be found."""
ASKS = (ASK_REPLAY, ASK_BLE)
USUAL_WIFI = "tcp://192.168.0.10:35000"
"""Where most adapters with a network of their own listen (common practice, no source)."""
_SCHEMES = ("tcp://", "serial:", "sim:", "can:", "ble:", "replay:")
_BLUETOOTH = re.compile(r"([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_ADDRESS = re.compile(r"(?P<host>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})")
_PORT_NAME = re.compile(r"(COM\d+|/dev/\S+)")


@dataclass(frozen=True, slots=True)
class LinkChoice:
    """One entry of the list of links."""

    url: str
    title: str


def link_choices(used: Sequence[str] = (), *, replay: bool = False) -> list[LinkChoice]:
    """The last used first, then serial ports that are there, the simulated car, the usual address
    of adapters with a network of their own and, with `replay`, a Bluetooth adapter to be found and
    a recording to be picked. No title stands for two links."""
    choices: list[LinkChoice] = []
    for url in used:
        if replay or not _is_replay(url):
            taken = title_of(url) in {c.title for c in choices}
            choices.append(LinkChoice(url, url if taken else title_of(url)))
    choices += [c for c in serial_choices() if c.url not in used]
    if not any(c.url.startswith("sim:") for c in choices):
        choices.append(LinkChoice(SIMULATED, title_of(SIMULATED)))
    if USUAL_WIFI not in used:
        choices.append(
            LinkChoice(
                USUAL_WIFI,
                tr("{link}  usual for Wi-Fi adapters", link=title_of(USUAL_WIFI)),
            )
        )
    if replay:
        choices.append(LinkChoice(ASK_BLE, tr("Look for Bluetooth adapters …")))
        choices.append(LinkChoice(ASK_REPLAY, tr("Replay a recording …")))
    return choices


def _is_replay(url: str) -> bool:
    return url.startswith(ASK_REPLAY)


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
        return tr("Simulated car") if url == SIMULATED else tr("Simulated car  {url}", url=url)
    if _is_replay(url):
        name, _, options = url.removeprefix(ASK_REPLAY).partition("?")
        return tr(
            "Replay {name}  {speed}",
            name=Path(name).name,
            speed=options.replace("speed=", "× "),
        ).rstrip()
    if url.startswith("ble:"):
        return tr("Bluetooth {address}", address=url.removeprefix("ble:"))
    return url.removeprefix("tcp://").removeprefix("serial:")


def link_url_of(text: str) -> str:
    """The URL that a typed text means: a URL as it is, `host:port`, or a port's name.

    Raises `LinkUnknownError` with the forms that are understood.
    """
    text = text.strip()
    if text.startswith(_SCHEMES) and text not in ASKS:
        return text
    if _BLUETOOTH.fullmatch(text):
        return f"ble:{text}"
    if _PORT_NAME.fullmatch(text):
        return f"serial:{text}"
    match = _ADDRESS.fullmatch(text)
    if match and 0 < int(match["port"]) <= 65_535:
        return f"tcp://{text}"
    shown = f"'{text}'" if text else tr("An empty field")
    raise LinkUnknownError(
        tr(
            "{shown} is no link: pick one from the list, or type a network address such as "
            "192.168.0.10:35000, a Bluetooth address such as 11:22:33:AA:BB:CC, a port "
            "such as COM3 or /dev/ttyUSB0, or sim: for the simulated car.",
            shown=shown,
        )
    )
