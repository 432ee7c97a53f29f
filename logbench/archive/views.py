"""The views of an archive that are made of other views, as SQL."""

from __future__ import annotations

import re

MADE = {
    "cars": """SELECT car, max(nullif(vin, '')) AS vin, max(displacement_l) AS displacement_l,
        max(nullif(engine, '')) AS engine, count(*) AS drives,
        min(nullif(started, '')) AS first, max(nullif(started, '')) AS last,
        sum(duration_s) / 3600 AS hours FROM recordings GROUP BY car""",
    "conditions": """SELECT recording, start_ns / 1e9 AS start_s, end_ns / 1e9 AS end_s, condition,
        warm, closed_loop, steady, load FROM states WHERE end_ns > 0""",
}
"""`cars`: one row a car; `conditions`: one row a stretch of a driving condition."""
BASE = {"cars": "recordings", "conditions": "states"}
"""The table that each is made of."""
ALIGNED = "aligned"
"""The table of all drives, made for each statement of the signals that it speaks of."""

_WORD = re.compile(r"[^\W\d]\w*")


def words_of(sql: str) -> set[str]:
    """All words of a statement, in small letters: what it could ask for."""
    return {word.lower() for word in _WORD.findall(sql)}
