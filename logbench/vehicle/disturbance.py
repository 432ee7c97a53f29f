"""Samples that stay away though the adapter answers: reported once, with the reason and what to do.

A car that is merely silent is no disturbance: its ignition may be off, and the capture says so.
"""

from __future__ import annotations

import time

from logbench.vehicle.model import Progress

PATIENCE_S = 1.0
"""So long without a sample, the user is notified."""
DAMAGED = (
    "the replies arrive damaged; check the adapter's plug and cable, "
    "or go nearer to a radio adapter"
)


class Disturbance:
    """Between samples: `reason` remembers why nothing came, `over` ends it."""

    def __init__(self, notify: Progress) -> None:
        self._notify = notify
        self._good_s = time.monotonic()
        self._notified = False

    def reason(self, text: str) -> None:
        """Why a request brought nothing: reported when it has lasted for PATIENCE_S."""
        lasted_s = time.monotonic() - self._good_s
        if lasted_s >= PATIENCE_S and not self._notified:
            self._notified = True
            self._notify(f"No samples for {lasted_s:.0f} s, asking on: {text.rstrip('.')}.")

    def over(self) -> None:
        """Samples have come, or the link was set up anew."""
        self._good_s = time.monotonic()
        self._notified = False
