"""A kind of link is one module and one row: whoever needs kinds of links takes them from there."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import pytest

from logbench.capture.messages import CaptureRequest
from logbench.capture.process import make_source
from logbench.capture.sources.car import PolledSource
from logbench.errors import LinkUnknownError
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import (
    SCHEMES,
    LinkChoice,
    Scheme,
    forms,
    leads_to,
    link_choices,
    link_url_of,
    open_link,
    title_of,
)
from logbench.vehicle.links.tcp import TcpLink

ROW = (
    'Scheme("udp", "Datagrams", form="udp:HOST", example="udp:10.0.0.1", '
    'is_typed=lambda text: text == "datagrams", shown=lambda rest: f"Datagrams {rest}", '
    'devices=lambda: [LinkChoice("udp:here", "Datagrams here")])'
)


@pytest.fixture
def added(monkeypatch: pytest.MonkeyPatch) -> None:
    """A kind of link that the program does not have: its module and its row."""
    module = SimpleNamespace(
        OPTIONS=frozenset(),
        UdpLink=lambda url, progress: TcpLink(replace(url, place=f"{url.place}:1"), progress),
    )
    monkeypatch.setitem(sys.modules, "logbench.vehicle.links.udp", module)
    monkeypatch.setitem(SCHEMES, "udp", eval(ROW, {"Scheme": Scheme, "LinkChoice": LinkChoice}))


def test_an_added_kind_opens_and_is_recorded_from(added: None):
    assert open_link("udp:10.0.0.1").url == "udp:10.0.0.1"
    assert isinstance(make_source(CaptureRequest("udp:10.0.0.1", ())), PolledSource)
    with pytest.raises(LinkUnknownError, match="udp:HOST"):
        open_link("nowhere:1")
    with pytest.raises(LinkUnknownError, match="udp knows none"):
        open_link("udp:10.0.0.1?x=1")


def test_an_added_kind_is_in_the_list_and_may_be_typed(added: None):
    assert LinkChoice("udp:here", "Datagrams here") in link_choices()
    assert title_of("udp:10.0.0.1") == "Datagrams 10.0.0.1"
    assert link_url_of("datagrams") == "udp:datagrams"
    assert link_url_of(" udp:10.0.0.1 ") == "udp:10.0.0.1"
    assert leads_to("udp:10.0.0.1") == "car"
    with pytest.raises(LinkUnknownError, match=r"Datagrams: udp:10\.0\.0\.1"):
        link_url_of("nonsense")


@pytest.mark.parametrize("command", [["record"], ["job", "read"]])
def test_an_added_kind_is_in_the_help_of_the_command_line(command: list[str]):
    code = (
        "from logbench.vehicle.links.schemes import SCHEMES, LinkChoice, Scheme;"
        f"SCHEMES['udp'] = {ROW};"
        "from logbench.cli.main import main;"
        f"main({[*command, '--help']!r})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "udp:HOST" in "".join(done.stdout.split())


def test_every_row_is_written_as_it_says():
    for name, scheme in SCHEMES.items():
        assert scheme.name == name
        assert scheme.form.startswith(scheme.start)
        assert link_url_of(scheme.example).startswith(scheme.start)
        assert bool(scheme.package) == bool(scheme.extra)
        if scheme.leads_to == "car":
            module = import_module(f"logbench.vehicle.links.{name}")
            assert issubclass(getattr(module, f"{name.title()}Link"), Link)
        else:
            assert type(make_source(CaptureRequest(scheme.example))) is not PolledSource
        assert scheme.form in forms(replay=True)
    assert "replay:" not in forms()


@pytest.mark.parametrize("url", ["sim:?seed=7", "replay:drive.parquet"])
def test_what_is_no_link_to_a_car_is_recorded_from_only(url: str):
    with pytest.raises(LinkUnknownError, match="logbench record"):
        open_link(url)


def test_a_missing_package_is_named_with_its_extra(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "can", None)
    monkeypatch.setitem(sys.modules, "bleak", None)
    with pytest.raises(LinkUnknownError, match=r"python-can.*logbench\[can\]"):
        open_link("can:virtual/0").connect()
    with pytest.raises(LinkUnknownError, match=r"bleak.*logbench\[ble\]"):
        open_link("ble:11:22:33:44:55:66").connect()
