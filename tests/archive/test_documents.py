"""The queries of docs/archive.md run, and the columns named there are those that there are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logbench.archive.columns import JOBS, NOTES, READINGS, SIGNALS, recordings_schema
from logbench.archive.query import SAMPLES_SCHEMA

TEXT = (Path(__file__).parents[2] / "docs/archive.md").read_text("utf-8")
QUERIES = re.findall(r"```sql\n(.*?)```", TEXT, re.DOTALL)


def test_there_are_ten():
    assert len(QUERIES) == 10


@pytest.mark.parametrize("sql", QUERIES)
def test_a_query_of_the_page_runs(opened, sql):
    assert opened().query(sql).table.num_columns >= 2


VIEWS = ["recordings", "signals", "samples", "findings", "jobs", "conditions", "notes", "cars",
         "readings", "codes"]  # fmt: skip


@pytest.mark.parametrize("view", VIEWS)
def test_the_columns_are_named(view, opened):
    paragraph = re.search(rf"\*\*{view}\*\*:(.*?)\n\n", TEXT, re.DOTALL)
    assert paragraph is not None
    named = set(re.findall(r"`([a-z_0-9]+)`", paragraph[1]))
    columns = set(opened().query(f"DESCRIBE {view} /* samples */").table.to_pydict()["column_name"])
    assert columns <= named
    schemas = {"recordings": recordings_schema(), "signals": SIGNALS, "jobs": JOBS,
               "samples": SAMPLES_SCHEMA, "notes": NOTES, "readings": READINGS}  # fmt: skip
    if view in schemas:
        assert columns == set(schemas[view].names)
