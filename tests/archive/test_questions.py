"""A person's SQL: what it may not do, and that it could not if it might."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pyarrow as pa
import pytest

from logbench.archive import questions, room
from logbench.archive.archive import Archive
from logbench.cases.archive import ask_archive
from logbench.cases.runner import Runner
from logbench.errors import QueryError
from tests.archive.conftest import make

psutil = pytest.importorskip("psutil")  # comes with distributed

secret_in_python = pa.table({"secret": ["python variable"]})
MEMORY_BYTES = 2_000_000_000
ENDLESS = "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t) SELECT max(n) FROM t"
SAMPLES = "/* samples: DuckDB is allowed the recordings */"


class Held(NamedTuple):
    """An archive with something beside it that is nobody's business."""

    archive: Archive
    root: Path
    secret: Path


@pytest.fixture(scope="module")
def held(tmp_path_factory) -> Held:
    folder = tmp_path_factory.mktemp("held")
    root = folder / "archive"
    make(root / "van/a.parquet")
    make(root / "van/b [1].parquet", n=50)
    make(root / "van/every*.parquet", n=50)
    make(root / "van/every1.parquet", n=70)
    (folder / "secret.csv").write_text("secret\nword\n")
    pd.DataFrame({"secret": ["word"]}).to_parquet(folder / "secret.parquet")
    (root / "van/link.parquet").symlink_to(folder / "secret.parquet")
    return Held(Archive(root, folder / "cache"), root, folder / "secret.csv")


@pytest.fixture
def archive(root, tmp_path) -> Archive:
    return Archive(root, tmp_path / "cache")


def state(folder: Path) -> dict[str, bytes]:
    return {
        str(p): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and "cache" not in p.parts[len(folder.parts) :]
    }


def child_of(archive: Archive) -> psutil.Process:
    process = archive._questions._process
    assert process is not None
    return psutil.Process(process._process.pid)


def gone(process: psutil.Process) -> bool:
    """It has ended, whether anybody has taken note or not."""
    try:
        return process.status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True


def wait_for(true: Callable[[], bool], most_s: float = 30.0) -> float:
    """Seconds until something is true."""
    begun = time.monotonic()
    while not true():
        assert time.monotonic() - begun < most_s
        time.sleep(0.005)
    return time.monotonic() - begun


REACHING = [
    "SELECT * FROM '{secret}'",
    "SELECT * FROM read_csv('{secret}')",
    "SELECT * FROM read_csv('/etc/passwd')",
    "SELECT * FROM sniff_csv('{secret}')",
    "SELECT * FROM read_text('{secret}')",
    "SELECT * FROM read_blob('{secret}')",
    "SELECT * FROM read_parquet('{folder}/secret.parquet')",
    "SELECT * FROM read_parquet('{root}/../secret.parquet')",
    "SELECT * FROM read_parquet('{root}/van/../../secret.parquet')",
    "SELECT * FROM parquet_metadata('{folder}/secret.parquet')",
    "SELECT * FROM read_json('{secret}')",
    "SELECT * FROM glob('{folder}/*')",
    "SELECT * FROM glob('{root}/*/*')",
    "SELECT * FROM read_parquet('{root}/van/link.parquet')",
    "SELECT * FROM read_parquet('http://127.0.0.1:9/x.parquet')",
    "SELECT * FROM read_parquet('s3://bucket/x.parquet')",
    "SELECT * FROM secret_in_python",
    "SELECT * FROM sqlite_scan('{secret}', 'x')",
    "SELECT getenv('HOME')",
    "SELECT * FROM query('COPY (SELECT 1) TO ''{folder}/out.csv''')",
    "SELECT * FROM query('SELECT * FROM read_text(''{secret}'')')",
    "SELECT * FROM json_execute_serialized_sql("
    "json_serialize_sql('SELECT * FROM read_text(''{secret}'')'))",
    "SELECT * FROM enable_logging(storage='file', storage_config={{'path': '{folder}/log'}})",
    "SELECT * FROM enable_profiling(save_location='{folder}/profile')",
    "SELECT * FROM add_grammar_extension('{folder}/x')",
]
WRITING = [
    "COPY (SELECT 1) TO '{folder}/out.csv'",
    "COPY (SELECT 1 AS a) TO '{root}/van/a.parquet' (FORMAT parquet)",
    "EXPORT DATABASE '{folder}/out'",
    "ATTACH '{folder}/out.db'",
    "CREATE TABLE t AS SELECT 1",
    "CREATE VIEW recordings AS SELECT 1",
    "CREATE MACRO car() AS 1",
    "DROP VIEW recordings",
    "DELETE FROM recordings",
    "INSERT INTO recordings SELECT * FROM recordings",
    "INSTALL httpfs",
    "LOAD httpfs",
    "SET enable_external_access = true",
    "SET allowed_paths = ['{secret}']",
    "PRAGMA database_list",
    "SELECT 1; DROP VIEW recordings",
    "EXPLAIN SELECT 1",
    "EXPLAIN ANALYZE SELECT 1",
    "EXPLAIN ANALYZE COPY (SELECT 1) TO '{folder}/out.csv'",
    "EXPLAIN ANALYZE COPY (SELECT 1 AS a) TO '{root}/van/a.parquet' (USE_TMP_FILE false)",
    "WITH x AS (COPY (SELECT 1) TO '{folder}/out.csv') SELECT 1",
    "WITH x AS (INSERT INTO jobs SELECT * FROM jobs RETURNING 1) SELECT * FROM x",
    "PREPARE x AS SELECT 1",
    "CALL pragma_version()",
    "CHECKPOINT",
    "USE memory",
    "",
    "-- nothing",
    "SELECT '\ud800'",
]


@pytest.mark.parametrize("sql", REACHING + WRITING)
def test_sql_reads_the_archive_and_nothing_else(held, sql):
    before = state(held.root.parent)
    text = sql.format(secret=held.secret, folder=held.secret.parent, root=held.root)
    for asked in (text, f"{text} {SAMPLES}"):
        with pytest.raises(QueryError):
            held.archive.query(asked)
    assert state(held.root.parent) == before


def test_reading_statements_of_every_form_work(held):
    for sql in ("FROM recordings", "VALUES (1)", "DESCRIBE samples", "SUMMARIZE recordings",
                "WITH a AS (SELECT 1 AS x) SELECT * FROM a", "SELECT 1 WHERE false;",
                "SELECT signal, count(*) FROM samples GROUP BY 1",
                "SELECT uuid() AS u, INTERVAL 3 DAY AS i, 1::HUGEINT AS h, TIMESTAMPTZ '2026-01-01'"
                " AS t, {'a': [1, NULL]} AS s, MAP {'k': 1.5::DECIMAL(9, 2)} AS m, '[]'::JSON AS j,"
                " 'a'::ENUM('a', 'b') AS e, '\\x00'::BLOB AS b, DATE '2026-01-01' AS d",
                "SELECT * FROM findings JOIN recordings USING (recording)"):  # fmt: skip
        answer = held.archive.query(sql)
        assert answer.table.num_columns > 0
        assert answer.cut == ""


def test_the_process_has_no_keys(held):
    """No home folder is named to it: DuckDB looks for stored ones there."""
    assert held.archive.query("FROM duckdb_secrets()").table.num_rows == 0


def test_samples_of_any_name_are_read_by_name_and_not_by_pattern(held):
    """With recordings named `every*` and `every1`, every query over `samples` failed."""
    answer = held.archive.query(
        "SELECT recording, count(*) AS n FROM samples GROUP BY 1 ORDER BY 1"
    )
    assert answer.table.to_pydict() == {
        "recording": [
            "van/a.parquet",
            "van/b [1].parquet",
            "van/every*.parquet",
            "van/every1.parquet",
        ],
        "n": [7 * 1200, 7 * 50, 7 * 50, 7 * 70],
    }


# --- what it takes ---


class Ran(NamedTuple):
    code: int
    out: str
    err: str
    peak_bytes: int
    """Of the largest process."""


def command(root: Path, sql: str) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]),
                                "XDG_CACHE_HOME": str(root.parent / "cache")}  # fmt: skip
    return subprocess.Popen(
        [sys.executable, "-m", "logbench", "archive", "query", str(root), sql, "--memory", "2GB"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip


def ran(root: Path, sql: str) -> Ran:
    """`peak_bytes` as the kernel counts it for each process; that of `wait4` begins with what this
    process held when it forked."""
    with command(root, sql) as process:
        tree, over, peaks = psutil.Process(process.pid), threading.Event(), [0]

        def watch() -> None:
            while not over.wait(0.02):
                with contextlib.suppress(psutil.Error, OSError, StopIteration):
                    for one in (tree, *tree.children(recursive=True)):
                        lines = Path(f"/proc/{one.pid}/status").read_text().splitlines()
                        held = next(line for line in lines if line.startswith("VmHWM"))
                        peaks.append(int(held.split()[1]) * 1024)

        watcher = threading.Thread(target=watch)
        watcher.start()
        out, err = process.communicate()
        over.set()
        watcher.join()
    return Ran(process.returncode, out, err, max(peaks))


def test_explain_analyze_leaves_a_recording_as_it_is(root):
    """It was overwritten with 20 bytes, by the command line, with nothing but SQL."""
    before = state(root)
    target = root / "van/a.parquet"
    over = f"COPY (SELECT 1 AS a) TO '{target}' (FORMAT csv, USE_TMP_FILE false)"
    done = ran(root, f"EXPLAIN ANALYZE {over} {SAMPLES}")
    assert state(root) == before
    assert done.code == 3
    assert "EXPLAIN is refused" in done.err


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("SELECT * FROM range(1000000000)", "cut off at 5,000,000 rows"),
        ("SELECT generate_series FROM generate_series(1, 1000000000)", "cut off at 5,000,000"),
        ("SELECT repeat('x', 100) || range FROM range(1000000000)", "cut off at 256 MB"),
        ("SELECT list(range) FROM range(1000000000)", "Out of Memory"),
        ("SELECT list(a.range) FROM range(100000000) a, range(100) b", "Out of Memory"),
        ("SELECT repeat('x', 3000000000)", "Out of Memory"),
        ("SELECT repeat('x', 400000000)", "cut off at 256 MB"),
        ("SELECT list_transform(range(1000000000), lambda x: x + 1)", "Out of Memory"),
    ],
)
def test_no_query_takes_more_memory_than_it_may(root, sql, said):
    done = ran(root, sql)
    assert said in done.err
    assert done.code == 3
    assert 50_000_000 < done.peak_bytes < 1.1 * MEMORY_BYTES


def test_ctrl_c_ends_a_query_at_once(root):
    """A recursive one went on for 8 seconds."""
    with command(root, ENDLESS) as process:
        tree = psutil.Process(process.pid)

        def used_s() -> float:
            return sum(sum(p.cpu_times()[:2]) for p in [tree, *tree.children(recursive=True)])

        wait_for(lambda: used_s() > 4.0)
        children = tree.children(recursive=True)
        begun = time.monotonic()
        process.send_signal(signal.SIGINT)
        wait_for(lambda: all(gone(child) for child in children))
        ended_s = time.monotonic() - begun
        _, err = process.communicate(timeout=30)
        whole_s = time.monotonic() - begun
    assert process.returncode == 130
    assert err == ""
    assert ended_s < 0.5
    assert whole_s < 1.5


def test_the_programs_death_ends_a_query_at_once(root):
    with command(root, ENDLESS) as process:
        tree = psutil.Process(process.pid)
        wait_for(lambda: any(child.cpu_times().user > 3.0 for child in tree.children()))
        (child,) = tree.children()
        process.kill()
        process.wait()
        assert wait_for(lambda: gone(child)) < 0.5
    left = [p for p in (root.parent / "cache").rglob("query-*") if p.is_dir() and any(p.iterdir())]
    assert left == []


def test_canceling_the_case_ends_a_query_at_once(archive):
    """As the window does it: the runner's owner cancels."""
    calls: list[Callable[[], object]] = []
    ended = threading.Event()
    owner_of = Runner(calls.append).owner("archive")
    archive.query("SELECT 1")
    child = child_of(archive)
    running = owner_of.start(ask_archive(archive, ENDLESS), ended=ended.set)
    wait_for(lambda: child.cpu_percent(0.1) > 50)
    assert running.cancel()
    assert wait_for(lambda: gone(child)) < 0.5
    assert archive.query("SELECT 7 AS n").table.to_pydict() == {"n": [7]}


def test_a_query_ends_after_a_time(archive, monkeypatch):
    monkeypatch.setattr(questions, "QUERY_S", 0.5)
    with pytest.raises(QueryError, match=r"stopped after 0 s|stopped after 1 s"):
        archive.query(ENDLESS)


def test_memory_is_watched_from_outside_too(archive, monkeypatch):
    """Where DuckDB does not count what it takes."""
    archive.query("SELECT 1")
    monkeypatch.setattr(archive._questions._process, "_memory_bytes", 1)
    with pytest.raises(QueryError, match="of memory it may have"):
        archive.query(ENDLESS)


def test_what_is_put_aside_is_bounded_and_removed(archive, monkeypatch):
    monkeypatch.setattr(questions, "_DUCKDB_SHARE", 60_000_000 / archive.memory_bytes)
    monkeypatch.setattr(room, "QUERY_FOLDER_BYTES", 100_000_000)
    peaks: list[int] = []
    stopping = threading.Event()

    def watch() -> None:
        while not stopping.wait(0.01):
            with contextlib.suppress(FileNotFoundError):  # DuckDB removes them as it goes
                sizes = [path.stat().st_size for path in archive.cache.glob("query-*/*")]
                peaks.append(sum(sizes))

    watcher = threading.Thread(target=watch)
    watcher.start()
    sql = "SELECT range AS r, repeat('y', 99) AS y FROM range(10000000) ORDER BY hash(r)"
    with pytest.raises(QueryError, match="cannot be answered"):
        archive.query(sql)
    stopping.set()
    watcher.join()
    assert 10_000_000 < max(peaks) < 120_000_000
    (folder,) = [path for path in archive.cache.glob("query-*") if path.is_dir()]
    assert folder.stat().st_mode & 0o777 == 0o700
    archive._questions.close()
    assert list(archive.cache.glob("query-*")) == []


def test_what_a_killed_program_left_is_removed(archive):
    archive.cache.mkdir(parents=True)
    left = archive.cache / "query-left"
    left.mkdir()
    (left / "spill.tmp").write_bytes(bytes(1000))
    (archive.cache / "query-left.lock").touch()
    archive.query("SELECT 1")
    assert not left.exists()
    assert len([path for path in archive.cache.glob("query-*") if path.is_dir()]) == 1


# --- one process, as long as it is of use ---


def test_the_process_is_kept_and_ends_with_its_archive(root, tmp_path):
    archive = Archive(root, tmp_path / "cache")
    archive.query("SELECT 1")
    first = child_of(archive)
    with pytest.raises(QueryError):
        archive.query("SELECT nothing")
    assert archive.query("SELECT count(*) AS n FROM recordings").table.to_pydict() == {"n": [5]}
    assert child_of(archive) == first
    make(root / "van/new.parquet")
    archive.refresh()
    assert archive.query("SELECT count(*) AS n FROM recordings").table.to_pydict() == {"n": [6]}
    second = child_of(archive)
    assert gone(first)
    archive = None
    gc.collect()
    wait_for(lambda: gone(second))


def test_findings_made_since_are_seen(archive):
    count = "SELECT count(DISTINCT recording) AS n FROM findings WHERE \"check\" = 'fuel_trim'"
    assert archive.query(count).table.to_pydict() == {"n": [0]}
    archive.findings_of("van/a")
    assert archive.query(count).table.to_pydict() == {"n": [1]}


def test_threads_take_turns(archive):
    found: list[int] = []

    def ask(n: int) -> None:
        found.extend(archive.query(f"SELECT {n} AS n").table["n"].to_pylist())

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(found) == list(range(8))


# --- past the parser, and past DuckDB's own locks ---

OPEN = """
import os, socket, subprocess, duckdb, pyarrow as pa
from pathlib import Path
from logbench.archive import answers

kept = []

def stream(self, sql, rows):
    if sql.startswith("PYTHON "):
        return pa.table({"said": [str(eval(sql[7:]))]}).to_reader()
    connection = duckdb.connect(":memory:")
    kept.append(connection)
    return connection.execute(sql).to_arrow_reader(rows)

answers.Sql.stream = stream
answers.main()
"""
"""The process that answers, taken over: anything is run, by a DuckDB with nothing locked, or by
Python itself."""
HOSTILE = [
    "COPY (SELECT 1) TO '{root}/van/a.parquet' (FORMAT csv)",
    "COPY (SELECT 1) TO '{root}/van/new.parquet'",
    "COPY (SELECT 1) TO '{folder}/out.csv'",
    "COPY (SELECT 1) TO '{home}/out.csv'",
    "COPY (SELECT 1) TO '{root}/van/a.parquet' (FORMAT csv, USE_TMP_FILE false)",
    "EXPORT DATABASE '{folder}/out'",
    "ATTACH '{folder}/out.db'",
    "SELECT * FROM read_text('/etc/passwd')",
    "SELECT * FROM read_csv('{secret}')",
    "SELECT * FROM read_text('/proc/self/environ')",
    "SELECT * FROM read_text('/proc/{parent}/environ')",
    "SELECT * FROM read_parquet('{folder}/secret.parquet')",
    "SELECT * FROM read_parquet('{root}/van/link.parquet')",
    "INSTALL httpfs",
    "LOAD '{folder}/x.duckdb_extension'",
    "SELECT * FROM enable_logging(storage='file', storage_config={{'path': '{folder}/log'}})",
    "PYTHON open('/etc/passwd').read()",
    "PYTHON open('{secret}').read()",
    "PYTHON os.listdir('{folder}')",
    "PYTHON open('{root}/van/a.parquet', 'r+b')",
    "PYTHON os.truncate('{root}/van/a.parquet', 0)",
    "PYTHON os.unlink('{root}/van/a.parquet')",
    "PYTHON os.rename('{root}/van/a.parquet', 'a.parquet')",
    "PYTHON os.link('{root}/van/a.parquet', '{folder}/b.parquet')",
    "PYTHON os.symlink('/etc/passwd', '{folder}/link')",
    "PYTHON os.symlink('/etc/passwd', 'link')",
    "PYTHON os.mkdir('{folder}/new')",
    "PYTHON subprocess.run(['/bin/true'])",
    "PYTHON open('more', 'wb').truncate(10**12)",
]


def landlock() -> int:
    return int(ctypes.CDLL(None).syscall(444, None, 0, 1)) if sys.platform == "linux" else 0


@pytest.fixture(scope="module")
def taken_over(held) -> Iterator[Held]:
    if landlock() < 3:
        pytest.skip("this kernel has no Landlock, or one that lets files be cut short")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(questions, "_COMMAND", ("-c", OPEN))
        archive = Archive(held.root, held.root.parent / "cache" / "taken-over")
        archive.query("SELECT 1")
        yield Held(archive, held.root, held.secret)


@pytest.mark.parametrize("sql", HOSTILE)
def test_a_hole_costs_nothing(taken_over, sql):
    before = state(taken_over.root.parent)
    home = Path.home()
    at_home = sorted(home.iterdir())
    text = sql.format(secret=taken_over.secret, folder=taken_over.secret.parent,
                      root=taken_over.root, home=home, parent=os.getpid())  # fmt: skip
    with pytest.raises(QueryError) as refused:
        taken_over.archive.query(text)
    assert "ended the process" not in str(refused.value)
    assert state(taken_over.root.parent) == before
    assert sorted(home.iterdir()) == at_home


def test_the_hole_is_one(taken_over):
    """The last test would find what it looks for: inside its bounds everything goes."""
    ask = taken_over.archive.query
    ask("COPY (SELECT 1) TO 'own.csv'")
    assert "1" in ask("PYTHON open('own.csv').read()").table["said"][0].as_py()
    sql = f"SELECT count(*) AS n FROM read_parquet('{taken_over.root}/van/a.parquet')"
    assert ask(sql).table["n"].to_pylist() == [7 * 1200]
    assert ask("SELECT count(*) AS n FROM glob('/etc/*')").table["n"].to_pylist() == [0]
    assert ask("PYTHON dict(os.environ)").table["said"].to_pylist() == ["{}"]


@pytest.mark.skipif(landlock() < 4, reason="this kernel does not hold the network")
def test_a_hole_reaches_no_network_and_no_other_process(taken_over, tmp_path):
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with pytest.raises(QueryError, match="denied"):
            taken_over.archive.query(f"PYTHON socket.create_connection(('127.0.0.1', {port}))")
    with pytest.raises(QueryError, match="denied"):
        taken_over.archive.query("PYTHON socket.create_server(('127.0.0.1', 0))")
    if landlock() >= 6:
        with pytest.raises(QueryError, match="not permitted"):
            taken_over.archive.query(f"PYTHON os.kill({os.getpid()}, 0)")


def test_a_process_that_crashes_is_a_sentence(taken_over):
    with pytest.raises(QueryError, match="ended the process that answers"):
        taken_over.archive.query("PYTHON os.abort()")
    assert taken_over.archive.query("SELECT 3 AS n").table.to_pydict() == {"n": [3]}


def test_what_comes_back_is_not_believed(taken_over):
    """Bytes that are not a table, more than was allowed, a frame that claims to be enormous."""
    for said, match in (
        ("os.write(sink, b'B' + (3).to_bytes(8, 'little') + b'abc' + b'E' + bytes(8))", "a table"),
        ("os.write(sink, b'B' + (1 << 62).to_bytes(8, 'little'))", "ended the process"),
        ("[os.write(sink, b'B' + (1 << 20).to_bytes(8, 'little') + bytes(1 << 20)) for _ in"
         " range(400)]", "larger than it said"),
    ):  # fmt: skip
        sink = "next(int(f) for f in range(3, 20) if os.path.exists(f'/dev/fd/{f}'))"
        with pytest.raises(QueryError, match=match):
            taken_over.archive.query(f"PYTHON (lambda sink: {said})({sink})")


def test_ctrl_c_ends_a_statement_of_the_programs_own():
    """Find with a condition reads samples where it is asked; Ctrl-C ended in a traceback."""
    code = (
        "import os, signal, threading, time\n"
        "from logbench.archive.query import Sql\n"
        "threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT)).start()\n"
        "begun = time.monotonic()\n"
        "try:\n"
        f"    Sql({{}}).run('{ENDLESS}')\n"
        "except KeyboardInterrupt:\n"
        "    print(time.monotonic() - begun)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.stderr == ""
    assert 0.4 < float(done.stdout) < 2.0


def test_duckdb_is_met_in_few_modules():
    """A person's SQL is run in the process of `answers`; `query` and `chunks` run fixed text, and
    `fleet` hands relations to whoever programs with it."""
    package = Path(questions.__file__).parents[1]
    found = {path.name for path in package.rglob("*.py") if "import duckdb" in path.read_text()}
    assert found == {"answers.py", "chunks.py", "fleet.py", "query.py"}
