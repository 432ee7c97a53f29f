"""Each package of an extra: where it is not installed, one sentence says which extra brings it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from docs.make_licenses import EXTRAS
from logbench.app.preflight import require_window
from logbench.archive.store import open_store
from logbench.archive.sweep import _results
from logbench.errors import LogbenchError
from logbench.importing.can_frames import frames_of
from logbench.importing.model import Report
from logbench.simulator.wires import PythonCanWire
from logbench.system import extras
from logbench.vehicle.links.ble import scan
from logbench.vehicle.links.schemes import SCHEMES


def _asc_log(tmp_path: Path) -> object:
    log = tmp_path / "drive.asc"
    log.write_text("date Mon Jan 1 00:00:00 2026\n", "utf-8")
    return list(frames_of(log, Report()))


NEEDS: dict[str, tuple[str, str, Callable[[Path], object]]] = {
    "the window": ("PySide6", "window", lambda _: require_window()),
    "its plots": ("pyqtgraph", "window", lambda _: require_window()),
    "a link": ("can", "can", lambda _: SCHEMES["can"].link("can:virtual/0", None).connect()),
    "a simulated bus": ("can", "can", lambda _: PythonCanWire("virtual", "0")),
    "a log of CAN frames": ("can", "can", _asc_log),
    "a scan": ("bleak", "ble", lambda _: scan(lambda found, share: None)),
    "an odd object store": ("fsspec", "cluster", lambda _: open_store("odd://there")),
    "a sweep": ("distributed", "cluster", lambda _: list(_results(None, "", [[]], None, 2))),
}


@pytest.mark.parametrize("who", NEEDS)
def test_what_lacks_is_said_with_the_extra_that_brings_it(
    who: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    package, extra, use = NEEDS[who]
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(LogbenchError) as raised:
        use(tmp_path)
    command = f'{sys.executable} -m pip install "logbench[{extra}]"'
    assert f"not installed: {command}." in str(raised.value)
    assert raised.value.exit_code == 3


@pytest.mark.parametrize(("python", "pip"), [("/a b/python", True), ("/x/python", False)])
def test_without_a_pip_that_can_be_named_it_is_anyones(
    python: str, pip: bool, monkeypatch: pytest.MonkeyPatch
):
    """A path with a space is a string of its own in some shells, and a tool's environment may have
    no pip."""
    monkeypatch.setattr(sys, "executable", python)
    monkeypatch.setattr(extras, "find_spec", lambda _: object() if pip else None)
    assert extras.lacks("It", "x", "can").endswith(': pip install "logbench[can]".')


def test_every_extra_is_tried():
    assert {extra for _, extra, _ in NEEDS.values()} == set(EXTRAS)
