"""Hostile archives: SQL that reaches out, links, odd names, footers that lie."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbench.archive import reading
from logbench.archive.archive import Archive
from logbench.archive.chunks import chunks_of
from logbench.archive.query import Sql, samples_of
from logbench.archive.reading import open_entry
from logbench.archive.store import Entry, LocalStore, Problem, check_name, open_store
from logbench.errors import ArchiveError, LogbenchError, QueryError
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.writing import PARQUET_SCHEMA
from tests.archive.conftest import make


@pytest.mark.parametrize(
    "path",
    ["../x.parquet", "a/../../x.parquet", "/etc/passwd", "~/x", "a\\..\\x", "C:x", "a\nb.parquet",
     "a\0.parquet", "\u202ex.parquet", "", "a\ud800.parquet", "a\u200b.parquet"],
)  # fmt: skip
def test_paths_out_of_the_root_are_refused(path, root, opened):
    with pytest.raises(ArchiveError):
        check_name(path)
    store = open_store(root)
    with pytest.raises(ArchiveError):
        store.open(path)
    with pytest.raises(ArchiveError):
        store.put(root / "van/a.parquet", path)
    with pytest.raises(ArchiveError):
        opened().open(path)


def test_links_and_odd_names_are_listed_and_left_out(opened, root, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "x.parquet").write_bytes((root / "van/a.parquet").read_bytes())
    (root / "van/link.parquet").symlink_to(outside / "x.parquet")
    (root / "linked").symlink_to(outside, target_is_directory=True)
    (root / "loop").symlink_to(root, target_is_directory=True)
    (root / "bad\nname.parquet").write_bytes(b"")
    os.mkfifo(root / "pipe.parquet")
    archive = opened()
    assert archive.index.recordings.num_rows == 5
    assert {(p.path, p.kind) for p in archive.index.problems} == {
        ("van/link.parquet", "link"), ("linked", "link"), ("loop", "link"),
        ("bad\nname.parquet", "name"), ("pipe.parquet", "foreign")}  # fmt: skip
    for path in ("van/link.parquet", "linked/x.parquet"):
        with pytest.raises(ArchiveError, match="link"):
            LocalStore(root).open(path)
    with pytest.raises(ArchiveError, match="link"):
        LocalStore(root).put(outside / "x.parquet", "linked/new.parquet")
    assert sorted(p.name for p in outside.iterdir()) == ["x.parquet"]


def test_a_link_put_in_after_listing_is_not_followed(opened, root, tmp_path):
    archive = opened()
    archive.refresh()
    (root / "van/a.parquet").rename(tmp_path / "moved.parquet")
    (root / "van/a.parquet").symlink_to(tmp_path / "moved.parquet")
    with pytest.raises(ArchiveError, match="link"):
        archive.open("van/a.parquet")


def foreign(folder: Path) -> dict[str, tuple[Path, str]]:
    """Files that are not sound recordings, with the kind of problem each is."""
    good = pq.read_metadata(folder / "van/a.parquet").metadata[FACTS_KEY]
    made: dict[str, tuple[Path, str]] = {}

    def write(name: str, kind: str, table: pa.Table) -> None:
        pq.write_table(table, folder / f"{name}.parquet")
        made[name] = (folder / f"{name}.parquet", kind)

    def raw(name: str, kind: str, data: bytes) -> None:
        (folder / f"{name}.parquet").write_bytes(data)
        made[name] = (folder / f"{name}.parquet", kind)

    plain = pa.table({"a": [1]})
    write("plain", "foreign", plain)
    write("columns", "foreign", plain.replace_schema_metadata({FACTS_KEY: good}))
    empty = PARQUET_SCHEMA.empty_table()
    for name, facts, kind in (
        ("json", b"{nonsense", "damaged"), ("list", b"[]", "damaged"),
        ("deep", b'{"a":' * 100_000, "damaged"), ("future", b'{"schema_version": "99.0"}',
                                                  "too new"),
        ("types", b'{"schema_version": "1.0", "events": 3}', "damaged"),
        ("nover", b'{"schema_version": {}}', "damaged"),
    ):  # fmt: skip
        write(name, kind, empty.replace_schema_metadata({FACTS_KEY: facts}))
    whole = (folder / "van/a.parquet").read_bytes()
    raw("cut", "damaged", whole[: len(whole) // 2])
    raw("tail", "damaged", whole[:-4])
    raw("text", "damaged", b"hello")
    raw("empty", "damaged", b"")
    raw("magic", "damaged", b"PAR1" + b"\xff" * 60 + b"\xff\xff\xff\x7fPAR1")
    raw("hole", "enormous", whole[:4] + whole[40_000:])
    return made


def test_bad_files_are_reported_and_the_rest_goes_on(opened, root):
    made = foreign(root)
    archive = opened()
    kinds = {problem.path: problem.kind for problem in archive.index.problems}
    for name, (path, kind) in made.items():
        assert kinds[path.name] in {kind, "damaged"}, name
    assert archive.index.recordings.num_rows == 5
    sql = "SELECT count(DISTINCT recording) AS n FROM samples"
    assert archive.query(sql).table.to_pydict() == {"n": [5]}
    for problem in archive.index.problems:
        assert problem.path in problem.sentence


def test_a_footer_that_claims_billions_of_rows(root, monkeypatch):
    """The footer's numbers are thrift varints; here their readers are given ones that lie."""
    store = LocalStore(root)
    entry = next(e for e in store.listing().recordings if e.path == "van/a.parquet")
    real = pq.read_metadata(root / entry.path)
    (chunks,) = chunks_of([str(root / entry.path)])
    assert chunks is not None

    class Lying:
        def __init__(self, rows: int) -> None:
            self.num_rows = rows

        def __getattr__(self, name: str) -> object:
            return getattr(real, name)

    def problem() -> Problem | None:
        found = reading.read_footer(store, entry)
        return found if isinstance(found, Problem) else None

    assert problem() is None
    for rows in (7_000_000_000, -1, real.num_rows + 1):
        with monkeypatch.context() as patch:
            patch.setattr(reading.pq, "read_metadata", lambda _, r=rows: Lying(r))
            found = problem()
        assert found is not None
        assert found.kind == "enormous"
    for claim in (
        {"unpacked_bytes": 10**12}, {"packed_bytes": 10**9}, {"start": -5}, {"values": 10**10},
        {"kind": "INT32"}, {"rows": 3}, {"column": 3}, {"group": 99},
    ):  # fmt: skip
        of_chunk = {} if "kind" in claim else {"chunk": replace(chunks[0].chunk, **claim)}
        lying = [replace(chunks[0], **(of_chunk or claim)), *chunks[1:]]
        with monkeypatch.context() as patch:
            patch.setattr(reading, "chunks_of", lambda _, c=lying: [c])
            found = problem()
        assert found is not None, claim
        assert found.kind == "enormous"
    with monkeypatch.context() as patch:
        patch.setattr(reading, "chunks_of", lambda _: [chunks[:-1]])
        assert problem() is not None


def test_no_byte_of_a_footer_ends_the_process(tmp_path):
    """pyarrow aborts the process at 12 of these when it is asked about their columns."""
    trace = Trace("RPM", "7E8", "rpm", np.arange(50, dtype=np.int64), np.arange(50.0))
    file = write_recording(tmp_path / "a.parquet", [trace], Facts())
    code = (
        "import pathlib, sys\n"
        "from logbench.archive.reading import Problem, read_footers\n"
        "from logbench.archive.store import Entry, LocalStore\n"
        "whole = pathlib.Path(sys.argv[1]).read_bytes()\n"
        "folder = pathlib.Path(sys.argv[2])\n"
        "start = len(whole) - 8 - int.from_bytes(whole[-8:-4], 'little')\n"
        "entries = []\n"
        "for where in range(start, start + 400):\n"
        "    spoiled = bytearray(whole)\n"
        "    spoiled[where] ^= 2\n"
        "    (folder / f'{where}.parquet').write_bytes(spoiled)\n"
        "    entries.append(Entry(f'{where}.parquet', len(whole), 0))\n"
        "found = read_footers(LocalStore(folder), entries)\n"
        "print(len(found), sum(isinstance(f, Problem) for f in found))\n"
    )
    folder = tmp_path / "spoiled"
    folder.mkdir()
    done = subprocess.run(
        [sys.executable, "-c", code, str(file), str(folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-500:]
    count, bad = map(int, done.stdout.split())
    assert count == 400
    assert 100 < bad < 400


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(place=st.integers(0, 10**6), new=st.binary(min_size=1, max_size=8))
def test_spoiled_bytes_never_raise_anything_but_our_errors(root, tmp_path, place, new):
    """Any bytes of a recording changed: it is a problem, or opens; nothing else escapes."""
    whole = bytearray((root / "van/a.parquet").read_bytes())
    place %= len(whole)
    whole[place : place + len(new)] = new
    folder = tmp_path / "spoiled"
    folder.mkdir(exist_ok=True)
    (folder / "x.parquet").write_bytes(whole)
    store = LocalStore(folder)
    footer = reading.read_footer(store, Entry("x.parquet", len(whole), 0))
    if not isinstance(footer, Problem):
        with contextlib.suppress(LogbenchError):
            open_entry(store, footer.known.entry).traces()
        with contextlib.suppress(QueryError), Sql({}, samples_of(store, ["x.parquet"])) as views:
            views.run("SELECT sum(value) FROM samples")


def test_a_footer_that_only_sql_cannot_read_is_left_out(opened, root, monkeypatch):
    """Found by fuzzing: pyarrow reads past some spoiled bytes, DuckDB refuses them."""
    spoiled = root / "van/b.parquet"
    content = spoiled.read_bytes()
    assert content.count(b"\x06schema") == 1
    spoiled.write_bytes(content.replace(b"\x06schema", b"\x06\xf3chema"))
    assert pq.read_metadata(spoiled).num_rows > 0
    archive = opened()
    assert archive.index.recordings.num_rows == 4
    assert [p.kind for p in archive.index.problems] == ["damaged"]
    cut = root / "van/cut.parquet"
    cut.write_bytes(b"PAR1" + b"\0" * 40 + b"PAR1")
    names = [str(root / "van/a.parquet"), str(cut), str(spoiled)]
    found = chunks_of(names)
    assert [chunks is None for chunks in found] == [False, True, True]
    assert chunks_of([]) == []


def test_what_comes_with_a_foreign_archive_is_not_believed(root, tmp_path):
    """Nothing is read from caches inside the root."""
    (root / ".logbench").mkdir()
    (root / ".logbench/recordings-1.parquet").write_bytes(b"PAR1")
    assert np.all([p.path[0] != "." for p in Archive(root, tmp_path / "c").index.problems])


def test_a_name_that_is_a_pattern_is_that_file_only(opened, root):
    """`every*` stood for `every1` too, whose chunks were then there twice: it was left out."""
    for number, name in enumerate(("every*", "every1", "every?", "every[1]", "every[*]")):
        make(root / f"van/{name}.parquet", n=50 + number)
    archive = opened()
    assert archive.index.problems == ()
    assert archive.index.recordings.num_rows == 10
