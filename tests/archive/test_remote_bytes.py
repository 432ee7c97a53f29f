"""What an archive of an object store costs, counted by a proxy before an S3-compatible server."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow.fs as pafs
import pyarrow.parquet as pq
import pytest

from logbench.analysis.expression.checked import condition
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.fleet import Fleet
from logbench.archive.sweep import sweep_checks
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace, signal_facts
from tests.archive.counting import Counting, counting

pytest.importorskip("flask")
moto = pytest.importorskip("moto.server")

DRIVES = 6
SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "TP", "VPWR")
MOST = 1.2
"""Times the least that could do: footers for what is opened, the columns of a condition, the files
of a sweep; with the heads of the answers, some 500 bytes each."""


class Far(NamedTuple):
    url: str
    proxy: Counting
    folder: Path


def write_drives(folder: Path, *more: str) -> None:
    """`more`: ECUs that report all signals, too."""
    rng = np.random.default_rng(8)
    t_ns = np.arange(6000, dtype=np.int64) * 100_000_000
    for n in range(DRIVES):
        traces = [Trace(s, ecu, "", t_ns, rng.uniform(20, 90, 6000))
                  for s in SIGNALS for ecu in ("7E8", *more)]  # fmt: skip
        facts = Facts(signals=signal_facts(SIGNALS), note="x" * 100)
        write_recording(folder / f"{n}.parquet", traces, facts)


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    running = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    running.start()
    yield "{}:{}".format(*running.get_host_and_port())
    running.stop()


@contextmanager
def put_far(folder: Path, server: str) -> Iterator[Far]:
    """In a bucket of the folder's name."""
    fs = pafs.S3FileSystem(
        access_key="test", secret_key="test", scheme="http", endpoint_override=server,
        region="us-east-1", allow_bucket_creation=True,
    )  # fmt: skip
    fs.create_dir(folder.name)
    for path in folder.iterdir():
        with fs.open_output_stream(f"{folder.name}/{path.name}") as out:
            out.write(path.read_bytes())
    with counting(server) as proxy:
        end = f"scheme=http&region=us-east-1&endpoint_override={proxy.address}"
        yield Far(f"s3://test:test@{folder.name}?{end}", proxy, folder)


@pytest.fixture(scope="module")
def far(server, tmp_path_factory) -> Iterator[Far]:
    folder = tmp_path_factory.mktemp("drives")
    write_drives(folder)
    with put_far(folder, server) as made:
        yield made


@pytest.fixture
def archive(far, tmp_path) -> Archive:
    made = Archive(far.url, tmp_path / "cache")
    made.refresh()
    far.proxy.took()
    return made


def footer(far: Far, n: int = 0) -> int:
    return pq.read_metadata(far.folder / f"{n}.parquet").serialized_size + 8


def columns(far: Far, signal: str, n: int = 0) -> int:
    """Times and values of a signal, of the first ECU."""
    found = pq.read_metadata(far.folder / f"{n}.parquet")
    groups = [found.row_group(k) for k in range(found.num_row_groups)]
    group = min(
        (g for g in groups if g.column(0).statistics.min == signal),
        key=lambda g: g.column(1).statistics.min,
    )
    return sum(group.column(k).total_compressed_size for k in (2, 3))


def test_opening_costs_the_footer(archive, far):
    """It cost 133 kB: the end of the file twice, 64 kB each."""
    archive.open("0")
    took, requests = far.proxy.took()
    assert footer(far) < took <= MOST * footer(far)
    assert requests <= 3


def test_a_trace_costs_its_columns(archive, far):
    opened = archive.open("0")
    far.proxy.took()
    assert len(opened.trace("RPM")) == 6000
    took, requests = far.proxy.took()
    assert took <= MOST * columns(far, "RPM")
    assert requests <= 3


def test_looking_again_costs_the_listing(archive, far):
    archive.refresh()
    took, requests = far.proxy.took()
    assert requests <= 2
    assert took <= 2000 + 500 * DRIVES


def test_the_first_look_costs_the_footers(far, tmp_path):
    """It cost 16 kB of each: how long footers are is learned from the first."""
    Archive(far.url, tmp_path / "another").refresh()
    took, _ = far.proxy.took()
    assert took <= MOST * sum(footer(far, n) for n in range(DRIVES))


def test_sql_over_samples_costs_footers_and_its_columns(archive, far):
    """It cost 64 kB of each file's end, twice."""
    sql = "SELECT recording, avg(value) AS v FROM samples WHERE signal = 'RPM' GROUP BY ALL"
    answer = archive.query(sql).table
    took, _ = far.proxy.took()
    assert answer.num_rows == DRIVES
    least = sum(footer(far, n) + columns(far, "RPM", n) for n in range(DRIVES))
    assert took <= MOST * least


def test_an_aligned_table_costs_footers_and_its_columns(far, archive, tmp_path):
    fleet = Fleet(far.url, cache=tmp_path / "cache")
    far.proxy.took()
    assert len(fleet.table("RPM, ECT").df()) > DRIVES * 500
    took, _ = far.proxy.took()
    least = sum(footer(far, n) + columns(far, "ECT", n) + columns(far, "RPM", n)
                for n in range(DRIVES))  # fmt: skip
    assert took <= MOST * least


def test_of_several_ecus_the_first_is_read_once(server, tmp_path):
    """It cost the columns of all, and their values twice."""
    folder = tmp_path / "ecus"
    folder.mkdir()
    write_drives(folder, "7E9")
    with put_far(folder, server) as far:
        fleet = Fleet(far.url, cache=tmp_path / "cache")
        far.proxy.took()
        frame = fleet.table("RPM, ECT", every=10).df()
        took, _ = far.proxy.took()
        first = fleet.open("0").trace("RPM", "7E8")
    least = sum(footer(far, n) + columns(far, "ECT", n) + columns(far, "RPM", n)
                for n in range(DRIVES))  # fmt: skip
    assert took <= MOST * least
    rows = frame.loc[frame["recording"] == "0.parquet", "RPM"]
    assert list(rows)[:-1] == list(first.value[::100])


def test_a_condition_costs_footers_and_its_columns(archive, far):
    """It cost more than the whole archive."""
    found = archive.find(Filter(condition=condition("ECT > 89.9 and RPM < 21")))
    took, _ = far.proxy.took()
    least = sum(footer(far, n) + columns(far, "ECT", n) + columns(far, "RPM", n)
                for n in range(DRIVES))  # fmt: skip
    assert found.num_rows <= DRIVES
    assert took <= MOST * least


def test_a_sweep_costs_each_file_once(archive, far):
    """It cost 1.7 times."""
    sweep_checks(archive, processes=1)
    took, requests = far.proxy.took()
    size = sum(path.stat().st_size for path in far.folder.iterdir())
    assert took <= MOST * size
    assert requests <= 4 * DRIVES
