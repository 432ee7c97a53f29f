"""Real disks that fill, hang and break while a drive is recorded on them.

    python tests/campaigns/disks.py        (Linux, root: it mounts in a name space of its own)

A small file system in a file is mounted; a drive of known samples is recorded into it through the
real session. Then the disk is filled by somebody else, frozen, or its medium is cut off below it.
Prints what became of each drive; exit code 1 where a sample is missing.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from logbench.capture.messages import CaptureRequest, Failed, Finished, Trouble
from logbench.capture.session import Session
from logbench.recording import place
from logbench.recording.places import rescue_folder
from logbench.recording.reader import open_recording
from tests.capture.fake_source import SIGNALS, FakeSource
from tests.capture.test_session import Listener

READS = 6000
PERIOD_S = 0.002
DISK_MB = 24
_INSIDE = "LOGBENCH_DISKS_INSIDE"


def run(*command: str | Path) -> None:
    """A command of the system that must work."""
    subprocess.run([str(part) for part in command], check=True)


class Disk:
    """A file system in a file, which takes room of what lies below only as it is written."""

    def __init__(self, folder: Path) -> None:
        self.below, self.mount = folder / "below", folder / "mount"
        self.below.mkdir()
        self.mount.mkdir()
        run("mount", "-t", "tmpfs", "-o", f"size={2 * DISK_MB}m", "tmpfs", self.below)
        self.medium = self.below / "medium"
        with self.medium.open("wb") as file:
            file.truncate(DISK_MB * 1_000_000)
        run("mkfs.ext4", "-q", self.medium)
        run("mount", "-o", "loop", self.medium, self.mount)

    def fill(self) -> None:
        """Somebody else takes all the room."""
        _fill(self.mount / "others")

    def freeze(self) -> None:
        """Whoever writes hangs."""
        run("fsfreeze", "-f", self.mount)

    def cut_off(self) -> None:
        """The medium below the file system takes nothing more: errors of input and output."""
        _fill(self.below / "others")

    def vanish(self) -> None:
        """The folder is deleted from the disk."""
        shutil.rmtree(self.mount, ignore_errors=True)  # all but the mount itself

    def close(self) -> None:
        """Give it back."""
        subprocess.run(["fsfreeze", "-u", str(self.mount)], check=False, capture_output=True)
        for mount in (self.mount, self.below):
            subprocess.run(["umount", "-l", str(mount)], check=False)


def _fill(path: Path) -> None:
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while file.write(bytes(100_000)):
            pass


def drive(folder: Path, happens: Callable[[], None], second: Path | None) -> tuple[object, list]:
    """Record READS readings; a third on its way, something happens."""
    listener = Listener()
    request = CaptureRequest("fake:", out=folder / "drive.parquet", second=second)
    timer = threading.Timer(READS * PERIOD_S / 3, happens)
    timer.start()
    ending = Session(request, FakeSource(PERIOD_S, last=READS), listener).run()
    timer.join()
    return ending, [message.text for message in listener.of(Trouble)]


def missing(ending: Finished | Failed) -> int:
    """Samples given out that the recording does not hold, or holds wrongly."""
    if ending.path is None:
        return READS * len(SIGNALS)
    recording = open_recording(ending.path)
    want = np.arange(READS)
    return sum(READS - int(np.isin(want, recording.trace(s).value).sum()) for s in SIGNALS)


def main() -> int:
    """Each kind of trouble, without and with a second place."""
    place._PIECES = (100_000,)  # else the room reserved at the start lasts for the whole drive
    bad = 0
    for kind in ("fill", "freeze", "cut_off", "vanish"):
        for mirrored in (False, True):
            folder = Path(tempfile.mkdtemp(prefix="disks-"))
            second = folder / "second" if mirrored else None
            if second is not None:
                second.mkdir()
            disk = Disk(folder)
            try:
                began = time.monotonic()
                ending, told = drive(disk.mount, getattr(disk, kind), second)
                lost = missing(ending)
                took_s = time.monotonic() - began
            finally:
                disk.close()
            bad += lost > 0
            print(f"{kind}{', mirrored' if mirrored else ''}: {type(ending).__name__}, "
                  f"{lost} samples missing, {took_s:.1f} s; {ending.sentence}")  # fmt: skip
            for text in told:
                print(f"    {text}")
            shutil.rmtree(folder, ignore_errors=True)
            shutil.rmtree(rescue_folder(), ignore_errors=True)
    return 1 if bad else 0


def inside() -> int:
    """Again in a name space of its own: nobody else sees the mounts, and they end with it."""
    home = tempfile.mkdtemp(prefix="disks-home-")
    own = {_INSIDE: "1", "XDG_DATA_HOME": home, "XDG_STATE_HOME": home, "XDG_CONFIG_HOME": home}
    command = ["unshare", "-m", sys.executable, __file__]
    done = subprocess.run(command, env=os.environ | own, check=False).returncode
    shutil.rmtree(home, ignore_errors=True)
    return done


if __name__ == "__main__":
    sys.exit(main() if os.environ.get(_INSIDE) else inside())
