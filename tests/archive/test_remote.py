"""An archive on an S3-compatible server (moto) over loopback."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.fs as pafs
import pytest

from logbench.analysis.expression.checked import condition
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.reading import open_entry
from logbench.archive.store import Entry, RemoteStore, open_store
from logbench.archive.sweep import sweep_checks
from logbench.cases.forgetting import Forget, find_traces
from logbench.cases.settings import Settings
from logbench.cases.work import Work
from logbench.errors import ArchiveError, RecordingDamagedError
from logbench.recording.reader import open_recording

pytest.importorskip("flask")
moto = pytest.importorskip("moto.server")


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    running = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    running.start()
    host, port = running.get_host_and_port()
    yield f"{host}:{port}"
    running.stop()


@pytest.fixture
def bucket(server: str, root: Path, request: pytest.FixtureRequest) -> str:
    """The small archive, copied to a bucket of its own; its URL."""
    name = f"b-{abs(hash(request.node.name)) % 10**8}"
    fs = pafs.S3FileSystem(
        access_key="test", secret_key="test", scheme="http", endpoint_override=server,
        region="us-east-1", allow_bucket_creation=True,
    )  # fmt: skip
    fs.create_dir(name)
    (root / "van/job.toml").write_text('title = "Poor idle"')
    (root / "van/broken.parquet").write_bytes((root / "van/a.parquet").read_bytes()[:5000])
    for path in root.rglob("*"):
        if path.is_file():
            with fs.open_output_stream(f"{name}/cars/{path.relative_to(root).as_posix()}") as out:
                out.write(path.read_bytes())
    return f"s3://test:test@{name}/cars?scheme=http&region=us-east-1&endpoint_override={server}"


def test_the_same_answers_as_in_a_folder(bucket, root, tmp_path):
    far, near = Archive(bucket, tmp_path / "far"), Archive(root, tmp_path / "near")
    assert far.find().drop_columns("mtime_ns") == near.find().drop_columns("mtime_ns")
    assert [p.kind for p in far.index.problems] == ["damaged"]
    cold = Filter(condition=condition("ECT below 70 after 9 min"))
    sql = (
        "SELECT recording, median(value) AS m FROM samples WHERE signal = 'ECT' "
        "GROUP BY 1 ORDER BY 1"
    )
    assert far.find(cold)["recording"].to_pylist() == ["hatch/a.parquet"]
    assert far.query(sql).table == near.query(sql).table
    assert far.query("SELECT title FROM jobs").table.to_pydict() == {"title": ["Poor idle"]}
    sweep_checks(far, recordings=["van/a.parquet"])
    assert far.findings_of("van/a")[0]["verdict"] == near.findings_of("van/a")[0]["verdict"]
    assert Archive(bucket, tmp_path / "far").refresh().fresh == 0


def test_one_trace_fetches_only_its_row_group(bucket, root, tmp_path, monkeypatch):
    store = open_store(bucket)
    assert isinstance(store, RemoteStore)
    entry = next(e for e in store.listing().recordings if e.path == "van/a.parquet")
    recording = open_entry(store, entry)
    fetched: list[int] = []

    class File:
        """Stands in for the file only to count bytes."""

        def __init__(self, inner: object) -> None:
            self._inner = inner
            self.closed = False

        def read(self, size: int = -1) -> bytes:
            data = self._inner.read(size)  # type: ignore[attr-defined]
            fetched.append(len(data))
            return bytes(data)

        def read_buffer(self, size: int = -1) -> object:
            data = self._inner.read_buffer(size)  # type: ignore[attr-defined]
            fetched.append(data.size)
            return data

        def __getattr__(self, name: str) -> object:
            return getattr(self._inner, name)

    real = RemoteStore.open
    monkeypatch.setattr(
        RemoteStore, "open", lambda self, path: _python_file(real(self, path), File)
    )
    trace = recording.trace("RPM")
    of_trace = sum(fetched)
    expected = open_recording(root / "van/a.parquet").trace("RPM")
    np.testing.assert_array_equal(trace.value, expected.value)
    np.testing.assert_array_equal(trace.t_ns, expected.t_ns)
    (group,) = [
        row["row_group"]
        for row in Archive(bucket, tmp_path / "c").rows(
            "SELECT * FROM signals WHERE signal = 'RPM' AND recording = 'van/a.parquet'"
        )
    ]  # fmt: skip
    import pyarrow.parquet as pq

    chunk = pq.read_metadata(root / "van/a.parquet").row_group(group)
    size = sum(chunk.column(k).total_compressed_size for k in range(4))
    assert 0 < of_trace <= size
    assert of_trace < entry.size


def _python_file(inner: object, wrapper: type) -> object:
    import pyarrow as pa

    return pa.PythonFile(wrapper(inner), mode="r")


def test_add_gives_free_names_and_paths_stay_inside(bucket, root, tmp_path):
    archive = Archive(bucket, tmp_path / "c")
    store = archive.store
    assert store.put(root / "van/a.parquet", "van/a.parquet") == "van/a-2.parquet"
    for path in ("../x.parquet", "/x", "a/../../y"):
        with pytest.raises(ArchiveError):
            store.open(path)
    archive.refresh()
    assert archive.open("van/a-2").intact()
    health = {c.path: c.health for c in archive.check(quarantine=True)}
    assert health["van/broken.parquet"] == "damaged"
    assert health["van/a-2.parquet"] == "sound"
    assert "van/broken.parquet" in {p.path for p in archive.index.problems}


def test_a_server_that_is_gone(bucket, tmp_path):
    store = open_store(bucket)
    gone = Entry("van/gone.parquet", 10, 0)
    with pytest.raises(ArchiveError, match="cannot be read"):
        open_entry(store, gone)
    with pytest.raises(ArchiveError, match="cannot be reached"):
        Archive(bucket.replace("@b-", "@nosuchbucket-"), tmp_path / "c").refresh()
    with pytest.raises(ArchiveError, match="not understood"):
        open_store("nosuchscheme://x/y")
    recording = open_entry(store, next(e for e in store.listing().recordings))
    store.filesystem = pafs.LocalFileSystem()  # type: ignore[attr-defined]  # every read fails from here
    with pytest.raises(RecordingDamagedError, match="network is gone"):
        recording.trace("RPM")


def test_secrets_are_not_shown(bucket):
    assert "test:test" not in open_store(bucket).url
    assert "…" in open_store("s3://k:pw@b/p?endpoint_override=127.0.0.1:9&scheme=http").url


def test_no_key_in_an_address_is_told_in_an_error():
    with pytest.raises(ArchiveError) as refused:
        open_store("s3://b/p?secret_key=hush&access_key=mine&scheme=http")
    assert "hush" not in str(refused.value)
    assert "mine" not in str(refused.value)


def test_a_cars_recordings_are_deleted_with_their_notes(bucket, tmp_path, monkeypatch):
    """And what is kept of them here; the others stay."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    store = open_store(bucket)
    store.put_beside(b"{}", "van/a.parquet.notes.json")
    before = Archive(bucket).index.recordings
    gone = {row["recording"] for row in before.to_pylist() if row["car"] == "van"}
    assert "van/a.parquet" in gone
    traces = find_traces("VAN", (bucket,)).run(Work())
    assert {name for _, names in traces.objects for name in names} == gone
    assert traces.indexed == len(gone)
    answer = Forget(traces, Settings.load(tmp_path / "settings.json")).run(Work())
    assert answer.problems == ()
    left = {entry.path for entry in store.listing().recordings}
    assert left == {*before["recording"].to_pylist(), "van/broken.parquet"} - gone
    assert store.listing().notes == {}
    assert find_traces("van", (bucket,)).run(Work()).lines == []
