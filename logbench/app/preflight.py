"""Whether a window can open here, found out before Qt is asked.

Qt itself ends the process ("could not load the Qt platform plugin") where a display or a system
library is missing. Here that becomes a sentence that names the package or another command. This
module imports no Qt.
"""

from __future__ import annotations

import ctypes
import importlib
import importlib.util
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from logbench.errors import WindowError
from logbench.system.extras import lacks

XCB_LIBRARIES: Mapping[str, str] = {
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
}
"""Shared library of Qt's X11 plugin to its Debian package (measured on a bare Debian 12, where the
plugin's others come with these)."""
WAYLAND_LIBRARIES: Mapping[str, str] = {"libwayland-cursor.so.0": "libwayland-cursor0"}
"""The same of its Wayland plugin."""
BASE_LIBRARIES: Mapping[str, str] = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libfontconfig.so.1": "libfontconfig1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libglib-2.0.so.0": "libglib2.0-0",
}
"""Without these not even Qt's modules can be imported."""

PACKAGES = sorted({*BASE_LIBRARIES.values(), *XCB_LIBRARIES.values(), *WAYLAND_LIBRARIES.values()})
"""All of them, as README.md lists them."""

HEADLESS = "without a window use 'logbench record', 'logbench check' or 'logbench demo --headless'"

Loader = Callable[[str], object]


def require_window() -> None:
    """Raise `WindowError` with a sentence that says what to do, where no window can open."""
    obstacle = window_obstacle()
    if obstacle:
        raise WindowError(obstacle)


def window_obstacle(
    environ: Mapping[str, str] | None = None,
    platform: str = sys.platform,
    load: Loader = ctypes.CDLL,
    import_module: Loader = importlib.import_module,
    find: Callable[[str], object | None] = importlib.util.find_spec,
) -> str | None:
    """Why no window can open here, as a sentence for the user; None when nothing is in the way.

    `environ`, `platform`, `load` (raises OSError for a missing library), `import_module` and `find`
    (None for a package that is not installed) stand in for the machine in tests.
    """
    environ = os.environ if environ is None else environ
    if None in map(find, ("PySide6", "pyqtgraph")):
        return f"{lacks('The window', 'Qt (PySide6, pyqtgraph)', 'window')} Or {HEADLESS}."
    if platform.startswith("linux"):
        obstacle = _linux_obstacle(environ, load)
        if obstacle:
            return obstacle
    plugins = _plugins(environ, find) if platform.startswith("linux") else []
    return _import_obstacle(platform, import_module, plugins, load)


def _linux_obstacle(environ: Mapping[str, str], load: Loader) -> str | None:
    chosen = environ.get("QT_QPA_PLATFORM", "")
    if not (chosen or environ.get("DISPLAY") or environ.get("WAYLAND_DISPLAY")):
        return (
            "There is no display here (neither DISPLAY nor WAYLAND_DISPLAY is set), so the window "
            f"cannot open; {HEADLESS}."
        )
    wanted = dict(BASE_LIBRARIES)
    uses_x11 = chosen.startswith("xcb") or (not chosen and not environ.get("WAYLAND_DISPLAY"))
    if uses_x11:
        wanted |= XCB_LIBRARIES
    elif not environ.get("DISPLAY") and (not chosen or chosen.startswith("wayland")):
        wanted |= WAYLAND_LIBRARIES
    missing = sorted({package for library, package in wanted.items() if not _loads(library, load)})
    if missing:
        names = " ".join(missing)
        return (
            "The window needs a system library that is missing; on Debian or Ubuntu install it "
            f"with 'sudo apt install {names}', or {HEADLESS}."
        )
    return None


def _loads(library: str, load: Loader) -> bool:
    try:
        load(library)
    except OSError:
        return False
    return True


def _plugins(environ: Mapping[str, str], find: Callable[[str], object | None]) -> list[Path]:
    """Qt's own parts for what is to draw here; one of them must load, or Qt ends the process. None
    where Qt came otherwise than from its wheel."""
    chosen = environ.get("QT_QPA_PLATFORM", "")
    names = [part.partition(":")[0] for part in chosen.split(";") if part] or [
        name
        for name, set_by in (("wayland", "WAYLAND_DISPLAY"), ("xcb", "DISPLAY"))
        if environ.get(set_by)
    ]
    folders = getattr(find("PySide6"), "submodule_search_locations", None) or ()
    files = (Path(f, "Qt", "plugins", "platforms", f"libq{n}.so") for f in folders for n in names)
    return [file for file in files if file.exists()]


def _import_obstacle(
    platform: str, import_module: Loader, plugins: list[Path], load: Loader
) -> str | None:
    try:
        import_module("PySide6.QtWidgets")
        if plugins and not any(_loads(str(plugin), load) for plugin in plugins):
            load(str(plugins[-1]))
    except (ImportError, OSError) as error:
        if platform.startswith("linux"):
            todo = f"on Debian 12 'sudo apt install {' '.join(PACKAGES)}' brings what it needs"
        elif platform == "win32":
            todo = "install the Microsoft Visual C++ runtime (vc_redist.x64) and logbench again"
        else:
            todo = "install logbench again into a fresh virtual environment"
        return f"The window's library Qt cannot be loaded ({error}); {todo}, or {HEADLESS}."
    return None
