"""What a report shows of the ledger it was made with: its head as text and as a code to scan."""

from __future__ import annotations

from itertools import groupby

from logbench.job.keys import fingerprint
from logbench.job.seal import Seal, head_text
from logbench.report.drawing import BLACK, WHITE, Box, Chart
from logbench.words import tr

_MODULE = 2.0
"""Points of one square of the code."""
_QUIET = 4
"""Squares left white around it (ISO/IEC 18004, from memory)."""


def seal_facts(seal: Seal) -> tuple[tuple[str, str], ...]:
    """The ledger's head and the key, as names and values; none where there is no ledger."""
    if not seal.head:
        return ()
    return (
        (tr("Ledger's head"), head_text(seal.head)),
        (tr("Entries"), str(seal.entries)),
        (tr("Signed with the key"), fingerprint(seal.key)),
    )


def seal_code(seal: Seal) -> Chart | None:
    """A QR code of `Seal.mark`; None where there is no ledger."""
    if not seal.mark:
        return None
    import segno

    rows = [list(row) for row in segno.make(seal.mark, error="m", micro=False).matrix]
    side = (len(rows) + 2 * _QUIET) * _MODULE
    words = tr("Code to scan: the head of the job's ledger, {head}", head=head_text(seal.head))
    chart = Chart(side, side, words, [Box(0, 0, side, side, WHITE)])
    for number, row in enumerate(rows, start=1):
        x = _QUIET * _MODULE
        for dark, run in groupby(row):
            width = len(list(run)) * _MODULE
            if dark:
                y = side - (_QUIET + number) * _MODULE
                chart.add(Box(x, y, width, _MODULE, BLACK))
            x += width
    return chart
