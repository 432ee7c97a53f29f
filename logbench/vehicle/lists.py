"""What each ECU supports: lists of 32 PIDs, each of which announces the next (SAE J1979).

A list that was announced and does not come is unknown, not empty: it is asked for again, at once
and later while driving.
"""

from __future__ import annotations

import dataclasses
import logging

from logbench.errors import ReplyError
from logbench.signals.decoding import supported_pids
from logbench.signals.table import SUPPORTED_PIDS
from logbench.vehicle.asking import ask
from logbench.vehicle.link import Link
from logbench.vehicle.model import CarFacts
from logbench.vehicle.wanted import DataService

log = logging.getLogger(__name__)

_LISTS = frozenset(SUPPORTED_PIDS) | {0x100}
_ATTEMPTS = 3


def read_lists(link: Link, service: DataService) -> CarFacts:
    """`supported` and `unanswered` of the car behind a link."""
    found: dict[str, frozenset[int]] = {}
    unanswered: dict[str, int] = {}
    expected, link.heard = set(link.heard), frozenset()  # once only: it may soon be another car
    for base in SUPPORTED_PIDS:
        answers: dict[str, frozenset[int]] = {}
        for attempt in range(_ATTEMPTS):
            # without a count from the second time on: who refuses must not cut others off
            answers |= _ask_list(link, service, base, 0 if attempt else len(expected))
            if answers and expected <= answers.keys():
                break
        unanswered |= dict.fromkeys(expected - answers.keys(), base)
        for ecu, numbers in answers.items():
            found[ecu] = found.get(ecu, frozenset()) | (numbers - _LISTS)
        expected = {ecu for ecu, numbers in answers.items() if base + 0x20 in numbers}
        if not expected:
            break
    return CarFacts(supported=dict(sorted(found.items())), unanswered=unanswered)


def complete(link: Link, service: DataService, facts: CarFacts) -> CarFacts:
    """The facts with one more of the lists that lack, asked for once; themselves where it does not
    come. Raises LinkLostError."""
    base = min(facts.unanswered.values())
    answers = _ask_list(link, service, base, 0, once=True)
    came = {
        ecu: answers[ecu]
        for ecu, lacks in facts.unanswered.items()
        if lacks == base and ecu in answers
    }
    if not came:
        return facts
    unanswered = {ecu: lacks for ecu, lacks in facts.unanswered.items() if ecu not in came}
    unanswered |= {ecu: base + 0x20 for ecu, numbers in came.items() if base + 0x20 in numbers}
    supported = dict(facts.supported)
    for ecu, numbers in came.items():
        supported[ecu] = supported.get(ecu, frozenset()) | (numbers - _LISTS)
    return dataclasses.replace(
        facts, supported=dict(sorted(supported.items())), unanswered=unanswered
    )


def _ask_list(
    link: Link, service: DataService, base: int, count: int, once: bool = False
) -> dict[str, frozenset[int]]:
    """By ECU the PIDs of list `base`; `count` ECUs have it, 0: unknown."""
    frames = count or None if link.protocol.is_can else None
    found = {}
    for reply in ask(link, service.payload((base,)), frames, 1 if once else _ATTEMPTS):
        try:
            ((_, data),) = service.split(reply.data, {base: 4})
            found[reply.ecu] = supported_pids(base, data)
        except (ReplyError, ValueError) as error:
            log.info("list of supported PIDs not understood from %s: %s", reply.ecu, error)
    return found
