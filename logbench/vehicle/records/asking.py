"""Asking a car for its records: refusals, silence and garble cost one answer, not the reading."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable, Mapping, Sequence

from logbench.errors import ReplyError
from logbench.signals.decoding import decode
from logbench.signals.table import table
from logbench.vehicle.asking import ask_again
from logbench.vehicle.link import NEGATIVE, Link
from logbench.vehicle.model import Reply
from logbench.vehicle.records.model import REASONS
from logbench.vehicle.wanted import data_service

log = logging.getLogger(__name__)


class Asker:
    """Asks through a link and notes every problem once, as a sentence.

    `answered`: what was asked to the ECUs that gave a positive answer, in order of address.
    LinkLostError passes through: nothing more can be read then.
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.problems: list[str] = []
        self.answered: dict[str, list[str]] = {}

    def ask(self, payload: bytes, what: str, of: str | None = None) -> list[Reply]:
        """Positive replies to `payload`; `what` names it in sentences (`stored codes`). `of`: the
        one ECU that it concerns; what others say is left out."""
        known = self.answered.setdefault(what, [])
        exchange = ask_again(self.link, payload)
        if exchange is None or (exchange.raw.damaged and not exchange.replies):
            self.problem(f"The answer to {what} could not be understood: read the car again.")
        elif exchange.raw.damaged:
            self.problem(f"Part of the answer to {what} was damaged: read the car again.")
        if exchange is None:
            return []
        replies = [reply for reply in exchange.replies if of in (None, reply.ecu)]
        good = [reply for reply in replies if reply.data[0] != NEGATIVE]
        for reply in replies:
            if reply.data[0] == NEGATIVE:
                self._refused(reply, what)
        for ecu in exchange.pending:
            self.problem(f"{ecu} said 'wait' when asked for {what} and never answered.")
        known[:] = sorted({*known, *(reply.ecu for reply in good)})
        return good

    def problem(self, sentence: str) -> None:
        """Note a sentence, once."""
        if sentence not in self.problems:
            self.problems.append(sentence)

    def silent(self, what: str, ecus: Sequence[str]) -> None:
        """Note which of `ecus` gave no answer at all to `what`."""
        missing = [ecu for ecu in ecus if ecu not in self.answered.get(what, ())]
        noted = " ".join(self.problems)
        missing = [ecu for ecu in missing if f"{ecu} refuses {what}" not in noted]
        if missing:
            self.problem(f"No answer from {', '.join(missing)} when asked for {what}.")

    def _refused(self, reply: Reply, what: str) -> None:
        reason = reply.data[2]
        text = REASONS.get(reason, "reason not in the standard's list")
        self.problem(f"{reply.ecu} refuses {what}: {text} (negative response {reason:02X}).")


Values = dict[str, dict[str, float]]
"""ECU to acronym to value; NaN is left out."""


def read_values(
    asker: Asker, pids: Iterable[int], supported: Mapping[str, frozenset[int]], what: str
) -> Values:
    """Ask for `pids`, one a request, as far as any ECU supports them."""
    service = data_service(asker.link.service)
    found: Values = {}
    for pid in pids:
        if not any(pid in known for known in supported.values()):
            continue
        for reply in asker.ask(service.payload((pid,)), what):
            try:
                parts = service.split(reply.data, table().lengths)
                values = {k: v for got, data in parts for k, v in decode(got, data).items()}
            except ReplyError as error:
                asker.problem(f"{reply.ecu} answers {what} in a way that makes no sense: {error}")
                continue
            kept = {name: value for name, value in values.items() if not math.isnan(value)}
            found.setdefault(reply.ecu, {}).update(kept)
    return found


def highest(values: Values, acronym: str) -> float | None:
    """The largest value any ECU gives; None when none does."""
    return max((by[acronym] for by in values.values() if acronym in by), default=None)
