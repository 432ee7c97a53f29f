"""One module a link; each supplies only what differs.

To add one: a module named like its URL scheme, with `OPTIONS` (legal keys after `?`) and
`make(url, progress)`, and its row in `FORMS`.
"""

from __future__ import annotations

from importlib import import_module

from logbench.errors import LinkUnknownError
from logbench.vehicle.link import Link
from logbench.vehicle.links.url import parse_url
from logbench.vehicle.model import Progress

FORMS = {
    "tcp": "tcp://HOST:PORT",
    "serial": "serial:PORT?baud=N",
    "can": "can:INTERFACE/CHANNEL?bitrate=N",
    "ble": "ble:ADDRESS",
}
"""URL scheme, which is also the module in this folder, and how such a URL is written."""


def open_link(url: str, progress: Progress | None = None) -> Link:
    """The link of a URL, not connected yet: call `connect()` or use it in a `with` statement.

    `progress` is told one sentence per step while connecting. Raises LinkUnknownError, which names
    the legal kinds or options. `sim:` is not a link of its own: whoever starts the simulated car
    opens the `tcp://` address it serves.
    """
    scheme = url.strip().partition(":")[0].lower()
    if scheme == "sim":
        raise LinkUnknownError(
            "A sim: link is the simulated car, which must be started first: use "
            "`logbench record --link sim:` or `logbench demo`."
        )
    if scheme not in FORMS:
        legal = ", ".join((*FORMS.values(), "sim:"))
        raise LinkUnknownError(f"The link {url!r} is of no known kind: use one of {legal}.")
    module = import_module(f"{__name__}.{scheme}")
    parsed = parse_url(url, FORMS[scheme], module.OPTIONS)
    link = module.make(parsed, progress)
    assert isinstance(link, Link)
    return link
