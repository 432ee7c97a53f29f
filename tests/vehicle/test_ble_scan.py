"""Listening for Bluetooth devices, with a scanner that only says what it is told to."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import bleak
import pytest

from logbench.errors import LinkUnknownError, PortMissingError
from logbench.vehicle.links.ble import Found, scan


class FakeScanner:
    """Calls back as bleak's does: an advertisement at a time."""

    said = (("A", "near", -70), ("B", None, -50), ("A", None, -40))
    running = 0

    def __init__(self, callback) -> None:
        self._callback = callback

    async def __aenter__(self):
        FakeScanner.running += 1
        for address, name, rssi in self.said:
            device = SimpleNamespace(address=address, name=None)
            self._callback(device, SimpleNamespace(local_name=name, rssi=rssi))
        return self

    async def __aexit__(self, *_):
        FakeScanner.running -= 1


@pytest.fixture(autouse=True)
def fake(monkeypatch):
    monkeypatch.setattr(bleak, "BleakScanner", FakeScanner)


def test_strongest_first_with_the_name_it_gave():
    told = []
    found = scan(lambda heard, share: told.append((tuple(heard), share)), seconds=0.02)
    assert found == [Found("A", "near", -40), Found("B", "", -50)]
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert FakeScanner.running == 0


def test_what_is_raised_on_the_way_ends_it():
    def cancel(heard, share):
        raise KeyError("canceled")

    with pytest.raises(KeyError):
        scan(cancel)
    assert FakeScanner.running == 0


def test_bluetooth_that_is_off(monkeypatch):
    def off(callback):
        raise bleak.exc.BleakError("Bluetooth is off.")

    monkeypatch.setattr(bleak, "BleakScanner", off)
    with pytest.raises(PortMissingError, match=r"\(Bluetooth is off\): switch it on"):
        scan(lambda heard, share: None)


def test_no_bluetooth_at_all(monkeypatch):
    def missing(callback):
        raise FileNotFoundError(2, "No such file or directory")

    monkeypatch.setattr(bleak, "BleakScanner", missing)
    with pytest.raises(PortMissingError, match="service does not answer"):
        scan(lambda heard, share: None)


def test_without_bleak(monkeypatch):
    monkeypatch.setitem(sys.modules, "bleak", None)
    with pytest.raises(LinkUnknownError, match="pip install"):
        scan(lambda heard, share: None)
