"""Tables of the simulated car, and published speed traces.

`wltc_class3b.csv`: speed against time (`time_s`, `speed_kmh`, 1 s apart) of the WLTC class 3b
cycle. Source of the numbers: UNECE Global Technical Regulation No. 15, annex 1.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).parent


def tables(file: str) -> dict[str, Any]:
    """A TOML file of this folder."""
    return tomllib.loads((_FOLDER / file).read_text("utf-8"))


def rows(file: str) -> list[dict[str, str]]:
    """A CSV file of this folder, by its header."""
    return list(csv.DictReader((_FOLDER / file).read_text("ascii").splitlines()))
