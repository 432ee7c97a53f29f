"""Which source a link URL means: a scheme of capture's own, or a link to a car."""

from __future__ import annotations

from collections.abc import Callable

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.car import PolledSource
from logbench.capture.sources.model import Source
from logbench.vehicle.links import FORMS

SourceMaker = Callable[[CaptureRequest], Source]
"""Makes the source inside the capture process; must be picklable."""


def _simulated(request: CaptureRequest) -> Source:
    from logbench.capture.sources.simulated import SimulatedSource

    return SimulatedSource(request)


def _replay(request: CaptureRequest) -> Source:
    from logbench.capture.sources.replay import ReplaySource

    return ReplaySource(request)


OWN: dict[str, tuple[str, SourceMaker]] = {
    "sim": ("sim:?schedule=NAME&fault=NAME:SEVERITY&speed=N", _simulated),
    "replay": ("replay:FILE?speed=N", _replay),
}
"""URL schemes that are no link to a car: how such a URL is written, and what makes its source."""

ALL_FORMS = FORMS | {scheme: form for scheme, (form, _) in OWN.items()}
"""Every scheme that can be recorded from, and how such a URL is written."""


def make_source(request: CaptureRequest) -> Source:
    """The source for the request's link URL, not open yet.

    Raises `LinkUnknownError` for a URL that is not understood, here or when it is opened.
    """
    scheme = request.link_url.strip().partition(":")[0].lower()
    if scheme in OWN:
        return OWN[scheme][1](request)
    return PolledSource(request, request.link_url)
