"""One module a link; each supplies only what differs. `schemes.py` has the table of all kinds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbench.errors import LinkUnknownError
from logbench.vehicle.links.schemes import forms, scheme_of
from logbench.vehicle.links.url import parse_url

if TYPE_CHECKING:
    from logbench.vehicle.link import Link
    from logbench.vehicle.model import Progress


def open_link(url: str, progress: Progress | None = None) -> Link:
    """The link of a URL, not connected yet: call `connect()` or use it in a `with` statement.

    `progress` gets one sentence per step while connecting. Raises LinkUnknownError, which names
    the legal kinds or options. `sim:` and `replay:` are not opened here: whoever starts the
    simulated car opens the `tcp://` address it serves, and a recording has no car to be asked.
    """
    from logbench.vehicle.link import Link  # `--help` only wants the forms

    scheme = scheme_of(url)
    if scheme is None:
        raise LinkUnknownError(f"The link {url!r} is of no known kind: use one of {forms()}.")
    if scheme.leads_to != "car":
        raise LinkUnknownError(
            f"The link {url!r} leads to a {scheme.leads_to}: use it for `logbench record`."
        )
    module = scheme.module()
    link = module.make(parse_url(url, scheme.form, module.OPTIONS), progress)
    assert isinstance(link, Link)
    return link
