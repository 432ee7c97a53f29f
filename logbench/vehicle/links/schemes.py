"""Every way to a car: the one table of URL schemes, for core, command line and window.

A link is a URL such as `tcp://HOST:PORT`. To add a kind: its module in this folder and its row in
`SCHEMES`; opening, help, the list of links and what a typed text means follow.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import parse_qsl

from logbench.errors import LinkUnknownError
from logbench.system.extras import lacks
from logbench.words import tr


@dataclass(frozen=True, slots=True)
class LinkUrl:
    """A link's URL in parts: what follows the scheme, and the options after `?`."""

    text: str
    place: str
    options: Mapping[str, str] = field(default_factory=dict)

    def whole_number(self, key: str, low: int, high: int) -> int | None:
        """Option `key` as a whole number from `low` to `high`; None when it was left out."""
        text = self.options.get(key)
        if text is None:
            return None
        if not text.isascii() or not text.isdigit() or not low <= int(text) <= high:
            raise self._wrong(key, f"a whole number from {low} to {high}")
        return int(text)

    def one_of(self, key: str, legal: Collection[str]) -> str | None:
        """Option `key`, which must be one of `legal`; None when it was left out."""
        text = self.options.get(key)
        if text is not None and text.upper() not in legal:
            raise self._wrong(key, f"one of {', '.join(legal)}")
        return text and text.upper()

    def _wrong(self, key: str, legal: str) -> LinkUnknownError:
        given = self.options[key]
        return LinkUnknownError(f"In the link {self.text}, {key} is {given!r}: give {legal}.")


def parse_url(text: str, form: str, options: frozenset[str]) -> LinkUrl:
    """Split `text`. `form`: how such a link is written, for messages; `options`: legal keys.

    Raises LinkUnknownError naming the legal ones.
    """
    scheme, _, rest = text.strip().partition(":")
    place, _, query = rest.partition("?")
    place = place.removeprefix("//")
    if not place:
        raise LinkUnknownError(f"The link {text!r} names no place: write {form}.")
    try:
        pairs = dict(parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query)))
    except ValueError:
        raise LinkUnknownError(
            f"The part after '?' of the link {text!r} is not KEY=VALUE: write {form}."
        ) from None
    for key in pairs:
        if key not in options:
            known = ", ".join(sorted(options)) or "none"
            raise LinkUnknownError(
                f"The link {text!r} has the unknown option {key!r}: {scheme} knows {known}."
            )
    return LinkUrl(text, place, pairs)


if TYPE_CHECKING:
    from logbench.vehicle.link import Link
    from logbench.vehicle.model import Progress

SIMULATED = "sim:?schedule=test-drive"
USUAL_WIFI = "tcp://192.168.0.10:35000"
"""Where most adapters with a network of their own listen (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LinkChoice:
    """One entry of a list of links."""

    url: str
    title: str


@dataclass(frozen=True, slots=True)
class Scheme:
    """One kind of link."""

    name: str
    """For links to a car also its module in this folder, which has
    `OPTIONS` (legal keys after `?`) and its class, named like `TcpLink(url, progress)`."""
    title: str
    form: str
    """How such a URL is written."""
    example: str
    """What a user may type."""
    leads_to: Literal["car", "simulated car", "recording"] = "car"
    package: str = ""
    """What it needs beyond a plain installation, which the extra of its own name installs."""
    extra: str = ""
    is_typed: Callable[[str], object] = lambda _: False
    """Whether a text without scheme means such a link."""
    shown: Callable[[str], str] = str
    """What follows the scheme, as it is shown; `str` shows the whole URL."""
    devices: Callable[[], Iterable[LinkChoice]] = tuple
    """Links of this kind that can be offered at once."""
    asks: str = ""
    """An entry that asks the user for more than a text; its URL is the scheme alone."""

    @property
    def start(self) -> str:
        """What its URLs begin with: `tcp://`, `serial:`."""
        return f"{self.name}://" if "://" in self.form else f"{self.name}:"

    @property
    def question(self) -> LinkChoice:
        """That entry."""
        return LinkChoice(f"{self.name}:", self.asks)

    def link(self, url: str, progress: Progress | None) -> Link:
        """A link of this kind, by its module. Raises LinkUnknownError."""
        module = import_module(f"logbench.vehicle.links.{self.name}")
        make: Callable[[LinkUrl, Progress | None], Link]
        make = getattr(module, f"{self.name.title()}Link")
        return make(parse_url(url, self.form, module.OPTIONS), progress)

    def lacking(self) -> LinkUnknownError:
        """What to raise where its package is not installed."""
        return LinkUnknownError(lacks(f"A {self.name}: link", self.package, self.extra))


def _serial_ports() -> list[LinkChoice]:
    """Serial ports of this machine that have hardware behind them."""
    from serial.tools.list_ports import comports

    return [
        LinkChoice(f"serial:{port.device}", f"{port.device}  {port.description or ''}".strip())
        for port in sorted(comports(), key=lambda p: _in_order(str(p.device)))
        if port.hwid not in (None, "n/a")
    ]


def _in_order(port: str) -> list[str]:
    """COM3 before COM10."""
    return [part.rjust(9, "0") if part.isdigit() else part for part in re.split(r"(\d+)", port)]


def _is_network_address(text: str) -> bool:
    match = re.fullmatch(r"([A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})", text)
    return match is not None and 0 < int(match["port"]) <= 65_535


def _simulated_title(rest: str) -> str:
    url = f"sim:{rest}"
    return tr("Simulated car") if url == SIMULATED else tr("Simulated car  {url}", url=url)


def _replay_title(rest: str) -> str:
    name, _, options = rest.partition("?")
    speed = options.replace("speed=", "× ")
    return tr("Replay {name}  {speed}", name=Path(name).name, speed=speed).rstrip()


SCHEMES: dict[str, Scheme] = {
    scheme.name: scheme
    for scheme in (
        Scheme(
            "serial",
            tr("Serial port"),
            form="serial:PORT?baud=N",
            example="COM3",
            is_typed=re.compile(r"(?i:COM)\d+|\\\\\.\\\S+|/dev/\S+").fullmatch,
            shown=lambda rest: rest,
            devices=_serial_ports,
        ),
        Scheme(
            "sim",
            tr("Simulated car"),
            form="sim:?schedule=NAME&fault=NAME:SEVERITY&speed=N",
            example="sim:",
            leads_to="simulated car",
            shown=_simulated_title,
            devices=lambda: [LinkChoice(SIMULATED, title_of(SIMULATED))],
        ),
        Scheme(
            "tcp",
            tr("Network address"),
            form="tcp://HOST:PORT",
            example="192.168.0.10:35000",
            is_typed=_is_network_address,
            shown=lambda rest: rest.removeprefix("//"),
            devices=lambda: [
                LinkChoice(
                    USUAL_WIFI,
                    tr("{link}  usual for Wi-Fi adapters", link=title_of(USUAL_WIFI)),
                )
            ],
        ),
        Scheme(
            "can",
            tr("CAN interface"),
            form="can:INTERFACE/CHANNEL?bitrate=N",
            example="can:socketcan/can0",
            package="python-can",
            extra="can",
        ),
        Scheme(
            "ble",
            tr("Bluetooth address"),
            form="ble:ADDRESS",
            example="11:22:33:AA:BB:CC",
            package="bleak",
            extra="ble",
            is_typed=re.compile(r"([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}").fullmatch,
            shown=lambda rest: tr("Bluetooth {address}", address=rest),
            asks=tr("Look for Bluetooth adapters …"),
        ),
        Scheme(
            "replay",
            tr("Recording to replay"),
            form="replay:FILE?speed=N",
            example="replay:drive.parquet",
            leads_to="recording",
            shown=_replay_title,
            asks=tr("Replay a recording …"),
        ),
    )
}


def scheme_name(url: str) -> str:
    """What stands before the colon of a URL."""
    return url.strip().partition(":")[0].lower()


def scheme_of(url: str) -> Scheme | None:
    """The kind of a link; None for no known one."""
    return SCHEMES.get(scheme_name(url))


def leads_to(url: str) -> str:
    """What is at the other end: "car" unless it is known to be something else."""
    scheme = scheme_of(url)
    return "car" if scheme is None else scheme.leads_to


def title_of(url: str) -> str:
    """A link's URL as it is shown."""
    scheme = scheme_of(url)
    if scheme is None or scheme.shown is str:
        return url
    return scheme.shown(url.strip().partition(":")[2])


def forms(*, replay: bool = False) -> str:
    """How the URLs of all kinds are written; with `replay` that of a recording, too."""
    return ", ".join(s.form for s in _offered(replay))


def open_link(url: str, progress: Progress | None = None) -> Link:
    """The link of a URL, not connected yet: call `connect()` or use it in a `with` statement.

    `progress` gets one sentence per step while connecting. Raises LinkUnknownError, which names
    the legal kinds or options. `sim:` and `replay:` are not opened here: whoever starts the
    simulated car opens the `tcp://` address it serves, and a recording has no car to be asked.
    """
    scheme = scheme_of(url)
    if scheme is None:
        raise LinkUnknownError(f"The link {url!r} is of no known kind: use one of {forms()}.")
    if scheme.leads_to != "car":
        raise LinkUnknownError(
            f"The link {url!r} leads to a {scheme.leads_to}: use it for `logbench record`."
        )
    return scheme.link(url, progress)


def link_choices(used: Sequence[str] = (), *, replay: bool = False) -> list[LinkChoice]:
    """The last used first, then what each kind of link can offer at once and, with `replay`,
    questions: a Bluetooth adapter to be found, a recording to be picked.

    No title stands for two links.
    """
    offered = _offered(replay)
    choices: list[LinkChoice] = []
    for url in used:
        if replay or scheme_name(url) != "replay":
            title = title_of(url)
            choices.append(LinkChoice(url, url if title in {c.title for c in choices} else title))
    simulated_used = any(scheme_name(url) == "sim" for url in used)
    for scheme in offered:
        if not (scheme.leads_to == "simulated car" and simulated_used):
            choices += [device for device in scheme.devices() if device.url not in used]
    if replay:
        choices += [scheme.question for scheme in offered if scheme.asks]
    return choices


def link_url_of(text: str) -> str:
    """The URL that a typed text means: a URL as it is, `host:port`, or a port's name.

    Raises `LinkUnknownError` with examples of what is understood.
    """
    text = text.strip()
    scheme = scheme_of(text) if ":" in text else None
    if scheme is not None and not (scheme.asks and text == scheme.question.url):
        return text
    for scheme in SCHEMES.values():
        if scheme.is_typed(text):
            return f"{scheme.start}{text}"
    shown = f"'{text}'" if text else tr("An empty field")
    raise LinkUnknownError(
        tr(
            "{shown} is not a link: choose one from the list, or type one ({examples}).",
            shown=shown,
            examples="; ".join(f"{s.title}: {s.example}" for s in SCHEMES.values()),
        )
    )


def _offered(replay: bool) -> list[Scheme]:
    return [s for s in SCHEMES.values() if replay or s.leads_to != "recording"]
