"""Which source a link URL means: a scheme of capture's own, or a link to a car."""

from __future__ import annotations

from collections.abc import Callable

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.car import PolledSource
from logbench.capture.sources.model import Source
from logbench.vehicle.links.schemes import scheme_name

SourceMaker = Callable[[CaptureRequest], Source]
"""Makes the source inside the capture process; must be picklable."""


def _simulated(request: CaptureRequest) -> Source:
    from logbench.capture.sources.simulated import SimulatedSource

    return SimulatedSource(request)


def _replay(request: CaptureRequest) -> Source:
    from logbench.capture.sources.replay import ReplaySource

    return ReplaySource(request)


OWN: dict[str, SourceMaker] = {"sim": _simulated, "replay": _replay}
"""What makes the source of the URL schemes that are not a link to a car."""


def make_source(request: CaptureRequest) -> Source:
    """The source for the request's link URL, not open yet.

    Raises `LinkUnknownError` for a URL that is not understood, here or when it is opened.
    """
    own = OWN.get(scheme_name(request.link_url))
    return PolledSource(request, request.link_url) if own is None else own(request)
