"""Kills, power cuts, and two programs at once: nothing unreadable, nothing damaged, at most one
second lost."""

from __future__ import annotations

import mmap
import multiprocessing
import os
import random
import shutil
import signal
import struct
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from logbench.recording.finish import finish, write_recording
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.reader import open_recording
from tests.recording.whole_journal import read_journal, recovered

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="needs SIGKILL, a fork server and hard links"
)
KILLS = 200
TOGETHER = 25
MOST_LOST_NS = 1_000_000_000


@pytest.fixture(scope="module")
def forkserver():
    """Processes that start in milliseconds, with the recording's modules imported already."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["logbench.recording.finish", "tests.recording.test_faults"])
    return context


# --- kill -9 ---


def _record(folder: Path) -> None:
    """Record as the capture does; note each sample's time in shared memory before it is given."""
    with (folder / "given").open("r+b") as file:
        given = mmap.mmap(file.fileno(), 8)
        writer = JournalWriter(journal_path(folder / "a.parquet"), Facts(recording_id="a"))
        while True:
            t_ns = time.monotonic_ns()
            given[:8] = struct.pack("<q", t_ns)
            writer.append([("RPM", "7E8", t_ns, float(t_ns % 1000)), ("VSS", "7E8", t_ns, 1.0)])
            writer.write_due()
            time.sleep(0.01)


@pytest.mark.slow
def test_killed_while_recording(tmp_path, forkserver):
    """`kill -9` at 200 random instants, counted against what had been given to the journal."""
    rng = random.Random(1)
    worst_ns, kept = 0, 0
    for batch in range(KILLS // TOGETHER):
        folders = [tmp_path / f"{batch}-{k}" for k in range(TOGETHER)]
        for folder in folders:
            folder.mkdir()
            (folder / "given").write_bytes(bytes(8))
        processes = [forkserver.Process(target=_record, args=(folder,)) for folder in folders]
        for process in processes:
            process.start()
        began = time.monotonic()
        for process, delay_s in zip(
            processes, sorted(rng.uniform(0.0, 1.6) for _ in processes), strict=True
        ):
            time.sleep(max(0.0, began + delay_s - time.monotonic()))
            process.kill()
        for process, folder in zip(processes, folders, strict=True):
            process.join()
            process.close()
            (given_ns,) = struct.unpack("<q", (folder / "given").read_bytes())
            made = recovered(folder)
            if not made:
                continue
            rpm = open_recording(made[0]).trace("RPM")
            np.testing.assert_array_equal(rpm.value, rpm.t_ns % 1000)
            kept += 1
            worst_ns = max(worst_ns, given_ns - int(rpm.t_ns[-1]))
    assert kept > KILLS / 3
    assert worst_ns <= MOST_LOST_NS


def _traces(n: int = 20_000) -> list[Trace]:
    rng = np.random.default_rng(3)
    t_ns = np.cumsum(rng.integers(1_000_000, 90_000_000, n))
    return [
        Trace(signal, "7E8", "", t_ns, np.round(rng.normal(50, 9, n), 1))
        for signal in ("ECT", "MAF", "RPM", "VSS")
    ]


def _journal(folder: Path, traces: list[Trace], batches: int = 20) -> Path:
    path = journal_path(folder / "a.parquet")
    writer = JournalWriter(path, Facts(recording_id="a"))
    for part in np.array_split(np.arange(len(traces[0])), batches):
        for trace in traces:
            writer.append(
                (trace.signal, trace.ecu, int(trace.t_ns[k]), float(trace.value[k])) for k in part
            )
        writer.flush()
    writer.close()
    return path


def _same(folder: Path, traces: list[Trace]) -> None:
    recording = open_recording(folder / "a.parquet")
    assert recording.intact()
    for trace in traces:
        np.testing.assert_array_equal(recording.trace(trace.signal).t_ns, trace.t_ns)
        np.testing.assert_array_equal(recording.trace(trace.signal).value, trace.value)


def _finish(folder: Path, ready) -> None:
    ready.set()
    finish(journal_path(folder / "a.parquet"))


@pytest.mark.slow
def test_killed_while_finishing(tmp_path, forkserver):
    """`kill -9` at 200 random instants of finishing: the next start has every sample."""
    traces = _traces()
    journal = _journal(tmp_path, traces)
    began = time.perf_counter()
    trial = tmp_path / "trial"
    trial.mkdir()
    shutil.copy(journal, trial)
    finish(trial / journal.name)
    length_s = time.perf_counter() - began
    rng = random.Random(2)
    states = set()
    for number in range(KILLS):
        folder = tmp_path / str(number)
        folder.mkdir()
        shutil.copy(journal, folder)
        ready = forkserver.Event()
        process = forkserver.Process(target=_finish, args=(folder, ready))
        process.start()
        ready.wait()
        time.sleep(rng.uniform(0.0, 1.2 * length_s))
        process.kill()
        process.join()
        process.close()
        states.add(tuple(sorted(path.name for path in folder.iterdir())))
        recovered(folder)
        assert [path.name for path in folder.iterdir()] == ["a.parquet"]
        _same(folder, traces)
    assert len(states) >= 2  # some were killed before and some after the file had its name


# --- power cuts ---


class Disk:
    """What a power cut would leave of a folder, by the promises of fsync alone (POSIX).

    A file holds what its last fsync covered. Names are those of the folder's last fsync, or (the
    other extreme) all that were made since. Each system call of the writer gives two such states.
    """

    def __init__(self, folder: Path, monkeypatch) -> None:
        self._folder = folder
        self._durable: dict[int, bytes] = {}
        self._names = self._listed()
        self.states: list[dict[str, bytes]] = []
        for name in ("fsync", "link", "unlink", "rename", "replace", "ftruncate"):
            monkeypatch.setattr(os, name, self._watched(name, getattr(os, name)))

    @property
    def names(self) -> list[str]:
        """What the folder's last fsync covered."""
        return sorted(self._names)

    def _listed(self) -> dict[str, int]:
        return {path.name: path.stat().st_ino for path in self._folder.iterdir()}

    def _watched(self, name, call):
        def watched(*arguments):
            self._cut()
            result = call(*arguments)
            if name == "fsync":
                self._synced(arguments[0])
            self._cut()
            return result

        return watched

    def _synced(self, fd: int) -> None:
        inode = os.fstat(fd).st_ino
        if inode == self._folder.stat().st_ino:
            self._names = self._listed()
            return
        for path in self._folder.iterdir():
            if path.stat().st_ino == inode:
                self._durable[inode] = path.read_bytes()

    def _cut(self) -> None:
        for names in (self._names, self._listed()):
            state = {name: self._durable.get(inode, b"") for name, inode in names.items()}
            if state not in self.states[-2:]:
                self.states.append(state)


def _written(folder: Path, state: dict[str, bytes]) -> Path:
    folder.mkdir()
    for name, content in state.items():
        (folder / name).write_bytes(content)
    return folder


def test_power_cut_at_any_system_call(tmp_path, monkeypatch):
    """Recording, then finishing: after each cut, all that had been flushed is recovered."""
    disk_folder = tmp_path / "disk"
    disk_folder.mkdir()
    flushed_at: list[tuple[int, int]] = []
    with monkeypatch.context() as patch:
        disk = Disk(disk_folder, patch)
        writer = JournalWriter(journal_path(disk_folder / "a.parquet"), Facts(recording_id="a"))
        for batch in range(8):
            writer.append([("RPM", "7E8", batch * 100 + k, float(k)) for k in range(100)])
            writer.event(Event(t_ns=batch, kind="marker"))
            writer.flush()
            flushed_at.append((len(disk.states), writer.samples))
        finish(writer)
    assert {name for state in disk.states for name in state} >= {
        "a.parquet",
        "a.parquet.journal",
    }
    assert any(name.endswith(".part") for state in disk.states for name in state)
    assert disk.names == ["a.parquet"]
    for number, state in enumerate(disk.states):
        folder = _written(tmp_path / str(number), state)
        recovered(folder)
        promised = max((n for states, n in flushed_at if states <= number), default=0)
        names = [path.name for path in folder.iterdir() if not path.name.startswith(".logbench-")]
        if promised == 0 and not names:
            continue
        assert names == ["a.parquet"], f"state {number}: {sorted(state)}"
        rpm = open_recording(folder / "a.parquet").trace("RPM")
        assert len(rpm) >= promised
        assert rpm.t_ns.tolist() == list(range(len(rpm)))


def test_power_cut_while_writing_directly(tmp_path, monkeypatch):
    """Without a journal: afterwards there is the whole file under its name, or none."""
    disk_folder = tmp_path / "disk"
    disk_folder.mkdir()
    traces = _traces(200)
    with monkeypatch.context() as patch:
        disk = Disk(disk_folder, patch)
        write_recording(disk_folder / "a.parquet", traces, Facts())
    whole = 0
    for number, state in enumerate(disk.states):
        folder = _written(tmp_path / str(number), state)
        if (folder / "a.parquet").exists():
            _same(folder, traces)
            whole += 1
    assert 0 < whole < len(disk.states)
    assert disk.names == ["a.parquet"]


def _six_batches(path: Path) -> tuple[bytes, list[int]]:
    """A journal, and its length after each batch of ten samples."""
    writer = JournalWriter(path, Facts())
    ends = []
    for batch in range(6):
        writer.append([("RPM", "7E8", batch * 10 + k, 1.0) for k in range(10)])
        writer.flush()
        ends.append(writer.size_bytes)
    writer.close()
    return path.read_bytes()[: ends[-1]], ends


def test_the_tail_that_was_not_synced_may_be_anything(tmp_path):
    """Bytes written after the last fsync may be missing, zero, rubbish, or what was there before:
    another journal."""
    path = journal_path(tmp_path / "a.parquet")
    data, ends = _six_batches(path)
    before, _ = _six_batches(journal_path(tmp_path / "b.parquet"))
    rng = np.random.default_rng(4)
    for synced in range(6):
        tail = len(data) - ends[synced]
        for rubbish in (b"", bytes(tail), rng.bytes(tail), before[-tail:]):
            path.write_bytes(data[: ends[synced]] + rubbish)
            assert len(read_journal(path).t_ns) == (synced + 1) * 10


# --- two programs ---


def _write_and_finish(folder: Path, number: int, start) -> None:
    start.wait()
    path = folder / f"{number}.parquet"
    writer = JournalWriter(journal_path(path), Facts(recording_id=str(number)))
    for batch in range(40):
        writer.append([("RPM", "7E8", batch * 10 + k, float(number)) for k in range(10)])
        writer.flush()
    finish(writer)


def _recover_again_and_again(folder: Path, start, end) -> None:
    start.wait()
    while not end.wait(0.001):
        recovered(folder)


def test_programs_on_the_same_folder(tmp_path, forkserver):
    """Two record, two recover all the time: each recording is whole and there once."""
    start, end = forkserver.Event(), forkserver.Event()
    writers = [
        forkserver.Process(target=_write_and_finish, args=(tmp_path, number, start))
        for number in range(2)
    ]
    others = [
        forkserver.Process(target=_recover_again_and_again, args=(tmp_path, start, end))
        for _ in range(2)
    ]
    for process in writers + others:
        process.start()
    start.set()
    for process in writers:
        process.join()
    end.set()
    for process in others:
        process.join()
    assert [process.exitcode for process in writers + others] == [0] * 4
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0.parquet", "1.parquet"]
    for number in range(2):
        recording = open_recording(tmp_path / f"{number}.parquet")
        assert not recording.facts.recovered
        rpm = recording.trace("RPM")
        assert rpm.t_ns.tolist() == list(range(400))
        assert set(rpm.value) == {float(number)}


def test_all_recover_the_same_orphan(tmp_path, forkserver):
    traces = _traces(2000)
    for round_ in range(5):
        folder = tmp_path / str(round_)
        folder.mkdir()
        _journal(folder, traces)
        start, end = forkserver.Event(), forkserver.Event()
        processes = [
            forkserver.Process(target=_recover_again_and_again, args=(folder, start, end))
            for _ in range(4)
        ]
        for process in processes:
            process.start()
        start.set()
        deadline = time.monotonic() + 30
        while journal_path(folder / "a.parquet").exists():
            assert time.monotonic() < deadline
            time.sleep(0.01)
        end.set()
        for process in processes:
            process.join()
        assert [process.exitcode for process in processes] == [0] * 4
        assert [path.name for path in folder.iterdir()] == ["a.parquet"]
        _same(folder, traces)


def test_kill_is_sigkill(forkserver):
    """The tests above mean `kill -9`: multiprocessing's `kill` sends it on POSIX."""
    process = forkserver.Process(target=time.sleep, args=(60,))
    process.start()
    process.kill()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    process.close()
