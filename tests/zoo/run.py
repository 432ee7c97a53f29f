"""Hold the recorder against generated peers: `python -m tests.zoo.run --peers 300 --seed N`.

Several at once, since they mostly wait; those that miss the rate are run again one by one, where
no other peer takes the processor. Exit code 1 when a law is broken.
"""

from __future__ import annotations

import argparse
import logging
import multiprocessing
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from tests.zoo.grammar import draw
from tests.zoo.laws import LEAST_SHARE, MEASURED_S, Verdict, judge

AGAIN = 2
"""So often a peer that misses the rate is run again, alone: a machine that paused is not a fault
of the recorder's, one that keeps the rate once has shown that it can."""
SWITCH_S = 0.0005
"""Peer and recorder are threads of one process: neither may keep the other waiting."""


def run_one(seed: int, measured_s: float = MEASURED_S) -> Verdict:
    """The peer of `seed`, in a process of its own pool."""
    sys.setswitchinterval(SWITCH_S)
    logging.disable(logging.CRITICAL)
    return judge(draw(seed), measured_s)


def run_all(
    seeds: Iterable[int], at_once: int, measured_s: float = MEASURED_S, show: bool = False
) -> list[Verdict]:
    """Verdicts of all, in order of their seeds."""
    found: dict[int, Verdict] = {}
    one = partial(run_one, measured_s=measured_s)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(at_once, mp_context=context) as pool:
        for verdict in pool.map(one, seeds):
            found[verdict.seed] = verdict
            if show:
                print(line(verdict), flush=True)
    for _ in range(AGAIN):
        slow = [
            seed
            for seed, verdict in found.items()
            if verdict.share < LEAST_SHARE and not {1, 2} & set(verdict.breaches)
        ]
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            for verdict in pool.map(one, slow):
                found[verdict.seed] = max(found[verdict.seed], verdict, key=lambda v: v.share)
                if show:
                    print(f"again {line(verdict)}", flush=True)
    return list(found.values())


def line(verdict: Verdict) -> str:
    """One peer's outcome."""
    text = f"{verdict.seed:6} {verdict.share:6.3f} of {verdict.optimum_hz:7.1f}/s"
    text += f"  first sample {verdict.connected_s:5.2f} s"
    if not verdict.judged:
        text += f"  not judged: the machine stood still for {verdict.stalled:.0%}"
    for law, breaches in sorted(verdict.breaches.items()):
        text += f"\n       law {law}: {len(breaches)}, {'; '.join(breaches[:3])}"
    return text if verdict.holds else f"{text}\n       {verdict.traits}"


def summary(verdicts: list[Verdict]) -> str:
    """Breaches by law, and the distribution of rate / optimum."""
    shares = sorted(verdict.share for verdict in verdicts if verdict.judged)
    kept = sum(v.holds and v.judged for v in verdicts)
    unjudged = [v.seed for v in verdicts if v.holds and not v.judged]
    parts = [
        f"{len(verdicts)} peers, {kept} keep all laws",
        f"rate not judged, since the machine was busy, of {len(unjudged)}: {unjudged}",
    ]
    for law in (1, 2, 3):
        broken = [verdict.seed for verdict in verdicts if law in verdict.breaches]
        parts.append(f"law {law} broken by {len(broken)}: {broken}")
    marks = ", ".join(
        f"{share:.0%}: {shares[min(len(shares) - 1, int(share * len(shares)))]:.3f}"
        for share in (0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9)
        if shares
    )
    return "\n".join([*parts, f"rate / optimum: {marks}"])


def main() -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--peers", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0, help="of the first peer")
    parser.add_argument("--at-once", type=int, default=10)
    parser.add_argument(
        "--trace", action="store_true", help="all that was asked, answered and told"
    )
    arguments = parser.parse_args()
    start_s = time.monotonic()
    seeds = range(arguments.seed, arguments.seed + arguments.peers)
    verdicts = run_all(seeds, min(arguments.at_once, arguments.peers), show=True)
    if arguments.trace:
        for verdict in verdicts:
            print("\n".join([line(verdict), *sorted([*verdict.said, *verdict.asked])]))
    print(summary(verdicts))
    print(f"{time.monotonic() - start_s:.0f} s")
    return 0 if all(verdict.holds for verdict in verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
