"""No display, no library, no Qt: a sentence that says what to do, never an abort."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from logbench.app import preflight
from logbench.app.preflight import PACKAGES, XCB_LIBRARIES, require_window, window_obstacle
from logbench.errors import WindowError

README = Path(__file__).parents[2] / "README.md"


def loads_all(name: str) -> object:
    return name


def without(*missing: str):
    def load(name: str) -> object:
        if name in missing:
            raise OSError(f"{name}: cannot open shared object file")
        return name

    return load


def test_no_display_names_the_headless_commands():
    said = window_obstacle({}, "linux", loads_all, loads_all)
    assert said is not None
    for command in ("logbench record", "logbench check", "logbench demo --headless"):
        assert command in said
    assert "display" in said


@pytest.mark.parametrize(
    "environ", [{"DISPLAY": ":0"}, {"WAYLAND_DISPLAY": "w-0"}, {"QT_QPA_PLATFORM": "offscreen"}]
)
def test_any_display_will_do(environ: dict[str, str]):
    assert window_obstacle(environ, "linux", loads_all, loads_all) is None


@pytest.mark.parametrize(("library", "package"), sorted(XCB_LIBRARIES.items()))
def test_a_missing_library_names_its_package(library: str, package: str):
    said = window_obstacle({"DISPLAY": ":0"}, "linux", without(library), loads_all)
    assert said is not None
    assert f"apt install {package}" in said


def test_several_missing_libraries_are_one_command():
    load = without("libxcb-cursor.so.0", "libEGL.so.1")
    said = window_obstacle({"DISPLAY": ":0"}, "linux", load, loads_all)
    assert said is not None
    assert "apt install libegl1 libxcb-cursor0" in said


def test_x11_libraries_do_not_matter_where_x11_is_not_used():
    load = without("libxcb-cursor.so.0")
    for environ in ({"WAYLAND_DISPLAY": "w-0"}, {"QT_QPA_PLATFORM": "offscreen"}):
        assert window_obstacle(environ, "linux", load, loads_all) is None
    assert window_obstacle({"QT_QPA_PLATFORM": "xcb"}, "linux", load, loads_all) is not None


def test_a_library_of_wayland_alone():
    load = without("libwayland-cursor.so.0")
    said = window_obstacle({"WAYLAND_DISPLAY": "w-0"}, "linux", load, loads_all)
    assert said is not None
    assert "apt install libwayland-cursor0" in said
    both = {"WAYLAND_DISPLAY": "w-0", "DISPLAY": ":0"}
    assert window_obstacle(both, "linux", load, loads_all) is None


def test_the_readme_has_all_of_them():
    command = re.search(r"sudo apt-get install (libdbus[^`]*)`", README.read_text("utf-8"))
    assert command is not None
    assert command[1].split() == PACKAGES


@pytest.mark.parametrize(
    ("environ", "broken", "seen"),
    [
        ({"DISPLAY": ":0"}, {"libqxcb.so"}, True),
        ({"DISPLAY": ":0", "WAYLAND_DISPLAY": "w-0"}, {"libqwayland.so"}, False),
        ({"DISPLAY": ":0", "WAYLAND_DISPLAY": "w-0"}, {"libqwayland.so", "libqxcb.so"}, True),
        ({"WAYLAND_DISPLAY": "w-0"}, {"libqwayland.so"}, True),
        ({"QT_QPA_PLATFORM": "wayland;xcb:x"}, {"libqwayland.so"}, False),
        ({"QT_QPA_PLATFORM": "offscreen", "DISPLAY": ":0"}, {"libqxcb.so"}, False),
    ],
)
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="names of Qt's parts on Linux")
def test_qts_own_part_for_the_display_must_load(
    environ: dict[str, str], broken: set[str], seen: bool
):
    """Whatever library the next Qt needs: it ends the process itself where none of its parts
    loads."""
    pytest.importorskip("PySide6")

    def load(name: str) -> object:
        if Path(name).name in broken:
            raise OSError("libxcb-next.so.0: cannot open shared object file")
        return name

    said = window_obstacle(environ, "linux", load, loads_all)
    assert (said is not None) == seen
    if said:
        assert "libxcb-next.so.0" in said
        assert "sudo apt install" in said


@pytest.mark.parametrize("platform", ["linux", "win32", "darwin"])
def test_qt_that_cannot_be_imported(platform: str):
    def import_module(name: str) -> object:
        raise ImportError("libEGL.so.1: cannot open shared object file")

    said = window_obstacle({"DISPLAY": ":0"}, platform, loads_all, import_module)
    assert said is not None
    assert "libEGL.so.1" in said
    assert "install" in said


def test_require_window_raises(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(preflight, "window_obstacle", lambda: "No window here.")
    with pytest.raises(WindowError, match="No window here"):
        require_window()


def test_the_command_ends_in_a_sentence_in_a_bare_environment():
    """The real program, as a user without a display starts it."""
    done = subprocess.run(
        [sys.executable, "-m", "logbench"],
        env={"PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if not sys.platform.startswith("linux"):
        pytest.skip("other systems always have a display")
    assert done.returncode == WindowError.exit_code
    assert "logbench demo --headless" in done.stderr
    assert "Traceback" not in done.stderr


def test_looking_for_obstacles_imports_no_qt():
    code = (
        "import sys, logbench.app.preflight as p;"
        "p._linux_obstacle({}, lambda n: n);"
        "assert not [m for m in sys.modules if m.startswith('PySide6')]"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
