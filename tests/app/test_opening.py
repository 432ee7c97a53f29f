"""The window hands files and pages to other programs in one place only, and never a stranger's
program; pictures are decoded off its thread."""

from __future__ import annotations

import ast
import threading
from pathlib import Path

import pytest
from PIL import Image
from PySide6.QtGui import QDesktopServices

import logbench
from logbench.app.job.page import PHOTOS, JobPage
from logbench.app.opening import open_page
from logbench.app.window import MainWindow
from logbench.job import pictures
from logbench.job.folder import create_job, open_job
from logbench.job.model import Photo
from tests.app.jobs import new_job

SLOW_MS = 20_000

PACKAGE = Path(logbench.__file__).parent
OUTSIDE = {"QDesktopServices", "openUrl", "startfile", "setOpenExternalLinks", "webbrowser"}
DECODERS = {"QImageReader", "QMovie", "QSvgRenderer", "QSvgWidget", "loadFromData", "fromData"}


def named_in(path: Path) -> set[str]:
    """Every name, attribute and module that a module uses."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Attribute):
            found.add(node.attr)
        elif isinstance(node, ast.Name):
            found.add(node.id)
        elif isinstance(node, ast.ImportFrom | ast.Import):
            found |= {part for alias in node.names for part in alias.name.split(".")}
    return found


def test_one_module_hands_things_to_other_programs():
    users = {
        p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py") if named_in(p) & OUTSIDE
    }
    assert users == {"app/opening.py"}


def test_qt_decodes_no_picture_from_outside():
    """Its decoders know formats that are programs (SVG), and have no limits: only the guide's own
    pictures, which the package brings, are drawn by one."""
    users = [p for p in PACKAGE.rglob("*.py") if named_in(p) & DECODERS]
    assert users == [PACKAGE / "app/guide/window.py"]
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                of_file = node.func.id in ("QPixmap", "QImage", "QIcon") and len(node.args) == 1
                assert not (of_file and isinstance(node.args[0], ast.Constant | ast.JoinedStr)), (
                    path
                )


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> JobPage:
    return new_job(window, tmp_path)


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the computer was asked to open."""
    asked: list[str] = []
    monkeypatch.setattr(
        QDesktopServices, "openUrl", lambda url: asked.append(url.toString()) or True
    )
    return asked


def test_a_page_is_a_page_of_the_web(handed: list[str]):
    for address in ("file:///etc/passwd", "javascript:x()", "smb://server/x", "C:\\x.exe", "", "x"):
        assert not open_page(address)
    assert open_page("https://example.com/?q=P0171")
    assert handed == ["https://example.com/?q=P0171"]


def hostile_job(folder: Path) -> Path:
    job_folder, job = create_job(folder, "From a stranger")
    photos = job_folder.path / "photos"
    photos.mkdir()
    Image.new("RGB", (60, 40), "red").save(photos / "good.png")
    (photos / "photo_\u202egnp.exe").write_bytes((photos / "good.png").read_bytes())
    (photos / "drawn.svg").write_bytes(b"<svg xmlns='http://www.w3.org/2000/svg'/>")
    (photos / "start.desktop").write_bytes(b"[Desktop Entry]\nExec=sh\n")
    job.photos = [Photo(file=f"photos/{path.name}") for path in sorted(photos.iterdir())]
    job_folder.save(job)
    return job_folder.path


def test_a_double_click_on_a_strangers_photos(page: JobPage, tmp_path: Path, handed, qtbot):
    path = hostile_job(tmp_path)
    assert page.open_path(path)
    page.tabs.show_part(PHOTOS)
    panel = page.tabs.photos
    names = [entry.file for entry in open_job(path)[1].photos]
    for row, name in enumerate(names):
        handed.clear()
        panel.photos.opened.emit(row)
        (address,) = handed
        if name.endswith("good.png"):
            assert address.endswith("good.png")
        else:
            assert Path(address.removeprefix("file://")) == path
            assert "folder is shown instead" in page.notice.text


def test_pictures_are_decoded_off_the_windows_thread(
    page: JobPage, tmp_path: Path, monkeypatch, qtbot
):
    path, decode, threads = hostile_job(tmp_path), pictures.read_picture, []

    def watched(*given: object) -> object:
        threads.append(threading.current_thread())
        return decode(*given)

    monkeypatch.setattr(pictures, "read_picture", watched)
    assert page.open_path(path)
    page.tabs.show_part(PHOTOS)
    panel = page.tabs.photos
    qtbot.waitUntil(lambda: len(panel.photos.entries) == 4, timeout=SLOW_MS)
    files = [entry.file for entry in panel.photos.entries]
    panel.photos.table.setCurrentCell(files.index("photos/good.png"), 0)
    qtbot.waitUntil(lambda: not panel.preview.pixmap().isNull(), timeout=SLOW_MS)
    panel.photos.table.setCurrentCell(files.index("photos/drawn.svg"), 0)
    qtbot.waitUntil(lambda: "not a complete picture" in panel.preview.text(), timeout=SLOW_MS)
    assert "stays in the job" in panel.preview.text()
    assert threads
    assert threading.main_thread() not in threads
