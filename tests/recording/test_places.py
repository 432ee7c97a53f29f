"""Disks that go away, fill, hang: what was given is in one place or another, whole."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import subprocess
import sys
import threading
import time

import pytest

from logbench.errors import StorageError
from logbench.recording import place as place_module
from logbench.recording import places as places_module
from logbench.recording.journal_reading import journal_path
from logbench.recording.places import Places, rescue_folder

HEAD = b"HEAD of a journal\n"
BUSY_S = 3.0
"""It takes half a second, and the machine of the tests may be busy."""
posix_only = pytest.mark.skipif(
    sys.platform == "win32", reason="an open file's folder cannot be moved on Windows"
)


@pytest.fixture(autouse=True)
def _no_rescues():
    yield
    shutil.rmtree(rescue_folder(), ignore_errors=True)


@pytest.fixture
def first(tmp_path):
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


@pytest.fixture
def opened():
    """Makes places whose sentences are kept in `.heard`, and closes them."""
    made = []

    def make(folder, second=None) -> Places:
        places = Places.create(journal_path(folder / "drive.parquet"), HEAD, second)
        places.heard = []
        places.told = places.heard.append
        made.append(places)
        return places

    yield make
    for places in made:
        places.close()


def give(places: Places, count: int, first: int = 0) -> bytes:
    """Frames, one after another, each durable before the next; returns them."""
    frames = [frame(n) for n in range(first, first + count)]
    for one in frames:
        places.add(one)
        places.settle()
    return b"".join(frames)


def frame(number: int) -> bytes:
    """Something to write."""
    return f"frame {number};".encode() * 20


def content(places: Places) -> bytes:
    """What the best place holds at the end."""
    places.end()
    return places.best.path.read_bytes()


class Faulty:
    """Makes calls on one folder's files fail with `code`, or hang until `.released`."""

    def __init__(self, monkeypatch, folder, code: int | None = None, times: int = 10**9) -> None:
        self.folder, self.code, self.times = folder, code, times
        self.released = threading.Event()
        self.on = False
        for name in ("fsync", "write", "pread"):
            monkeypatch.setattr(os, name, self._watched(getattr(os, name)))

    def _watched(self, call):
        def watched(fd, *arguments):
            if self.on and self.times and self._mine(fd):
                if self.code is None:
                    self.released.wait(30)
                else:
                    self.times -= 1
                    raise OSError(self.code, os.strerror(self.code))
            return call(fd, *arguments)

        return watched

    def _mine(self, fd: int) -> bool:
        return os.path.realpath(f"/proc/self/fd/{fd}").startswith(str(self.folder))


def test_what_was_given_is_there(first, opened):
    places = opened(first)
    frames = give(places, 30)
    assert places.best.size_bytes == len(HEAD + frames)
    assert content(places) == HEAD + frames
    assert places.heard == []
    assert [path.name for path in first.iterdir()] == ["drive.parquet.journal"]


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="no room is reserved here")
def test_room_is_reserved_ahead_and_given_back(first, opened):
    places = opened(first)
    frames = give(places, 3)
    path = places.best.path
    assert path.stat().st_size > 3_000_000
    assert path.stat().st_blocks * 512 > 3_000_000  # it is there, not only promised
    assert path.read_bytes().rstrip(b"\0") == HEAD + frames
    assert content(places) == HEAD + frames


@posix_only
@pytest.mark.parametrize("how", ["moved", "deleted", "file moved"])
def test_the_folder_goes_away(tmp_path, first, opened, how):
    places = opened(first)
    before = give(places, 5)
    if how == "moved":
        first.rename(tmp_path / "elsewhere")
    elif how == "deleted":
        shutil.rmtree(first)
    else:
        (first / "drive.parquet.journal").rename(tmp_path / "x")
    began = time.monotonic()
    while not places.heard:
        places.tend()
        time.sleep(0.02)
        assert time.monotonic() - began < BUSY_S
    after = give(places, 5, 5)
    assert content(places) == HEAD + before + after
    assert places.best.path == rescue_folder() / "drive.parquet.journal"
    assert str(first) in places.heard[0]
    assert "is gone" in places.heard[0]
    assert f"goes on in {rescue_folder()}" in places.heard[-1]
    assert any("another place" in note for note in places.notes)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc")
@pytest.mark.parametrize("name", ["EIO", "ENODEV", "ESTALE", "ENOSPC", "EROFS"])
def test_the_disk_fails_for_good(first, opened, monkeypatch, name):
    """Not even what is there can be read: it comes from memory."""
    places = opened(first)
    before = give(places, 5)
    faulty = Faulty(monkeypatch, first, getattr(errno, name))
    faulty.on = True
    began = time.monotonic()
    after = give(places, 5, 5)
    assert time.monotonic() - began < 4
    assert content(places) == HEAD + before + after
    assert places.best.path.parent == rescue_folder()
    faulty.on = False


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc")
def test_the_disk_hangs(first, opened, monkeypatch):
    monkeypatch.setattr(places_module, "_HANG_S", 6.0)
    places = opened(first)
    before = give(places, 5)
    faulty = Faulty(monkeypatch, first)
    faulty.on = True
    began = time.monotonic()
    said = threading.Thread(target=lambda: give(places, 1, 5))
    said.start()
    while not places.heard:
        time.sleep(0.02)
    assert 1.5 < time.monotonic() - began < 5.0
    assert "does not answer" in places.heard[0]
    assert "Samples wait in memory" in places.heard[0]
    said.join(20)
    assert not said.is_alive()
    assert places.best.path.parent == rescue_folder()
    faulty.released.set()
    give(places, 5, 6)
    assert content(places) == HEAD + before + b"".join(map(frame, range(5, 11)))


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc")
def test_a_fault_that_passes_is_noted(first, opened, monkeypatch):
    places = opened(first)
    faulty = Faulty(monkeypatch, first, errno.EIO, times=3)
    faulty.on = True
    frames = give(places, 5)
    assert content(places) == HEAD + frames
    assert places.best.path.parent == first
    assert sum("writing is tried again" in text for text in places.heard) == 1
    (note,) = places.notes
    assert "nothing is lost" in note


def test_the_mirror_holds_the_same(tmp_path, first, opened):
    second = tmp_path / "second"
    second.mkdir()
    places = opened(first, second)
    frames = give(places, 20)
    places.end()
    assert [place.path.parent for place in places.whole()] == [first, second]
    for place in places.whole():
        assert place.path.read_bytes() == HEAD + frames
    assert places.heard == []


def test_a_mirror_that_fails_ends_nothing(tmp_path, first, opened):
    places = opened(first, tmp_path / "not there")
    frames = give(places, 5)
    assert content(places) == HEAD + frames
    (sentence,) = places.heard
    assert str(tmp_path / "not there") in sentence
    assert f"goes on in {first}" in sentence


@posix_only
def test_the_mirror_goes_on_alone(tmp_path, first, opened):
    second = tmp_path / "second"
    second.mkdir()
    places = opened(first, second)
    before = give(places, 5)
    shutil.rmtree(first)
    time.sleep(0.6)
    after = give(places, 5, 5)
    assert content(places) == HEAD + before + after
    assert places.best.path.parent == second
    assert not rescue_folder().exists()
    assert f"goes on in {second}" in places.heard[0]


@posix_only
def test_both_are_gone(tmp_path, first, opened):
    second = tmp_path / "second"
    second.mkdir()
    places = opened(first, second)
    before = give(places, 5)
    shutil.rmtree(first)
    shutil.rmtree(second)
    time.sleep(0.6)
    after = give(places, 5, 5)
    assert content(places) == HEAD + before + after
    assert places.best.path.parent == rescue_folder()


@posix_only
def test_nothing_is_left(tmp_path, first, opened, monkeypatch):
    """Where the rescue folder cannot be made either, that is said, in one error."""
    monkeypatch.setattr(places_module, "rescue_folder", lambda: tmp_path / "file" / "rescued")
    (tmp_path / "file").write_text("in the way")
    places = opened(first)
    give(places, 5)
    shutil.rmtree(first)
    time.sleep(0.6)
    with pytest.raises(StorageError, match="cannot be used either"):
        give(places, 5)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc")
def test_memory_is_bounded_and_what_lacks_is_said(first, opened, monkeypatch):
    monkeypatch.setattr(place_module.Frames.__init__, "__defaults__", (2000,))
    places = opened(first)
    frames = give(places, 50)
    faulty = Faulty(monkeypatch, first, errno.ENODEV)
    faulty.on = True
    after = give(places, 5, 50)
    got = content(places)
    assert got.startswith(HEAD)
    assert (HEAD + frames + after).endswith(got[len(HEAD) :])
    assert 1500 < len(got) < 3000 + len(after)
    assert f"Its beginning is only in {first / 'drive.parquet.journal'}" in places.heard[-1]
    faulty.on = False


def test_a_name_that_is_taken(tmp_path, first, opened):
    """By a foreign file in the second place, it is never touched."""
    second = tmp_path / "second"
    second.mkdir()
    (second / "drive.parquet.journal").write_text("accounts")
    places = opened(first, second)
    frames = give(places, 3)
    places.end()
    assert places.whole()[1].path.read_bytes() == HEAD + frames
    assert (second / "drive.parquet.journal").read_text() == "accounts"


# --- before a drive ---

_LIMITED = """
import resource, sys
from pathlib import Path
from logbench.errors import StorageError
from logbench.recording.place import check_folder
resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, resource.RLIM_INFINITY))
try:
    check_folder(Path(sys.argv[1]))
except StorageError as error:
    print(error)
"""


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="no room is reserved here")
def test_a_folder_without_room_for_a_drive_is_told_before_it(tmp_path):
    """The kernel gives no more than 1 MB: enough for a look, not for a drive."""
    command = [sys.executable, "-c", _LIMITED, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "has no room for the 20 MB" in done.stdout
    assert [*tmp_path.iterdir()] == []


def test_little_room_is_told_where_none_can_be_reserved(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(place_module, "reserve", lambda *_: None)
    for free, fits in ((25_000_000, True), (15_000_000, False)):
        monkeypatch.setattr(shutil, "disk_usage", lambda _, free=free: usage._replace(free=free))
        with contextlib.nullcontext() if fits else pytest.raises(StorageError, match="too full"):
            place_module.check_folder(tmp_path)
    assert [*tmp_path.iterdir()] == []


def test_who_goes_on_is_told_while_a_frame_is_on_its_way(tmp_path, first, opened, monkeypatch):
    second = tmp_path / "second"
    second.mkdir()
    places = opened(first, second)
    give(places, 3)
    while len(places.whole()) < 2:
        time.sleep(0.01)
    mirror = places.whole()[1]
    with places._changed:  # neither can take it
        places.add(frame(3))
        places._all[0].fail(OSError(errno.ENOENT, "gone"))
        places.tend()
    assert f"goes on in {second}" in places.heard[0]
    places.settle()
    assert places.whole() == [mirror]
