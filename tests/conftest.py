"""Fixtures shared by all tests."""

from __future__ import annotations

import gc
import importlib
import logging
import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

from logbench import foreign

foreign.strict = True
hypothesis.settings.register_profile("suite", deadline=None)  # a busy machine proves nothing
hypothesis.settings.load_profile("suite")

_REAL_TIME = (
    "capture/",
    "recording/test_faults.py",
    "recording/test_places.py",
    "simulator/test_serve.py",
    "simulator/test_trouble.py",
    "vehicle/test_floods.py",
    "vehicle/test_patience.py",
    "vehicle/test_peer.py",
    "vehicle/test_poller.py",
    "zoo/",
)
"""Below `tests`: modules that measure the wall clock, rates and pauses of links and disks. A busy
machine is not a fault of the program, so `.ci/run` runs them by themselves."""

_SHARED = Path(__file__).resolve().parents[1].parent / "shared"

collect_ignore: list[str] = []
pytest_plugins: list[str] = []
_QT_TROUBLE = ""
try:
    importlib.import_module("PySide6.QtWidgets")
    pytest_plugins.append("pytestqt.plugin")
except ImportError as error:  # a machine without Qt's system libraries: README.md names them
    if os.environ.get("CI"):
        raise
    _QT_TROUBLE = str(error)
    collect_ignore.append("app")


def _real_time(path: Path) -> bool:
    """Whether a module of tests measures the wall clock."""
    return path.relative_to(Path(__file__).parent).as_posix().startswith(_REAL_TIME)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """A run of one kind does not import modules of the other: it took half a minute a worker."""
    unwanted = {"real_time": False, "not real_time": True}.get(config.option.markexpr)
    is_module = collection_path.name.startswith("test_") and collection_path.suffix == ".py"
    return True if is_module and _real_time(collection_path) is unwanted else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what measures the wall clock."""
    for item in items:
        if _real_time(item.path):
            item.add_marker(pytest.mark.real_time)


def pytest_collection_finish() -> None:
    """All that is loaded by now stays: the collector need not walk it again and again."""
    gc.freeze()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say it plainly when the window's tests were left out."""
    if _QT_TROUBLE:
        terminalreporter.write_line(
            f"The tests of the window were left out: {_QT_TROUBLE}. README.md names the packages.",
            yellow=True,
        )


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of reference data beside the checkout; the test is skipped where there is none."""
    if not (_SHARED / "data").is_dir():
        pytest.skip("reference data beside the checkout is absent")
    return _SHARED


@pytest.fixture(autouse=True, scope="session")
def _nothing_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Tests neither log into the user's folders nor read settings and limits from there (where the
    XDG base directories are known)."""
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        os.environ[name] = str(tmp_path_factory.mktemp(name.lower()))


@pytest.fixture(autouse=True)
def _no_car_known() -> None:
    """What a test says of cars holds for that test only."""
    Path(os.environ["XDG_DATA_HOME"], "logbench", "cars.json").unlink(missing_ok=True)


@pytest.fixture(autouse=True)
def _logging_as_before() -> Iterator[None]:
    """The program's log file and hooks are there in its own processes only."""
    root = logging.getLogger()
    level, hooks = root.level, (sys.excepthook, threading.excepthook)
    yield
    for handler in [h for h in root.handlers if type(h).__module__ == "logbench.system.log"]:
        root.removeHandler(handler)
        handler.close()
    root.setLevel(level)
    sys.excepthook, threading.excepthook = hooks


class _Deaths(logging.Handler):
    """Keeps what `Supervised` logs."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.records: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.records.append(record)


@pytest.fixture(autouse=True)
def _no_thread_dies(request: pytest.FixtureRequest) -> Iterator[None]:
    """A thread of the program that died in a test fails it, but where `worker_dies` marks it."""
    log, deaths = logging.getLogger("logbench.system.threads"), _Deaths()
    log.addHandler(deaths)
    yield
    log.removeHandler(deaths)
    if deaths.records and request.node.get_closest_marker("worker_dies") is None:
        record = deaths.records[0]
        raise AssertionError(record.getMessage()) from (record.exc_info or (None, None))[1]
