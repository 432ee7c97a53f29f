"""The second screen as a real browser shows it."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path

import pytest

from logbench.screen.messages import Marks, MarkWanted, Row, Rows, Screens, Values
from logbench.system.platforms import resident_bytes
from tests.screen.browser import Tab, browser, until
from tests.screen.serving import ROWS, VALUES, WORDS, Served, serving

SIGNALS = 20


def look(tab: Tab, served: Served) -> None:
    """Open the page, and wait until it has connected."""
    seen = sum(isinstance(m, Screens) and m.joined for m in served.poll())
    tab.open(f"http://{served.host}{served.path}")
    until(lambda: sum(isinstance(m, Screens) and m.joined for m in served.poll()) > seen)


def values(t_s: float) -> Values:
    return Values(t_s, "● Recording", tuple((t_s + n, f"{t_s:.1f}", True) for n in range(SIGNALS)))


def many() -> Rows:
    return Rows(tuple(Row(f"S{n}", f"Signal {n}", ()) for n in range(SIGNALS)), ())


def reached(tab: Tab, t_s: float) -> bool:
    return bool(tab.run("now") >= t_s - 0.01)


def test_values_words_and_markers_are_shown_and_it_ends(tmp_path: Path) -> None:
    with serving() as served, browser(tmp_path) as tab:
        look(tab, served)
        served.screen.post(ROWS)
        served.screen.post(VALUES)
        tab.shows("812 rpm")
        tab.shows("○ missing")
        tab.shows("Marker (1)")
        tab.run("el('marker').click()")
        until(lambda: any(isinstance(m, MarkWanted) for m in served.poll()))
        served.screen.post(Marks((0.5, 0.9)))
        tab.shows("Marker (2)")
        assert tab.run("document.documentElement.scrollWidth <= innerWidth")
        served.screen.close()
        tab.shows(WORDS["ended"])
        assert tab.run("el('marker').disabled")


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    with serving() as served, browser(tmp_path) as tab:
        look(tab, served)
        bad = "<img src=x onerror='document.title=1'>"
        served.screen.post(Rows((Row(bad, bad, ()),), ()))
        served.screen.post(Values(1.0, bad, ((1.0, bad, True),)))
        tab.shows("onerror")
        assert tab.run("document.images.length") == 0
        assert tab.run("document.title") == "logbench"


def test_a_wrong_token_shows_nothing(tmp_path: Path) -> None:
    with serving() as served, browser(tmp_path) as tab:
        tab.open(f"http://{served.host}/{'A' * 32}/")
        tab.shows("Nothing here.")
        assert not any(isinstance(m, Screens) for m in served.poll())


def test_it_connects_again_by_itself(tmp_path: Path) -> None:
    with serving() as served, browser(tmp_path) as tab:
        look(tab, served)
        tab.run("socket.close()")
        until(lambda: sum(isinstance(m, Screens) and m.joined for m in served.poll()) == 2)


@pytest.mark.slow
def test_an_hour_of_messages_grows_neither_page_nor_server(tmp_path: Path) -> None:
    """36,000 messages as they come in an hour, as fast as the page draws them."""
    with serving() as served, browser(tmp_path) as tab:
        look(tab, served)
        served.screen.post(many())
        heaps: list[int] = []
        servers: list[int] = []
        for number in range(1, 36_001):
            served.screen.post(values(number / 10))
            time.sleep(0.001)
            if number % 6000 == 0:
                until(partial(reached, tab, number / 10))
                heaps.append(tab.heap_bytes() // 1000)
                servers.append((resident_bytes(served.screen.pid) or 0) // 1000)
        print(f"page {heaps} kB, server {servers} kB")
        assert heaps[-1] - heaps[0] < 2000
        assert servers[-1] - servers[0] < 10_000
