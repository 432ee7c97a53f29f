"""Cars and adapters that take less than the standard lets a request hold: what is got from them."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterator

import pytest

from logbench.car.peer import peer_of
from logbench.signals.table import table
from logbench.vehicle.discovery import discover
from logbench.vehicle.model import CarFacts, Reading
from logbench.vehicle.poller import Poller
from tests.vehicle.peers import Peer, linked

SIGNALS = ("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "TP")
PIDS = {signal: table().by_acronym(signal).pid for signal in SIGNALS}
NO_DATA_S = 0.1
"""What the adapter waits for a car that says nothing."""
LATENCY_S = 0.008


class Choosy(Peer):
    """`most`: PIDs of a request that it answers; beyond, it does as `beyond` says: 'silent',
    'first' (answers no more of them), '?' (the adapter refuses) or '7F' (the ECU does).
    `frames`: of a reply that arrive; beyond, `cut`: 'full' (BUFFER FULL) or 'first' (first frame
    only). `spoils`: PIDs that it answers alone only, and no request with them; `silent`: those that
    it announces and never answers."""

    def __init__(self, most: int = 6, beyond: str = "silent", frames: int = 9, cut: str = "full"):
        super().__init__()
        self.most, self.beyond, self.frames, self.cut = most, beyond, frames, cut
        self.spoils: set[int] = set()
        self.silent: set[int] = set()
        numbers = set(PIDS.values()) | {0x20}
        bits = sum(1 << (32 - pid) for pid in numbers if pid <= 0x20)
        self.answers["0100"] = (f"4100{bits & ~1:08X}",)

    def asked(self, request: str) -> tuple[str, ...]:
        plain = super().asked(request)
        time.sleep(LATENCY_S)
        pids = bytes.fromhex(request)[1:]
        if plain or not request.startswith("01") or not set(pids) <= set(PIDS.values()):
            return plain
        if len(pids) > self.most or (len(pids) > 1 and self.spoils & set(pids)):
            if self.beyond != "first":
                return () if self.beyond == "silent" else (self.beyond,)
            pids = pids[: self.most]
        pids = bytes(pid for pid in pids if pid not in self.silent)
        if not pids:
            return ()
        data = b"".join(bytes((pid, *(10,) * table().lengths[pid])) for pid in pids)
        return ((b"\x41" + data).hex().upper(),)

    def line(self, line: bytes) -> str | Iterator[bytes] | None:  # type: ignore[override]
        said = super().line(line)
        if said == "NO DATA":
            return self._late(said)
        if said is not None and said.startswith("7E8"):
            return "\r".join(self._framed(bytes.fromhex(said[5:])))
        return said

    def _late(self, said: str) -> Iterator[bytes]:
        time.sleep(NO_DATA_S)
        yield said.encode() + b"\r\r>"

    def _framed(self, data: bytes) -> Iterator[str]:
        if data[:1] in (b"\x7f", b"?"):
            yield "7E8037F0112"
            return
        if len(data) <= 7:
            yield f"7E8{len(data):02X}{data.hex()}"
            return
        rest = [data[at : at + 7] for at in range(6, len(data), 7)]
        lines = [f"7E81{len(data):03X}{data[:6].hex()}"]
        lines += [f"7E82{n + 1 & 15:X}{part.ljust(7, b'0').hex()}" for n, part in enumerate(rest)]
        if len(lines) <= self.frames:
            yield from lines
        elif self.cut == "full":
            yield from (lines[0], "BUFFER FULL")
        else:
            yield lines[0]


def polled(kind: str, peer: Peer, seconds: float) -> tuple[list[Reading], list[str], Poller]:
    """The samples of so many seconds, and what was said meanwhile."""
    said: list[str] = []
    with linked(kind, peer) as link:
        facts = discover(link)
        poller = Poller(link, facts, SIGNALS, dict.fromkeys(SIGNALS, 10.0), said.append)
        readings: list[Reading] = []
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            readings += poller.step()
    return readings, said, poller


def late(readings: list[Reading], seconds: float = 1.0) -> Counter[str]:
    """How many samples of each signal the last second brought."""
    since = readings[-1].t_ns - seconds * 1e9
    return Counter(reading.signal for reading in readings if reading.t_ns > since)


@pytest.mark.parametrize("kind", ["tcp", "can"])
def test_a_car_silent_on_requests_for_several_signals_is_recorded_at_full_rate(kind):
    peer = Choosy(most=1)
    readings, said, poller = polled(kind, peer, 5.0)
    assert set(late(readings)) == set(SIGNALS)
    recent = peer.requests[-50:]
    assert sum(len(request) > 4 for request in recent) <= 2, recent  # tried again, rarely
    assert any("in one request" in text for text in said), said
    assert poller.silent_s < 0.5


@pytest.mark.parametrize("beyond", ["silent", "first", "7F"])
@pytest.mark.parametrize("most", [2, 4])
def test_packs_are_as_large_as_the_car_takes_them(most, beyond):
    peer = Choosy(most, beyond)
    readings, _, _ = polled("tcp", peer, 4.0)
    assert set(late(readings)) == set(SIGNALS)
    sizes = Counter(len(request) // 2 - 1 for request in peer.requests[-40:])
    assert sizes.most_common(1)[0][0] == most, sizes


@pytest.mark.parametrize("cut", ["full", "first"])
@pytest.mark.parametrize("frames", [1, 2])
def test_replies_that_never_arrive_whole_are_not_asked_for_again_and_again(cut, frames):
    peer = Choosy(frames=frames, cut=cut)
    readings, said, _ = polled("tcp", peer, 4.0)
    assert set(late(readings)) == set(SIGNALS)
    assert frames == 2 or any("in one request" in text for text in said), said
    bytes_of = {f"{pid:02X}": 1 + table().lengths[pid] for pid in PIDS.values()}
    too_long = 0
    for request in peer.requests[-30:]:
        pids = [request[at : at + 2] for at in range(2, len(request), 2)]
        too_long += 1 + sum(bytes_of[pid] for pid in pids) > (7 if frames == 1 else 13)
    assert too_long <= 2  # tried again, rarely


def test_a_signal_that_spoils_every_request_it_is_in_is_asked_alone():
    peer = Choosy()
    peer.spoils = {PIDS["MAF"]}
    readings, _, _ = polled("tcp", peer, 5.0)
    assert set(late(readings)) == set(SIGNALS)
    packs = [bytes.fromhex(request)[1:] for request in peer.requests[-40:] if len(request) > 4]
    assert sum(PIDS["MAF"] in pack for pack in packs) <= 2  # tried again, rarely
    assert max(map(len, packs)) > 2


def test_a_car_that_takes_packs_again_is_asked_for_packs_again():
    peer = Choosy(most=1)
    with linked("tcp", peer) as link:
        facts: CarFacts = discover(link)
        poller = Poller(link, facts, SIGNALS, dict.fromkeys(SIGNALS, 10.0))
        end = time.monotonic() + 4.0
        while time.monotonic() < end:
            poller.step()
        peer.most = 6
        end = time.monotonic() + 40.0
        while time.monotonic() < end and min(map(len, peer.requests[-10:])) < 8:
            poller.step()
    sizes = Counter(len(request) // 2 - 1 for request in peer.requests[-10:])
    assert min(sizes) >= 3, sizes


class Pausing(Choosy):
    """Answers one request, the tenth, only after 'response pending' and half a second. `waits`:
    the adapter waits for that answer; else it is lost."""

    def __init__(self, waits: bool):
        super().__init__()
        self.waits, self.final_ns, self.count = waits, 0, 0

    def line(self, line: bytes) -> str | Iterator[bytes] | None:
        said = super().line(line)
        if isinstance(said, str) and said.startswith("7E8") and len(self.requests) > 4:
            self.count += 1
            if self.count == 10:
                return self._pausing(said)
        return said

    def _pausing(self, said: str) -> Iterator[bytes]:
        yield b"7E8037F0178\r"
        if self.waits:
            time.sleep(0.5)
            self.final_ns = time.monotonic_ns()
            yield said.encode() + b"\r"
        yield b"\r>"


def test_samples_that_come_after_response_pending_have_the_time_at_which_they_came():
    peer = Pausing(waits=True)
    readings, _, _ = polled("tcp", peer, 2.0)
    nearest = min(abs(reading.t_ns - peer.final_ns) for reading in readings)
    assert nearest < 40e6
    silent = [r for r in readings if 40e6 < peer.final_ns - r.t_ns < 450e6]
    assert not silent


def test_one_response_pending_does_not_slow_the_drive():
    peer = Pausing(waits=False)
    readings, said, _ = polled("tcp", peer, 4.0)
    counts = late(readings)
    assert set(counts) == set(SIGNALS)
    assert min(counts.values()) > 15, counts
    assert said == []
    assert not [line for line in peer.wire if b"ATSTFF" in line]


class Forgetful(Choosy):
    """A car whose answers to `lost` get lost so many times."""

    def __init__(self, lost: str, times: int):
        super().__init__()
        self.lost, self.times = lost, times
        self.answers["0100"] = ("410018198003",)  # 04 05 0C 0D 10 11 1F 20
        self.answers["0120"] = ("412080020001",)  # 21 2F 40
        self.answers["0140"] = ("414040000000",)  # 42
        self.answers["0142"] = ("41423039",)

    def asked(self, request: str) -> tuple[str, ...]:
        said = super().asked(request)
        if request == self.lost and self.times:
            self.times -= 1
            return ()
        return said


@pytest.mark.parametrize("lost", ["0100", "0120", "0140"])
def test_one_lost_answer_does_not_shorten_what_the_car_supports(lost):
    peer = Forgetful(lost, 1)
    with linked("tcp", peer) as link:
        peer.times = 1
        facts = discover(link)
    assert facts.supported["7E8"] == {0x04, 0x05, 0x0C, 0x0D, 0x10, 0x11, 0x1F, 0x21, 0x2F, 0x42}
    assert facts.unanswered == {}


def test_what_is_announced_and_unanswered_is_unknown_and_asked_for_again_while_driving(monkeypatch):
    monkeypatch.setattr("logbench.vehicle.poller._LISTS_S", (0.3, 60.0))
    peer, said = Forgetful("0120", 4), []
    with linked("tcp", peer) as link:
        facts = discover(link, said.append)
        assert facts.supported["7E8"] == {0x04, 0x05, 0x0C, 0x0D, 0x10, 0x11, 0x1F}
        assert facts.unanswered == {"7E8": 0x20}
        assert any("unknown" in text for text in said)
        poller = Poller(link, facts, ("RPM", "VSS"), {}, said.append)
        end = time.monotonic() + 5
        while time.monotonic() < end and poller.facts.unanswered:
            poller.step()
    assert poller.facts.supported["7E8"] == facts.supported["7E8"] | {0x21, 0x2F, 0x42}
    assert any("ECU 7E8 now says what it has" in text for text in said)


def test_a_chosen_signal_that_stays_away_is_named_with_why_and_what_is_tried(monkeypatch):
    monkeypatch.setattr("logbench.vehicle.watch.LEAST_S", 0.5)
    peer = Choosy(most=6)
    peer.silent = {PIDS["MAF"]}
    readings, said, _ = polled("tcp", peer, 4.0)
    assert set(late(readings)) == set(SIGNALS) - {"MAF"}
    named = [text for text in said if "MAF" in text]
    assert named, said
    assert len(named) <= 2, named


def test_a_link_too_slow_for_so_many_signals_is_told_without_a_flood(monkeypatch):
    monkeypatch.setattr("tests.vehicle.test_peer.LATENCY_S", 0.4)
    _, said, _ = polled("tcp", Choosy(most=1), 8.0)
    assert any("too slow for so many" in text for text in said), said
    named = [text for text in said if text.startswith("No sample of")]
    counts = Counter(signal for text in named for signal in SIGNALS if signal in text)
    assert max(counts.values()) == 1, said


def test_what_was_learned_of_a_car_starts_its_next_drive_at_full_rate():
    peer = Choosy(most=1)
    _, _, poller = polled("tcp", peer, 4.0)
    kept = peer_of(json.loads(poller.profile.model_dump_json()))
    assert kept == poller.profile
    assert any(counts[1] > 0 for counts in kept.ecus["7E8"].shapes.values())
    for known, most in ((kept, 0), (kept.model_copy(update={"adapter": "another"}), 99)):
        peer.requests.clear()
        with linked("tcp", peer) as link:
            facts = discover(link)
            asked = len(peer.requests)
            poller = Poller(link, facts, SIGNALS, dict.fromkeys(SIGNALS, 10.0), known=known)
            for _ in range(20):
                poller.step()
        packs = sum(len(request) > 4 for request in peer.requests[asked:])
        assert packs <= most
        assert (packs > 0) == (most > 0)


@pytest.mark.parametrize(
    "odd", [None, 7, {"ecus": {"7E8": {"shapes": {"0x1": [1, 1]}}}}, {"cost_s": [1e9, 0, 0]}]
)
def test_a_profile_that_makes_no_sense_is_none(odd):
    assert peer_of(odd) is None
