"""A sample of the zoo: peers on all kinds of links, recorded over real sockets, pseudo-terminals
and CAN buses. All of them: `python -m tests.zoo.run`."""

from __future__ import annotations

import os

import pytest

from tests.zoo.bus import Bus, Message, crc8, supported_list
from tests.zoo.grammar import PIDS, Car, Ecu, draw
from tests.zoo.optimum import find_optimum
from tests.zoo.run import line, run_all

SAMPLE = (8, 11, 17, 22, 31, 33, 37, 52, 62, 69, 82, 486)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
def test_a_sample_keeps_the_laws():
    verdicts = run_all(SAMPLE, len(SAMPLE), measured_s=3.0)
    assert [line(verdict) for verdict in verdicts if not verdict.holds] == []
    assert all(verdict.samples > 50 for verdict in verdicts)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
def test_a_dead_signal_is_no_witness_for_ever():
    """Seen with this peer: its lowest PID, which never answers, was asked in turn with all of them,
    and then the car was said to be silent."""
    (verdict,) = run_all((2149,), 1, measured_s=3.0)
    assert verdict.samples > 50


def test_peers_are_drawn_alike_and_differ():
    peers = [draw(seed) for seed in range(300)]
    assert peers == [draw(seed) for seed in range(300)]
    assert {peer.car.protocol for peer in peers} == set("123456789")
    assert {peer.wire.kind for peer in peers} == {"tcp", "pty", "can"}
    assert len({peer.odd_traits() for peer in peers}) == 300
    for peer in peers:
        assert 0 < find_optimum(peer).rate_hz < 1000


def test_frames_of_the_standards():
    """Frames printed in SAE J1979 and known from python-OBD's own tests of J1850 and ISO 9141-2."""
    assert crc8(bytes.fromhex("486B104100BE3EB811")) == 0xFA
    assert supported_list(0, (1, 3, 0x0C, 0x20)) == bytes.fromhex("A0100001")
    bus = Bus(Car("6", (Ecu("7E8", (0x0C,), (1, 1)),)), 0)
    frames = bus.can_frames(Message(0.0, "7E8", bytes.fromhex("490201") + b"A" * 17))
    assert [frame.data[0] for frame in frames] == [0x10, 0x21, 0x22]
    assert frames[0].data[1] == 20
    old = Bus(Car("3", ()), 0).old_frame(Message(0.0, "10", bytes.fromhex("4100BE3EB811")))
    assert (
        old.data.hex()
        == "486b104100be3eb811" + f"{sum(bytes.fromhex('486b104100be3eb811')) % 256:02x}"
    )


def test_a_counter_tells_pid_and_time():
    """Raw values of neighbors in one reply differ, and so do those that follow each other."""
    starts = [977 * pid % 256 for pid in PIDS]
    assert len(set(starts)) == len(starts)
