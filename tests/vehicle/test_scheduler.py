"""Cost model, packing and scheduling, in virtual time."""

from __future__ import annotations

import itertools
import random
from collections import Counter

import pytest

from logbench.signals.table import TOGETHER, table
from logbench.simulator.protocols import PROTOCOLS
from logbench.simulator.timing import Timing
from logbench.vehicle.framing import frames_of
from logbench.vehicle.packing import best_packs
from logbench.vehicle.replies import CostModel
from logbench.vehicle.scheduler import Scheduler
from tests.bounds import bound_samples_per_s, request_s

TWELVE = (0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x42)
LENGTHS = table().lengths
TIMINGS = {
    "usb": Timing(latency_ms=1),
    "slow ecu": Timing(latency_ms=8),
    "radio": Timing(delay_ms=20),
}


def wire(timing: Timing):
    """Cost of a request by the simulator's timing model, which knows nothing of ours."""
    known: dict[tuple[int, ...], float] = {}

    def cost(pids: tuple[int, ...], repeated: bool = False) -> float:
        if pids not in known:
            known[pids] = request_s(timing, PROTOCOLS["6"], pids)
        spared = timing.chars_s(2 * len(pids) + 3) if repeated else 0.0
        return known[pids] - spared

    return cost


def run(rates: dict[int, float], cost, seconds: float = 20.0, most: int = 6, together=TOGETHER):
    """Achieved rate by PID over a run in virtual time."""
    scheduler = Scheduler(rates, most, cost, together)
    now_s, before = 100.0, ()
    asked: Counter[int] = Counter()
    while now_s < 100 + seconds:
        pids = scheduler.next(now_s)
        assert 0 < len(pids) <= most
        now_s += cost(pids, pids == before)
        before = pids
        scheduler.asked(pids, now_s)
        asked.update(pids)
    return {pid: asked[pid] / seconds for pid in rates}


# --- cost model ---


def test_the_cost_model_learns_what_it_is_shown():
    chance = random.Random(7)
    model = CostModel()
    for _ in range(400):
        frames = chance.randint(1, 5)
        characters = 10 + 20 * frames + chance.randint(0, 12)
        elapsed = 0.003 + 8.7e-5 * characters + 4e-4 * frames + 0.02
        model.learn(elapsed + chance.gauss(0, 2e-4), characters, frames)
    for frames in (1, 3, 5):
        wanted = 0.003 + 8.7e-5 * (16 + 20 * frames) + 4e-4 * frames + 0.02
        assert model.predict_s(16 + 20 * frames, frames) == pytest.approx(wanted, rel=0.03)


def test_the_cost_model_stays_sane_on_one_kind_of_request_only():
    # What is never varied cannot be told apart: it must stay bounded, not blow up.
    model = CostModel()
    for _ in range(20_000):
        model.learn(0.0185, 77, 3)
    assert model.predict_s(77, 3) == pytest.approx(0.0185, rel=1e-3)
    assert 0.01 < model.predict_s(56, 2) < 0.0185


def test_the_cost_model_follows_a_change_and_shrugs_off_an_outlier():
    model = CostModel()
    for _ in range(200):
        model.learn(0.018, 77, 3)
    model.learn(2.0, 77, 3)
    assert model.predict_s(77, 3) < 0.03
    for _ in range(400):
        model.learn(0.030, 77, 3)
    assert model.predict_s(77, 3) == pytest.approx(0.030, rel=0.05)


# --- packing ---


def cheapest(pids: tuple[int, ...], most: int, cost) -> float:
    """The least total by trying every partition."""
    if not pids:
        return 0.0
    first, rest = pids[0], pids[1:]
    return min(
        cost((first, *others)) + cheapest(tuple(p for p in rest if p not in others), most, cost)
        for size in range(most)
        for others in itertools.combinations(rest, size)
    )


@pytest.mark.parametrize("name", TIMINGS)
@pytest.mark.parametrize("count", [1, 3, 6, 7])
def test_packs_are_the_cheapest_there_are(name, count):
    cost = wire(TIMINGS[name])
    chance = random.Random(count)
    pids = tuple(sorted(chance.sample(TWELVE, count)))
    packs = best_packs(pids, 4, cost)
    assert sorted(itertools.chain(*packs)) == list(pids)
    assert all(len(pack) <= 4 for pack in packs)
    assert sum(map(cost, packs)) == pytest.approx(cheapest(pids, 4, cost), rel=1e-6)


def test_what_belongs_together_stays_together_where_it_costs_next_to_nothing():
    def flat(pids):
        return 0.01

    packs = best_packs(TWELVE, 6, flat, TOGETHER)
    home = {pid: place for place, pack in enumerate(packs) for pid in pack}
    assert len(packs) == 2
    assert home[0x10] == home[0x0C] == home[0x0B]
    assert home[0x06] == home[0x07]


# --- scheduling ---


@pytest.mark.parametrize("name", TIMINGS)
def test_equal_rates_reach_the_bound(name):
    # The bound is the simulator's: the best partition of the twelve by its own timing model.
    rates = run(dict.fromkeys(TWELVE, 10.0), wire(TIMINGS[name]))
    bound = bound_samples_per_s(TWELVE, TIMINGS[name], PROTOCOLS["6"])
    assert sum(rates.values()) >= 0.97 * bound
    assert max(rates.values()) <= 1.05 * min(rates.values())


@pytest.mark.parametrize("name", TIMINGS)
def test_fast_signals_get_twice_what_they_get_when_all_are_equal(name):
    fast = (0x0B, 0x0C, 0x10, 0x11)
    cost = wire(TIMINGS[name])
    equal = run(dict.fromkeys(TWELVE, 10.0), cost)
    mixed = run({pid: 10.0 if pid in fast else 0.5 for pid in TWELVE}, cost)
    for pid in fast:
        assert mixed[pid] >= 2 * equal[pid]
    assert all(mixed[pid] >= 0.45 for pid in TWELVE)


def test_too_much_degrades_in_proportion():
    wanted = {pid: 200.0 if pid in TWELVE[:6] else 100.0 for pid in TWELVE}
    rates = run(wanted, wire(TIMINGS["slow ecu"]))
    shares = [rates[pid] / wanted[pid] for pid in TWELVE]
    assert max(shares) < 0.5
    # Requests come whole, so that shares differ; none may get less than half of another.
    assert max(shares) <= 2 * min(shares)


def test_a_slow_signal_is_never_asked_without_the_fast_ones_of_its_group():
    # LONGFT1 (07) is slow, SHRTFT1 (06) fast: their sum is what counts, so they share a request.
    wanted = {0x06: 10.0, 0x07: 1.0, 0x0C: 10.0, 0x0D: 10.0, 0x05: 0.5}
    scheduler = Scheduler(wanted, 6, wire(TIMINGS["usb"]), TOGETHER)
    now_s, seen = 100.0, 0
    for _ in range(500):
        pids = scheduler.next(now_s)
        now_s += 0.015
        scheduler.asked(pids, now_s)
        if 0x07 in pids:
            seen += 1
            assert 0x06 in pids
    assert seen >= 5


def test_single_requests_where_packing_is_refused():
    rates = run(dict.fromkeys(TWELVE, 10.0), wire(TIMINGS["usb"]), most=1)
    assert max(rates.values()) <= 1.1 * min(rates.values())


def test_solo_and_suspended_pids():
    scheduler = Scheduler(dict.fromkeys(TWELVE, 10.0), 6, wire(TIMINGS["usb"]), TOGETHER)
    scheduler.solo.add(0x0C)
    scheduler.suspend(0x0D, 0.1)
    now_s = 100.0
    asked: Counter[tuple[int, ...]] = Counter()
    for _ in range(400):
        pids = scheduler.next(now_s)
        now_s += 0.015
        scheduler.asked(pids, now_s)
        asked[pids] += 1
    for pids in asked:
        assert len(pids) == 1 or not {0x0C, 0x0D} & set(pids)
    assert 1 <= asked[(0x0D,)] <= 3
    scheduler.resume(0x0D)
    assert any(0x0D in unit.pids and len(unit.pids) > 1 for unit in scheduler._units)


def test_frames_of_a_message():
    # ISO 15765-2: 7 bytes fit a single frame; a first frame holds 6, each further one 7.
    assert [frames_of(n) for n in (1, 7, 8, 13, 14, 20, 21)] == [1, 1, 2, 2, 3, 3, 4]
