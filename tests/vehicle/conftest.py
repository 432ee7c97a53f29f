"""What the tests of the way to the car share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from logbench.simulator.timing import Timing
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.records.model import CarReading
from tests.serving import serve_tcp
from tests.still import StillCar

QUICK = Timing(latency_ms=1.0, command_ms=0.5, reset_ms=20.0)
"""A fast car and adapter, so that tests need not wait."""


@pytest.fixture
def simulated() -> Iterator[Callable[..., Link]]:
    """Makes a link to a simulated car on a real socket, not connected yet."""
    with ExitStack() as stack:

        def make(car: StillCar | None = None, said: list[str] | None = None, **how) -> Link:
            how.setdefault("timing", QUICK)
            url = stack.enter_context(serve_tcp(car or StillCar(), **how))
            link = open_link(url, None if said is None else said.append)
            return stack.enter_context(closing(link))

        yield make


@pytest.fixture
def save(tmp_path) -> Callable[[CarReading], Path]:
    """Keeps the reading before a change."""

    def keep(reading: CarReading) -> Path:
        path = tmp_path / "before.json"
        path.write_text(reading.model_dump_json(), encoding="utf-8")
        return path

    return keep
