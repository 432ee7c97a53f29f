"""The line under the Live page: state, time, samples, size, what is being done."""

from __future__ import annotations

from logbench.app.live.session import State
from logbench.app.parts import StatusLine
from logbench.capture.messages import CarFound, Status
from logbench.signals.numbers import count_text, size_text, time_text
from logbench.words import tr

_STATES: dict[State, str] = {
    "idle": tr("○ Not recording"),
    "connecting": tr("○ Connecting"),
    "watching": tr("◐ Watching, not recording"),
    "recording": tr("● Recording"),
    "finishing": tr("○ Saving"),
}


class LiveLine(StatusLine):
    """Short facts of a recording under way."""

    def __init__(self) -> None:
        super().__init__(("state", "elapsed", "samples", "rate", "size", "step"))
        self._state: State = "idle"

    def show_state(self, state: State, *, records: bool) -> None:
        """Another state of the session; `records`: it has a file, or will at once."""
        self._state = state
        left = state == "finishing" and not records
        self.tell("state", tr("○ Disconnecting") if left else _STATES[state])

    def show_car(self, found: CarFound) -> None:
        """Who answered, and what it does not report."""
        facts = found.facts
        parts = [facts.vin or tr("no VIN"), facts.protocol or tr("unknown protocol")]
        if found.unsupported:
            parts.append(
                tr("this car does not report {signals}", signals=", ".join(found.unsupported))
            )
        self.tell("step", "; ".join(parts))

    def show_status(self, status: Status) -> None:
        """How it goes."""
        held = status.held_s
        self.tell("elapsed", time_text(status.elapsed_s))
        self.tell("samples", tr("{n} samples", n=count_text(status.samples)))
        self.tell("rate", tr("{rate}/s", rate=count_text(status.samples_per_s)))
        kept = (
            size_text(status.size_bytes)
            if held is None
            else tr("last {time} kept", time=time_text(held))
        )
        self.tell("size", kept)
        if self._state in ("connecting", "watching", "recording"):
            without = {
                "lost": tr("○ Link lost, trying again"),
                "silent": tr("○ No answer from the car, asking again"),
                "connecting": tr("○ Connecting"),
                "waiting": tr("○ Waiting for the engine"),
            }
            self.tell("state", without.get(status.link, _STATES[self._state]))
