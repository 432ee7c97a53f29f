"""The adapter's settings and the commands that change them, in the adapter's command language."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from logbench.simulator.protocols import PROTOCOLS

IDENTITY = "OBD interface v1.0"
DESCRIPTION = "OBD to serial interface"

DEFAULT_TIMEOUT_4MS = 0x32
"""200 ms."""

OK = "OK"
UNKNOWN = "?"


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a reset restores."""

    echo: bool = True
    linefeeds: bool = True
    spaces: bool = True
    headers: bool = False
    responses: bool = True
    """Whether replies are waited for at all."""
    adaptive: int = 1
    """0: the set timeout always; 1 and 2: a shorter one, learned from the replies."""
    timeout_4ms: int = DEFAULT_TIMEOUT_4MS
    auto_protocol: bool = True
    protocol: str = "0"
    """Number of the protocol in use; '0' while none is found."""
    can_format: bool = True
    """Length bytes added to requests and taken off replies, messages put together."""
    show_length: bool = False
    flow_control: bool = True
    flow_mode: int = 0
    flow_header: str = ""
    flow_data: bytes = b"\x30\x00\x00"
    header: str = ""
    """Request header in hex as set; '' for the protocol's own."""
    priority: str = "18"
    receive: str = ""
    """Identifier to let through in hex, X for any digit; '' for the usual replies."""
    filter_id: str = ""
    filter_mask: str = ""


Change = Callable[[Settings, str], Settings]


def _flag(name: str) -> Change:
    def apply(settings: Settings, argument: str) -> Settings:
        chosen: dict[str, Any] = {name: argument == "1"}
        return replace(settings, **chosen)

    return apply


def _protocol(settings: Settings, argument: str) -> Settings:
    """`SP`/`TP`: a number, 'A' in front to fall back on searching; 0 to search."""
    auto = argument.startswith("A") and len(argument) == 2
    number = argument[-1]
    return replace(
        settings, auto_protocol=auto or number == "0", protocol=number, header="", receive=""
    )


_CHANGES: tuple[tuple[str, Change], ...] = (
    ("E([01])", _flag("echo")),
    ("L([01])", _flag("linefeeds")),
    ("S([01])", _flag("spaces")),
    ("H([01])", _flag("headers")),
    ("R([01])", _flag("responses")),
    ("D([01])", _flag("show_length")),
    ("CAF([01])", _flag("can_format")),
    ("CFC([01])", _flag("flow_control")),
    ("AT([012])", lambda s, a: replace(s, adaptive=int(a))),
    ("ST([0-9A-F]{2})", lambda s, a: replace(s, timeout_4ms=int(a, 16) or DEFAULT_TIMEOUT_4MS)),
    ("[ST]P(A?[0-9A-C])", _protocol),
    ("SP(00)", _protocol),
    ("SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", lambda s, a: replace(s, header=a)),
    ("CP([0-9A-F]{2})", lambda s, a: replace(s, priority=a)),
    (
        "CRA([0-9A-FX]{3}|[0-9A-FX]{8}|)",
        lambda s, a: replace(s, receive=a, filter_id="", filter_mask=""),
    ),
    ("()AR", lambda s, _: replace(s, receive="", filter_id="", filter_mask="")),
    ("CF([0-9A-F]{3}|[0-9A-F]{8})", lambda s, a: replace(s, filter_id=a)),
    ("CM([0-9A-F]{3}|[0-9A-F]{8})", lambda s, a: replace(s, filter_mask=a)),
    ("FCSM([012])", lambda s, a: replace(s, flow_mode=int(a))),
    ("FCSH([0-9A-F]{3}|[0-9A-F]{8})", lambda s, a: replace(s, flow_header=a)),
    ("FCSD((?:[0-9A-F]{2}){1,5})", lambda s, a: replace(s, flow_data=bytes.fromhex(a))),
)
_WITHOUT_EFFECT = re.compile(
    "AL|NL|[VM][01]|TA[0-9A-F]{2}|JHF[01]|J[ES]|[JC]TM[15]|KW[01]|IB(10|48|96)|CSM[01]|FE"
    "|(IIA|SW|SR|BRT)[0-9A-F]{2}|WM([0-9A-F]{2}){1,6}|CEA([0-9A-F]{2})?|CV[0-9]{4}"
)
"""Settings that change nothing on a simulated bus, accepted as any adapter does."""
_COMPILED = tuple((re.compile(pattern), change) for pattern, change in _CHANGES)


def change(settings: Settings, command: str) -> Settings | None:
    """`settings` after `command` (without 'AT', no spaces, upper case); None: not such a command.

    Commands that only ask or act (identity, voltage, reset) are the adapter's own.
    """
    if _WITHOUT_EFFECT.fullmatch(command):
        return settings
    for pattern, apply in _COMPILED:
        match = pattern.fullmatch(command)
        if match:
            return apply(settings, match[1])
    return None


def describe(settings: Settings) -> str:
    """Answer to 'describe protocol': its name, 'AUTO' in front while searching is allowed."""
    if settings.protocol == "0":
        return "AUTO"
    name = PROTOCOLS[settings.protocol].name
    return f"AUTO, {name}" if settings.auto_protocol else name
