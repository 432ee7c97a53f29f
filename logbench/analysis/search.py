"""Where in a drive a condition holds."""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import runs
from logbench.analysis.expression.checked import CONSTANTS, Expression
from logbench.analysis.expression.evaluate import Evaluation, constants_of
from logbench.analysis.grid import RecordingLike, Traces
from logbench.analysis.model import Span
from logbench.errors import SignalUnsupportedError


def find_spans(wanted: Expression, recording: RecordingLike) -> tuple[Span, ...]:
    """The spans in which a condition holds, in order; what is not known does not hold.

    Raises `SignalUnsupportedError` for a signal that the recording does not hold, and for what is
    not known of its car.
    """
    traces, constants = Traces(recording), constants_of(recording.facts.vehicle)
    work = Evaluation(traces.recorded, constants)
    for name in work.missing(wanted.tree):
        if name in CONSTANTS:
            raise SignalUnsupportedError(f"The car's {name.lower()} is not stated.")
        recording.trace(name)  # raises where it is not recorded
    t_ns = work.times(wanted.tree, "every")
    if not len(t_ns):
        return ()
    step_ns = int(np.median(np.diff(t_ns))) if len(t_ns) > 1 else 1
    return runs(work.at(wanted.tree, t_ns) == 1, t_ns, max(1, step_ns))
