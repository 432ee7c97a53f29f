"""The documented schema of the facts is the one that the code uses."""

from __future__ import annotations

import json
from pathlib import Path

from logbench.recording.model import Facts

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "facts.schema.json"


def test_documented_schema_is_current():
    assert json.loads(DOCUMENT.read_text()) == Facts.model_json_schema()
