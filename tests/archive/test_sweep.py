"""Sweeps on real scheduler and worker processes; one of them is killed in mid-sweep."""

from __future__ import annotations

import asyncio
import functools
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from logbench.archive import sweep
from logbench.archive.archive import Archive
from logbench.archive.sweep import (
    load_function,
    processes_for,
    sweep_checks,
    sweep_function,
)
from logbench.cli.main import main
from logbench.errors import ArchiveError, UsageError
from logbench.recording.reader import Recording
from tests.archive.conftest import make

distributed = pytest.importorskip("distributed")
cluster = pytest.importorskip("logbench.archive.cluster")
psutil = pytest.importorskip("psutil")  # comes with distributed

PAUSE_S = 0.15


def highest_rpm(recording: Recording) -> dict[str, float | str | None]:
    """A user's function; slow enough that a worker can be killed at it."""
    time.sleep(PAUSE_S)
    note = recording.facts.note
    if note == "raises":
        raise ZeroDivisionError("as the user's code may")
    return {"rpm": float(recording.trace("RPM").value.max()), "note": note, "nothing": None}


FUNCTION = f"{highest_rpm.__module__}:highest_rpm"


@contextmanager
def process(*arguments: str, ready: str) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """A process of ours and its lines of output so far, once one of them matches `ready`."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    child = subprocess.Popen(
        [sys.executable, "-m", *arguments],
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )
    lines: list[str] = []
    seen = threading.Event()

    def read() -> None:
        assert child.stderr is not None
        for line in child.stderr:
            lines.append(line)
            if re.search(ready, line):
                seen.set()

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        assert seen.wait(90), lines
        yield child, lines
    finally:
        child.terminate()
        child.wait(30)
        reader.join(30)
        assert child.stderr is not None
        child.stderr.close()


@contextmanager
def scheduler() -> Iterator[str]:
    with process(
        "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
        "--dashboard-address", "127.0.0.1:0", ready=r"Scheduler at:\s+tcp://",
    ) as (_, lines):  # fmt: skip
        found = re.search(r"tcp://127\.0\.0\.1:\d+", "".join(lines))
        assert found is not None
        yield found[0]


@contextmanager
def worker(address: str) -> Iterator[subprocess.Popen[str]]:
    with process(
        "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
        "--dashboard-address", "127.0.0.1:0", "--host", "127.0.0.1",
        ready=r"Registered to:\s+tcp://",
    ) as (child, _):  # fmt: skip
        yield child


@pytest.fixture
def many(root: Path) -> Path:
    for number in range(75):
        make(root / f"van/m{number:03d}.parquet", n=40, note="raises" if number == 33 else "")
    return root


def results(out: Path) -> list[dict[str, object]]:
    return [
        row for path in sorted(out.glob("*.parquet")) for row in pq.read_table(path).to_pylist()
    ]


def test_a_users_function_resumed(many, tmp_path, opened):
    out = tmp_path / "out"
    some = [f"van/m{k:03d}.parquet" for k in range(30, 36)]
    first = sweep_function(opened(), FUNCTION, out, recordings=some)
    assert (first.done, first.known, first.problems) == (6, 0, 1)
    rows = results(out)
    assert len(rows) == 5 * 3 + 1
    (problem,) = [row for row in rows if row["problem"]]
    assert "as the user's code may" in str(problem["problem"])
    again = sweep_function(opened(), FUNCTION, out, recordings=[*some, "hatch/a.parquet"])
    assert (again.done, again.known) == (1, 6)
    for name in ("no.such.module:f", "math", "math:pi", ":"):
        with pytest.raises(UsageError):
            load_function(name)


def test_a_signal_is_swept_recorded_or_computed(many, tmp_path, opened):
    out, some = tmp_path / "out", ["hatch/a.parquet", "van/a.parquet"]
    swept = sweep_function(opened(), "total_trim1", out, recordings=some)
    assert (swept.done, swept.problems) == (2, 0)
    found = {(row["recording"], row["name"]): row["number"] for row in results(out)}
    traces = opened().open("van/a.parquet")
    total = traces.trace("SHRTFT1").value + traces.trace("LONGFT1").value
    assert found["van/a.parquet", "highest"] == pytest.approx(total.max())
    assert sweep_function(opened(), "TOTAL_TRIM1", out, recordings=some).known == 2


def test_stopped_and_resumed(many, opened):
    def stop(done: int, of: int) -> None:
        if done >= 24:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweep_checks(opened(), progress=stop)
    rest = sweep_checks(opened())
    assert (rest.done, rest.known) == (80 - 24, 24)
    assert len(set(opened().findings["recording"].to_pylist())) == 80


@pytest.mark.slow
def test_local_processes_find_the_same(many, tmp_path):
    one, two = (Archive(many, tmp_path / name) for name in ("one", "two"))
    sweep_checks(one)
    done = sweep_checks(two, processes=2)
    assert (done.done, done.problems) == (80, 0)
    key: Callable[[dict[str, object]], tuple[str, ...]] = lambda row: (  # noqa: E731
        str(row["recording"]), str(row["check"]), str(row["subject"]))  # fmt: skip
    rows = [sorted(a.findings.to_pylist(), key=key) for a in (one, two)]
    assert rows[0] == rows[1]


def listening(process: psutil.Process) -> list[tuple[str, int]]:
    """Addresses on which a process and those below it wait for anybody."""
    tree = [process, *process.children(recursive=True)]
    found = [c.laddr for p in tree for c in p.net_connections("inet") if c.status == "LISTEN"]
    return [(address.ip, address.port) for address in found]


def intrude(port: int, security: distributed.Security | None) -> str:
    """What a stranger of the same computer learns where a scheduler, nanny or worker listens."""
    scheme = "tcp" if security is None else "tls"

    async def run() -> str:
        args = {} if security is None else security.get_connection_args("client")
        async with distributed.rpc(f"{scheme}://127.0.0.1:{port}", connection_args=args,
                                   timeout=2) as peer:  # fmt: skip
            answer = await peer.identity()
            return str(answer["type"])

    try:
        return asyncio.run(asyncio.wait_for(run(), 4))
    except (OSError, TimeoutError, distributed.comm.CommClosedError):
        return ""


@pytest.mark.slow
def test_own_workers_listen_to_nobody_else(many, tmp_path, monkeypatch):
    """Without the sweep's own key nobody of this computer gets as far as to ask who is there."""
    with scheduler() as address:  # one that is open to everybody answers
        assert intrude(int(address.rpartition(":")[2]), None) == "Scheduler"
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    seen: list[tuple[str, int]] = []
    answers: list[str] = []
    others = set(listening(psutil.Process()))
    threads: list[threading.Thread] = []

    def strangers() -> None:
        foreign = distributed.Security.temporary()
        answers.extend(intrude(port, key) for _, port in seen for key in (None, foreign))

    def look(done: int, of: int) -> None:
        if not seen:
            seen.extend(set(listening(psutil.Process())) - others)
            threads.append(threading.Thread(target=strangers))
            threads[0].start()
            threads[0].join(60)

    done = sweep_checks(Archive(many, tmp_path / "c"), processes=2, progress=look)
    assert done.done == 80
    assert {host for host, _ in seen} == {"127.0.0.1"}
    assert len(seen) == 1 + 2 * 2, "a scheduler; of each worker itself and its nanny"
    assert answers == [""] * 2 * len(seen)
    keys = [p for p in tmp_path.rglob("*") if p.is_file() and b"PRIVATE KEY" in p.read_bytes()]
    assert keys == []


@pytest.mark.slow
def test_a_killed_worker_costs_only_its_unfinished_recordings(many, tmp_path, opened):
    """A real scheduler and two real workers; one is killed by the kernel with results pending."""
    out = tmp_path / "out"
    killed: list[int] = []
    with scheduler() as address, worker(address) as doomed, worker(address):

        def kill(done: int, of: int) -> None:
            if done >= 16 and not killed:
                killed.append(done)
                doomed.send_signal(signal.SIGKILL)

        done = sweep_function(opened(), FUNCTION, out, scheduler=address, progress=kill)
    assert killed
    assert doomed.returncode == -signal.SIGKILL
    assert (done.done, done.problems) == (80, 1)
    rows = results(out)
    names = [(row["recording"], row["name"]) for row in rows]
    assert len(names) == len(set(names)) == 79 * 3 + 1


def test_a_worker_of_another_version_is_refused(opened, root, monkeypatch):
    """What it found went among the rest."""
    entries = opened().entries(["van/a.parquet"])
    mine = cluster.versions()
    work = functools.partial(sweep._checked, ("fuel_trim",), None)
    assert sweep._same_version(mine, work, str(root), entries)
    for other in ({**mine, "logbench": "0.0"}, {**mine, "its checks, bands and signals": "0"}):
        with pytest.raises(ArchiveError, match="install the same on every worker"):
            sweep._same_version(other, work, str(root), entries)
    with pytest.raises(ArchiveError, match="another function on a worker"):
        sweep._called(FUNCTION, "another", str(root), entries)


@pytest.mark.slow
def test_workers_are_asked_for_their_version_before_anything_else(many, opened, monkeypatch):
    with scheduler() as address, worker(address):
        monkeypatch.setattr(cluster, "VERSION", "9.9")
        with pytest.raises(ArchiveError, match=r"logbench: 9\.9 here, 0\."):
            sweep_checks(opened(), scheduler=address)
    assert opened().findings.num_rows == 0


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="a signal to a group of processes")
def test_ctrl_c_ends_a_sweep_of_processes_with_one_sentence(many, tmp_path):
    """The terminal sends it to the workers, too: each told of its own end."""
    environment = os.environ | {"XDG_CACHE_HOME": str(tmp_path), "PYTHONPATH": os.getcwd()}
    child = subprocess.Popen(
        [sys.executable, "-c", SLOW_SWEEP, str(many)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        start_new_session=True,
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdout.readline() == "at it\n"
    os.killpg(child.pid, signal.SIGINT)
    _, said = child.communicate(timeout=120)
    assert child.returncode == 130
    assert " ".join(said.split()) == (
        "logbench: Stopped: what was finished is kept, and the same command goes on from there."
    )
    assert all_gone(child.pid)


def all_gone(group: int) -> bool:
    for _ in range(600):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


SLOW_SWEEP = """
import sys
from logbench.archive import sweep
from logbench.cli.main import main
real = sweep._results
def told(*args):
    for n, rows in enumerate(real(*args)):
        if n == 1:
            print("at it", flush=True)
        yield rows
sweep._results = told
sys.exit(main(["archive", "sweep", sys.argv[1], "--processes", "2"]))
"""


def test_no_scheduler_there(many, opened):
    with pytest.raises(ArchiveError, match="No dask scheduler answers"):
        sweep_checks(opened(), scheduler="tcp://127.0.0.1:9")


def test_only_some_checks(opened):
    """Findings of a few checks are found, but do not pass for all of them."""
    archive = opened()
    done = sweep_checks(archive, only=["fuel_trim", "charging"])
    assert (done.done, done.known) == (5, 0)
    assert set(archive.findings["check"].to_pylist()) == {"fuel_trim", "charging"}
    again = sweep_checks(opened(), only=["charging", "fuel_trim"])
    assert (again.done, again.known) == (0, 5)
    assert len(opened().pending(only=["charging"])) == 5
    assert len(opened().pending()) == 5
    archive = opened()
    assert sweep_checks(archive).done == 5
    pairs = archive.rows('SELECT recording, "check", subject FROM findings')
    assert len({tuple(pair.values()) for pair in pairs}) == len(pairs)
    assert opened().pending(only=["charging"]) == []
    with pytest.raises(UsageError, match="no check 'nonsense'"):
        sweep_checks(archive, only=["nonsense"])
    with pytest.raises(UsageError, match="at least one"):
        sweep_checks(archive, only=[])


def test_own_bands_and_checks_are_swept_by_themselves(root, tmp_path, capsys, monkeypatch):
    """A sweep knew the program's own only."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    file = tmp_path / "mine.toml"
    file.write_text(
        '[check.calm_trim]\ntitle = "Calm trim"\nvalue = "SHRTFT1"\nunit = "%"\n'
        'within = [-2, 2]\nwatch = [-3, 3]\nsteady = false\nbasis = "made up"\n'
    )
    mine = ["--bands", str(file)]
    assert main(["archive", "sweep", str(root), *mine]) == 0
    capsys.readouterr()
    sql = "SELECT recording, verdict FROM findings WHERE subject ILIKE '%calm trim%' ORDER BY 1"
    assert main(["archive", "query", str(root), sql, *mine, "--csv"]) == 0
    said = capsys.readouterr().out
    assert "van/a.parquet,within" in said
    assert "van/c.parquet,act" in said
    assert main(["archive", "query", str(root), sql, "--csv"]) == 0
    told = capsys.readouterr()
    assert told.out.splitlines() == ["recording,verdict"]
    assert "5 recordings have not been checked" in told.err
    assert main(["archive", "sweep", str(root), "--bands", str(root)]) == 3


def test_few_recordings_are_not_worth_a_worker(monkeypatch):
    assert processes_for(3) == 1
    monkeypatch.setattr(os, "cpu_count", lambda: 6)
    assert processes_for(10_000) == 6
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert processes_for(10_000) == 1
