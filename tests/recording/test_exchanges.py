"""The exchanges with the car, kept beside the samples: journal, finished file, damage."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logbench.errors import RecordingDamagedError
from logbench.recording import finish as finishing
from logbench.recording.exchanges import Said, exchanges_in
from logbench.recording.export import Selection, export_parquet
from logbench.recording.finish import finish, write_recording
from logbench.recording.frames import MAGIC, Kind
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path, scan_journal
from logbench.recording.model import ExchangesFacts, Facts, Trace
from logbench.recording.privacy import private_recording
from logbench.recording.reader import open_recording
from tests.recording.whole_journal import recovered

VIN = b"ZZ9TEST120X000007"  # invented


def rows(n: int, start: int = 0) -> list[Said]:
    """Requests 100 ms apart with answers of two ECUs; every tenth is not answered."""
    made = [Said(-5_000_000, -4_000_000, "", b"\x09\x02", "7E8", b"\x49\x02\x01" + VIN)]
    for k in range(start, start + n):
        sent, arrived = k * 100_000_000, k * 100_000_000 + 20_000_001
        if k % 10 == 9:
            made.append(Said(sent, arrived, "", b"\x01\x0c", "", b""))
            continue
        reply = bytes((0x41, 0x0C, k >> 8 & 255, k & 255))
        made.append(Said(sent, arrived, "", b"\x01\x0c", "7E8", reply))
        made.append(Said(sent, arrived, "", b"\x01\x0c", "7E9", reply))
    return made if start == 0 else made[1:]


def samples(said: list[Said]) -> list[tuple[str, str, int, float]]:
    return [
        ("RPM", s.ecu, s.t_ns, float(int.from_bytes(s.data[2:4]) / 4))
        for s in said
        if s.data[:1] == b"\x41"
    ]


def journal(out: Path, parts: list[list[Said]]) -> JournalWriter:
    writer = JournalWriter(journal_path(out), Facts())
    for part in parts:
        writer.append(samples(part))
        writer.exchanges(part)
        writer.flush()
    return writer


def frames_in(data: bytes) -> list[int]:
    found, at = [], data.find(MAGIC)
    while at >= 0:
        found.append(at)
        at = data.find(MAGIC, at + 1)
    return found


def test_what_was_exchanged_is_in_the_finished_file(tmp_path):
    parts = [rows(40), rows(30, 40)]
    path = finish(journal(tmp_path / "drive.parquet", parts))
    recording = open_recording(path)
    assert list(recording.exchanges()) == [*parts[0], *parts[1]]
    assert recording.facts.exchanges is not None
    assert (recording.facts.exchanges.rows, recording.facts.exchanges.lost) == (len(rows(70)), 0)
    assert recording.intact() is True


def test_other_programs_read_the_samples_plainly(tmp_path):
    said = rows(50)
    path = finish(journal(tmp_path / "drive.parquet", [said]))
    assert len(pd.read_parquet(path)) == len(samples(said))
    sql = f"select count(*), max(value) from '{path}' where signal = 'RPM'"
    found = duckdb.sql(sql).fetchall()
    assert found == [(90, max(value for *_, value in samples(said)))]
    assert pq.read_table(path, filters=[("ecu", "=", "7E9")]).num_rows == 45


def test_a_recording_without_exchanges_has_none(tmp_path):
    trace = Trace("RPM", "7E8", "rpm", np.arange(3), np.arange(3.0))
    recording = open_recording(write_recording(tmp_path / "a.parquet", [trace], Facts()))
    assert recording.facts.exchanges is None
    assert list(recording.exchanges()) == []


def test_more_than_is_held_is_gone_through_again(tmp_path, monkeypatch):
    monkeypatch.setattr(finishing, "_PACKED_AT_ONCE", 100)
    parts = [rows(40), rows(30, 40)]
    path = finish(journal(tmp_path / "drive.parquet", parts))
    assert list(open_recording(path).exchanges()) == [*parts[0], *parts[1]]


def test_a_killed_writer_leaves_the_exchanges_of_all_that_was_written(tmp_path):
    writer = journal(tmp_path / "drive.parquet", [rows(40)])
    writer.exchanges(rows(10, 40))  # not written yet
    writer.close()
    (path,) = recovered(tmp_path)
    assert list(open_recording(path).exchanges()) == rows(40)


def test_a_journal_gone_on_with_counts_on(tmp_path):
    out = tmp_path / "drive.parquet"
    journal(out, [rows(40)]).close()
    writer, content = JournalWriter.resume(journal_path(out))
    assert content.exchanges == content.exchanges_accepted == len(rows(40))
    writer.exchanges(rows(30, 40))
    path = finish(writer)
    facts = open_recording(path).facts.exchanges
    assert facts is not None
    assert (facts.rows, facts.lost) == (len(rows(70)), 0)


def test_many_at_once_are_in_frames_counted_on(tmp_path, monkeypatch):
    monkeypatch.setattr("logbench.recording.journal.MOST_AT_ONCE", 7)
    said = rows(40)
    writer = journal(tmp_path / "drive.parquet", [said])
    writer.seal()
    writer.close()
    content = scan_journal(journal_path(tmp_path / "drive.parquet"))
    assert content.exchanges == content.exchanges_accepted == len(said)
    assert not content.damaged


@pytest.mark.parametrize("kind", [Kind.EXCHANGES, Kind.BATCH])
def test_a_lost_frame_of_one_costs_nothing_of_the_other(tmp_path, kind):
    out, parts = tmp_path / "drive.parquet", [rows(40), rows(30, 40), rows(30, 70)]
    writer = journal(out, parts)
    writer.seal()
    writer.close()
    data = bytearray(journal_path(out).read_bytes())
    hit = [at for at in frames_in(bytes(data)) if data[at + 10] == kind][1]
    data[hit + 60] ^= 0xFF
    journal_path(out).write_bytes(data)
    scan_journal(journal_path(out))
    if kind == Kind.BATCH:
        list(recovered(tmp_path))
        recording = open_recording(out)
        assert recording.checksum()[0] == len(samples(parts[0] + parts[2]))
        assert list(recording.exchanges()) == [s for part in parts for s in part]
        return
    (path,) = recovered(tmp_path)
    recording = open_recording(path)
    assert recording.checksum()[0] == len(samples([s for part in parts for s in part]))
    assert list(recording.exchanges()) == parts[0] + parts[2]
    assert recording.facts.exchanges is not None
    assert recording.facts.exchanges.lost == len(parts[1])
    assert not journal_path(out).exists()


def test_a_changed_byte_of_an_exchange_is_noticed(tmp_path):
    path = finish(journal(tmp_path / "drive.parquet", [rows(40)]))
    facts = open_recording(path).facts.exchanges
    data = bytearray(path.read_bytes())
    data[facts.start + facts.bytes // 2] ^= 1
    path.write_bytes(data)
    recording = open_recording(path)
    assert recording.checksum()[1] == recording.facts.samples_sha256
    with pytest.raises(RecordingDamagedError, match="exchanged with the car"):
        list(recording.exchanges())


def test_a_file_rewritten_by_another_program_says_that_they_are_gone(tmp_path):
    path = finish(journal(tmp_path / "drive.parquet", [rows(40)]))
    other = tmp_path / "other.parquet"
    pq.write_table(pq.read_table(path), other)
    recording = open_recording(other)
    assert recording.intact() is True
    with pytest.raises(RecordingDamagedError, match="not those that were recorded"):
        recording.check_exchanges()


@pytest.mark.parametrize(
    "change",
    [{"start": -1}, {"start": 10**15}, {"bytes": 10**15}, {"bytes": 8}, {"sha256": "0"}],
)
def test_facts_that_lie_about_the_exchanges_are_refused(tmp_path, change):
    path = finish(journal(tmp_path / "drive.parquet", [rows(40)]))
    recording = open_recording(path)
    recording.facts.exchanges = recording.facts.exchanges.model_copy(update=change)
    with pytest.raises(RecordingDamagedError):
        list(recording.exchanges())


def test_neither_a_private_copy_nor_a_part_has_exchanges(tmp_path):
    """They hold the VIN, and more than was cut out. A copy of all of it has them."""
    path = finish(journal(tmp_path / "drive.parquet", [rows(40)]))
    recording = open_recording(path)
    whole = open_recording(export_parquet(recording, tmp_path / "whole.parquet"))
    assert list(whole.exchanges()) == list(recording.exchanges())
    assert any(VIN in said.data for said in recording.exchanges())
    for made in (
        export_parquet(private_recording(recording), tmp_path / "private.parquet"),
        export_parquet(recording, tmp_path / "part.parquet", Selection(("RPM",), 0.0, 1.0)),
    ):
        other = open_recording(made)
        assert other.facts.exchanges is None
        assert list(other.exchanges()) == []
        assert b"exchanges" not in made.read_bytes() or b'"exchanges":null' in made.read_bytes()


def test_random_damage_of_a_journal_gives_no_exchange_that_was_not_there(tmp_path):
    out, parts = tmp_path / "drive.parquet", [rows(20, 20 * k) for k in range(1, 6)]
    writer = journal(out, parts)
    writer.seal()
    writer.close()
    whole, real = journal_path(out).read_bytes(), {s for part in parts for s in part}
    random = np.random.default_rng(1)
    for _ in range(60):
        data = bytearray(whole)
        at = int(random.integers(len(data)))
        data[at : at + 5] = os.urandom(5)
        journal_path(out).write_bytes(data)
        for path in list(tmp_path.glob("*.parquet")):
            path.unlink()
        for path in recovered(tmp_path):
            assert set(open_recording(path).exchanges()) <= real


def hostile(**changed) -> bytes:
    """A Parquet file that could stand in the place of the exchanges."""
    n = changed.pop("n", 3)
    columns = {
        "sent": pa.array([0] * n, pa.int64()),
        "arrived": pa.array([1] * n, pa.int64()),
        "to": pa.array([""] * n).dictionary_encode(),
        "request": pa.array(["010C"] * n).dictionary_encode(),
        "ecu": pa.array(["7E8"] * n).dictionary_encode(),
        "data": pa.array([b"\x41\x0c\x1a\xf8"] * n, pa.binary()),
    }
    out = io.BytesIO()
    pq.write_table(pa.table(columns | changed), out)
    return out.getvalue()


@pytest.mark.parametrize(
    "changed",
    [
        {"request": pa.array(["no hex"] * 3).dictionary_encode()},
        {"request": pa.array([None, "01", "01"]).dictionary_encode()},
        {"ecu": pa.array(["x" * 1000] * 3).dictionary_encode()},
        {"ecu": pa.array([1, 2, 3])},
        {"data": pa.array([None, b"", b""], pa.binary())},
        {"data": pa.array([[b""]] * 3)},
        {"sent": pa.array([None, 1, 2], pa.int64())},
        {"sent": pa.array([1.0, 1.0, 2.0])},
        {"more": pa.array([1, 2, 3])},
        {"n": 2_000_000},
    ],
)
def test_exchanges_that_somebody_made_up_are_refused(tmp_path, changed):
    part = hostile(**changed)
    path = tmp_path / "made.bin"
    path.write_bytes(part)
    sha256 = hashlib.sha256(part).hexdigest()
    with pytest.raises((ValueError, pa.ArrowException)):
        list(exchanges_in(path, ExchangesFacts(start=0, bytes=len(part), rows=3, sha256=sha256)))


def test_what_looks_like_ours_is_read(tmp_path):
    part = hostile()
    path = tmp_path / "made.bin"
    path.write_bytes(part)
    facts = ExchangesFacts(
        start=0, bytes=len(part), rows=3, sha256=hashlib.sha256(part).hexdigest()
    )
    assert len(list(exchanges_in(path, facts))) == 3
