"""A link that answers what a test wants."""

from __future__ import annotations

from logbench.vehicle.framing import Raw
from logbench.vehicle.link import Link
from logbench.vehicle.model import Protocol


class Scripted(Link):
    """Answers by request in hex; a str is one reply of 7E8, an exception is raised."""

    def __init__(self, answers: dict[str, object]) -> None:
        super().__init__("scripted:")
        self.answers = answers
        self.asked: list[str] = []
        self.protocol = Protocol("scripted", is_can=True)

    def _open(self) -> None:
        pass

    def _shut(self) -> None:
        pass

    def _change(self, permit, answers):
        raise AssertionError("nothing is to be changed")

    def _exchange(self, payload, frames, timeout_s, to):
        asked = payload.hex().upper()
        self.asked.append(asked)
        answer = self.answers.get(asked, [])
        if isinstance(answer, Exception):
            raise answer
        replies = [answer] if isinstance(answer, str) else answer
        pairs = [r if isinstance(r, tuple) else ("7E8", r) for r in replies]
        return Raw([(ecu, bytes.fromhex(text)) for ecu, text in pairs])
