"""All pages at six sizes, in three looks, at three sizes of texts, and in a longer language.

Nothing is cut, overlaps, lies out of reach, is faint or, at the roadside, too small for a glove."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.app.window import MainWindow
from logbench.cases.settings import Settings, Size, Theme
from tests.app.comparing import DRIVES, compare
from tests.app.conftest import Garage
from tests.app.geometry import faults, settle
from tests.app.jobs import new_job

SIZES = ((1024, 640), (1280, 720), (1366, 768), (1600, 900), (1920, 1080), (2560, 1440))
LOOKS: tuple[Theme, ...] = ("light", "night", "roadside")
TEXTS: tuple[Size, ...] = (100, 130, 150)


def _tabs(tabs: object, show: Callable[[], None], name: str) -> Iterator[tuple[str, Callable]]:
    for n in range(tabs.count()):

        def shown(n: int = n) -> None:
            show()
            tabs.setCurrentIndex(n)

        yield f"{name} {n}", shown


@pytest.fixture
def places(
    window: MainWindow, garage: Garage, settings: Settings, drive_file: Path, tmp_path: Path,
    qtbot: QtBot,
) -> Mapping[str, Callable[[], None]]:  # fmt: skip
    """Every page with something on it, and each of its tabs."""
    show = window.pages.show_page
    made: dict[str, Callable[[], None]] = {}
    live = window.live
    live.choose_link("sim:")
    live.start()
    garage.last.find_car("RPM", "MAF", "ECT")
    garage.last.drive("RPM", "MAF", "ECT")
    qtbot.waitUntil(lambda: live.session.now_ns == 3_000_000_000)
    made |= _tabs(live.side.tabs, lambda: show("live"), "live")
    window.pages.open_recordings([drive_file])
    review = window.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=60_000)
    made |= _tabs(review.tabs, lambda: show("review"), "review")
    show("compare")
    compare(window.pages.compare, qtbot, *DRIVES)
    made["compare"] = lambda: show("compare")
    job = new_job(window, tmp_path / "job")
    made |= _tabs(job.tabs, lambda: show("job"), "job")
    show("archive")
    window.pages.archive.open_place(str(tmp_path))
    made["archive"] = lambda: show("archive")
    return made


def walk(window: MainWindow, places: Mapping[str, Callable[[], None]], sizes=SIZES) -> list[str]:
    """What is wrong at these sizes, in the look and size of texts there are."""
    found = []
    look = window.services.look
    for size in sizes:
        window.resize(*size)
        for name, show in places.items():
            show()
            settle()
            assert (window.width(), window.height()) == size
            at = f"{name} {size[0]}x{size[1]} {look.theme.name} {look.size_percent} %"
            wrong = faults(window, look.target_px)
            if wrong:
                settle()  # what was shown for the first time may not have come to rest
                wrong = faults(window, look.target_px)
            found += [f"{at}: {fault}" for fault in wrong]
    return found


def test_every_page_at_every_size_in_every_look(window: MainWindow, places):
    found = []
    for look in LOOKS:
        window.services.look.choose(look)
        for percent in TEXTS:
            window.services.look.choose_size(percent)
            settle()
            found += walk(window, places)
    window.services.look.choose_size(100)
    window.services.look.choose("light")
    assert not found, f"{len(found)}\n" + "\n".join(found)
