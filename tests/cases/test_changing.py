"""Changing a car through the cases that window and command line use: one request, wholly kept."""

from __future__ import annotations

import pytest

from logbench.cases.job import ClearCodes, CloseEvap, ListControls, ReadCar
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import ClearingRefusedError, StorageError
from logbench.job.folder import create_job, open_job
from logbench.job.model import JobEvent
from logbench.job.store import JobStore
from logbench.system.limits import JOB_ENTRIES
from logbench.vehicle.gate import CONSENT
from tests.vehicle.peers import KINDS, SERVED, Peer, on_tcp

CLOSE = "08010000000000"
ANSWERS = {"04": ("44",), CLOSE: ("48010000000000",), "0800": ("480080000000",)}
BEYOND_READING = ("04", CLOSE)


@pytest.fixture
def folder(tmp_path):
    folder, _ = create_job(tmp_path, "Rough idle, invented")
    return folder.path


def changing(peer: Peer) -> list[str]:
    return [request for request in peer.requests if request in BEYOND_READING]


@pytest.mark.parametrize("kind", KINDS)
def test_each_case_sends_what_it_is_for(kind, folder):
    """A fresh link for each, to one car, which counts."""
    jobs, peer = JobStore(), Peer(dict(ANSWERS))
    with SERVED[kind](peer) as url:
        run_here(ReadCar(jobs, folder, url, "before"))
        run_here(ListControls(url))
        assert changing(peer) == []
        for case in (ClearCodes, CloseEvap):
            with pytest.raises(ClearingRefusedError, match="consent"):
                run_here(case(jobs, folder, url, "yes"))
        assert changing(peer) == []
        run_here(ClearCodes(jobs, folder, url, CONSENT))
        assert changing(peer) == ["04"]
        run_here(CloseEvap(jobs, folder, url, CONSENT))
        assert changing(peer) == ["04", CLOSE]
    job = open_job(folder)[1]
    assert [event.kind for event in job.events] == ["codes cleared", "evaporative system closed"]


def test_the_commands_send_what_they_are_for(folder, tmp_path, capsys):
    peer = Peer(dict(ANSWERS))
    with on_tcp(peer) as url:
        assert main(["job", "read", str(folder), "--link", url]) in (0, 1)
        drive = str(tmp_path / "drive.parquet")
        assert main(["record", "--link", url, "--for", "1s", "--out", drive]) == 0
        assert changing(peer) == []
        assert main(["job", "clear", str(folder), "--link", url, "--consent", "no"]) == 3
        assert changing(peer) == []
        assert main(["job", "clear", str(folder), "--link", url, "--consent", CONSENT]) == 0
        assert changing(peer) == ["04"]
    assert "cleared" in capsys.readouterr().out


def test_the_job_keeps_the_whole_account(folder):
    """Fields, not a sentence; after a copy of the folder's file was read anew."""
    peer = Peer(ANSWERS | {"04": ("7F0478", "44")})
    with on_tcp(peer) as url:
        run_here(ClearCodes(JobStore(), folder, url, CONSENT))
    (event,) = open_job(folder)[1].events
    change = event.change
    assert change is not None
    assert (change.request, change.wire, change.to) == ("04", "30 34 0D", "")
    assert change.consent == CONSENT
    assert (change.rpm, change.speed_kmh) == (0.0, 0.0)
    assert [(a.ecu, a.data, a.outcome) for a in change.answers] == [
        ("7E8", "7F 04 78", "waiting"),
        ("7E8", "44", "accepted"),
    ]
    times = [change.asked_utc, change.sent_utc, *(answer.at_utc for answer in change.answers)]
    assert times == sorted(times)
    assert all(len(time) == len("2026-05-06T10:30:00.000+00:00") for time in times)
    assert event.at_utc == change.sent_utc
    assert (folder / "readings" / change.saved).is_file()


@pytest.mark.parametrize("error", [MemoryError, ZeroDivisionError])
def test_a_fault_of_ours_while_the_car_is_waited_for_loses_nothing(folder, monkeypatch, error):
    from logbench.vehicle.links import adapter

    def broken(payload, data):
        raise error

    monkeypatch.setattr(adapter, "answers_to", broken)
    peer = Peer(dict(ANSWERS))
    with on_tcp(peer) as url:
        made = run_here(ClearCodes(JobStore(), folder, url, CONSENT))
    assert changing(peer) == ["04"]
    assert f"The program failed ({error.__name__})" in made.sentence
    assert "not known whether" in made.sentence
    assert [event.text for event in open_job(folder)[1].events] == [made.sentence]


@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError])
def test_what_was_sent_is_kept_whatever_happens_then(folder, monkeypatch, error):
    """The reading afterwards breaks off: by Ctrl-C, or a fault of ours."""
    read, kept = [], []

    def read_once(*args, **how):
        read.append(1)
        if len(read) > 1:
            kept.append(open_job(folder)[1])
            raise error
        return real(*args, **how)

    from logbench.vehicle.records import clearing

    real = clearing.read_car
    monkeypatch.setattr(clearing, "read_car", read_once)
    with on_tcp(Peer(dict(ANSWERS))) as url, pytest.raises(error):
        run_here(ClearCodes(JobStore(), folder, url, CONSENT))
    for job in (*kept, open_job(folder)[1]):  # at once: the power may fail now
        assert [event.change.accepted for event in job.events] == [["7E8"]]
        assert [entry.role for entry in job.readings] == ["before"]


def test_a_disk_that_is_full_by_then_hides_not_what_was_done(folder, monkeypatch):
    peer, jobs = Peer(dict(ANSWERS)), JobStore()
    commit = jobs.commit

    def full(where, change):
        if "04" in peer.requests:
            raise StorageError("The disk is full.")
        commit(where, change)

    monkeypatch.setattr(jobs, "commit", full)
    with on_tcp(peer) as url:
        made = run_here(ClearCodes(jobs, folder, url, CONSENT))
    assert made.sentence.startswith("7E8 cleared.")
    assert made.sentence.endswith("It could not be kept in the job: The disk is full.")


def test_ctrl_c_while_the_car_is_waited_for_is_no_end(folder, monkeypatch):
    from logbench.vehicle.links import tcp

    peer = Peer(dict(ANSWERS))
    read, write = tcp.SocketPort.read, tcp.SocketPort.write
    left: list[bytes] = []

    def noted(port, data):
        left.append(data)
        write(port, data)

    def interrupted(port, timeout_s):
        if left[-1:] == [b"04\r"]:
            left.append(b"")
            raise KeyboardInterrupt
        return read(port, timeout_s)

    monkeypatch.setattr(tcp.SocketPort, "write", noted)
    monkeypatch.setattr(tcp.SocketPort, "read", interrupted)
    with on_tcp(peer) as url:
        made = run_here(ClearCodes(JobStore(), folder, url, CONSENT))
    assert changing(peer) == ["04"]
    assert "not known whether" in made.sentence
    assert made.change.ended == "The waiting was interrupted."
    assert [event.kind for event in open_job(folder)[1].events] == ["clearing tried"]


def test_a_job_without_room_for_the_account_changes_nothing(folder):
    home, job = open_job(folder)
    job.events = [JobEvent(kind="x") for _ in range(JOB_ENTRIES)]
    home.save(job)
    peer = Peer(dict(ANSWERS))
    with on_tcp(peer) as url, pytest.raises(ClearingRefusedError, match="no room"):
        run_here(ClearCodes(JobStore(), folder, url, CONSENT))
    assert peer.requests == []
