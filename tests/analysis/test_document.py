"""What the checks say is explained, and every explanation is used; their pages: test_guide.py."""

from __future__ import annotations

import ast
import inspect
import re
import tomllib
from pathlib import Path

import logbench.analysis
from logbench.analysis.applicability import WHOLE
from logbench.analysis.causes.catalog import CAUSES, NAMED
from logbench.analysis.cautions import CAUTIONS
from logbench.analysis.findings import ASKS, EXPLANATIONS, UNLESS
from logbench.analysis.run import all_checks
from logbench.analysis.trim_pattern import CELLS
from logbench.signals.table import table


def test_every_explanation_is_used_and_every_name_there():
    """A row that no check names would be dead, a name without a row a KeyError in one branch."""
    for check in all_checks():
        parts = (check, *getattr(check, "PARTS", ()))
        calls = [call for part in parts for call in ast.walk(ast.parse(inspect.getsource(part)))]
        explained = {name for call in calls for name in names_of(call, "judged", 3)}
        explained |= {
            name for call in calls for name in names_of(call, "finding", 3) - {"degC", "s"}
        }
        explained |= {name for call in calls for name in looked_up(call, "WHY")}
        explained |= {name for call in calls for name in names_of(call, "judge_travel", 4, 5)}
        assert explained == set(EXPLANATIONS.get(check.KEY, {})), check.KEY
        asked = {name for call in calls for name in names_of(call, "not_judged", 1)}
        asked |= {name for call in calls for name in names_of(call, "not_recorded", 2)}
        asked |= {name for call in calls for name in names_of(call, "without", 3)}
        asked |= {name for call in calls for name in names_of(call, "judge_travel", 5)}
        asked |= set(CELLS) & set(ASKS.get(check.KEY, {}))
        assert asked == set(ASKS.get(check.KEY, {})), check.KEY


def test_what_can_kill_is_said_where_the_next_steps_lead_there():
    """Where the likeliest cause is work for trained staff, its caution stands among the steps."""
    for check, rows in EXPLANATIONS.items():
        for name, row in rows.items():
            safety = CAUSES[row.causes[0].key].safety if row.causes else ()
            for caution in (CAUTIONS[key] for key in safety):
                if caution.danger == 3:
                    assert caution.text in row.tell_apart, (check, name)


def test_what_an_engine_keeps_from_being_judged_is_there():
    """A row whose subject no check has would keep nothing out."""
    sources = {check.KEY: inspect.getsource(check) for check in all_checks()}
    for key, rows in UNLESS.items():
        for row in rows:
            assert row.traits
            words = [*table()] if key == "sensors" else [sources[key]]
            part = row.subject.split(",")[0]
            assert row.subject == WHOLE or any(part in str(word) for word in words), row


def names_of(call: ast.AST, method: str, place: int, end: int | None = None) -> set[str]:
    """The single words among what a call of `method` is given from a place on; not the
    conditions on which they are chosen."""
    if not isinstance(call, ast.Call):
        return set()
    if method not in (getattr(call.func, "attr", ""), getattr(call.func, "id", "")):
        return set()
    chosen = [leaf for argument in call.args[place:end] for leaf in leaves(argument)]
    return {x.value for x in chosen if isinstance(x, ast.Constant) and " " not in x.value}


def leaves(expression: ast.expr) -> list[ast.expr]:
    if isinstance(expression, ast.IfExp):
        return leaves(expression.body) + leaves(expression.orelse)
    if isinstance(expression, ast.Tuple):
        return list(expression.elts)
    return [expression]


def looked_up(node: ast.AST, table: str) -> set[str]:
    """The name in `table["name"]`."""
    there = isinstance(node, ast.Subscript) and getattr(node.value, "id", "") == table
    return {node.slice.value} if there else set()


def test_every_other_name_of_a_cause_is_used_and_every_name_used_is_one():
    folder = Path(logbench.analysis.__file__).parent
    code = "".join(path.read_text("utf-8") for path in folder.rglob("*.py"))
    rows = tomllib.loads((folder / "explanations.toml").read_text("utf-8"))
    named = set(re.findall(r'NAMED\["(\w+)"\]', code))
    named |= {
        c
        for name in rows.keys() - {"asks", "unless"}
        for r in rows[name].values()
        for c in r["causes"]
    }
    assert named <= set(NAMED)
    assert set(NAMED) - set(CAUSES) <= named
    assert {key for key, cause in CAUSES.items() if not cause.prior} <= {
        NAMED[name].key for name in named
    }
