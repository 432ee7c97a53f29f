"""The first start finds adapters, says what it found, and offers to try the likeliest."""

from __future__ import annotations

import socket

import pytest

from logbench.app.window import MainWindow
from logbench.vehicle.links import nearby as links
from logbench.vehicle.links.nearby import find_nearby
from logbench.vehicle.links.schemes import SIMULATED, USUAL_WIFI, LinkChoice

USB = LinkChoice("serial:/dev/ttyUSB0", "/dev/ttyUSB0  USB Serial")
BOARD = LinkChoice("serial:/dev/ttyS0", "/dev/ttyS0  ttyS0")
PAIRED = LinkChoice("serial:COM7", "COM7  Standard Serial over Bluetooth link")


def test_the_likeliest_comes_first_and_only_what_answers():
    found = find_nearby(lambda: [BOARD, PAIRED, USB], lambda _: False, lambda: ())
    assert found.links == (USB, PAIRED, BOARD)
    found = find_nearby(lambda: [USB], lambda url: url == USUAL_WIFI, lambda: ("Plug",))
    assert [link.url for link in found.links] == [USUAL_WIFI, USB.url]
    assert found.paired == ("Plug",)


def test_whether_something_answers_is_found_by_connecting():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        assert links.answers(f"tcp://127.0.0.1:{port}")
    assert not links.answers(f"tcp://127.0.0.1:{port}")


@pytest.fixture
def there(monkeypatch) -> list[LinkChoice]:
    found: list[LinkChoice] = []
    monkeypatch.setattr(links, "find_nearby", lambda: links.Nearby(tuple(found), ("Invented",)))
    return found


def test_what_is_found_is_told_and_one_press_tries_it(window: MainWindow, garage, qtbot, there):
    there += [USB, BOARD]
    live = window.live
    live.first_start.look()
    qtbot.waitUntil(lambda: "ttyUSB0" in live.notice.text, timeout=20_000)
    assert "Paired by Bluetooth: Invented" in live.notice.text
    assert live.set_up.link.url() == USB.url
    assert garage.captures == []
    live.starting.cautions_seen = True
    live.notice.button.click()
    assert garage.last.request.link_url == USB.url


def test_without_an_adapter_there_is_the_simulated_car(window: MainWindow, garage, qtbot, there):
    live = window.live
    live.first_start.look()
    qtbot.waitUntil(lambda: "No adapter was found" in live.notice.text, timeout=20_000)
    assert "exercise" in live.notice.text
    live.notice.button.click()
    assert garage.last.request.link_url == SIMULATED


def test_later_starts_look_for_nothing(window: MainWindow, settings, there):
    settings.links = [USB.url]
    window.live.first_start.look()
    assert window.services.runner.running == ()
