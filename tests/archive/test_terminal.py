"""`logbench archive …` as typed: what it prints, exit codes, what it does to the files."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest

from logbench.cli.archive import archive_app
from logbench.cli.main import main
from logbench.cli.show import console
from tests.archive.conftest import make


@pytest.fixture(autouse=True)
def roomy(tmp_path, monkeypatch):
    """A wide terminal, and a cache that nobody else has."""
    monkeypatch.setenv("COLUMNS", "160")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    console.cache_clear()
    yield
    console.cache_clear()


@pytest.fixture
def said(root, capsys):
    """Runs `archive COMMAND ROOT …`; gives the exit code and what was printed."""

    def run(command: str, *arguments: str) -> tuple[int, str]:
        code = main(["archive", command, str(root), *arguments])
        return code, capsys.readouterr().out

    return run


def test_list_find_show_query(said, root, capsys):
    assert said("list")[1].endswith("5 of 5 recordings.\n")
    options = ("--car", "van", "--text", "stalls", "--liters", "1.6-2.0", "--signal", "rpm")
    (found,) = json.loads(said("find", *options, "--json")[1])
    assert found["recording"] == "van/b.parquet"
    assert "Total fuel trim" in said("show", "van/b")[1]
    assert re.search(r"\nJudged [1-9]\d* of \d+\.\n$", said("show", "van/b")[1])
    assert re.search(r"van/b\.parquet.* (within|watch|act) \([1-9]\d*\)", said("list")[1])
    assert "5 rows" in said("query", "SELECT car FROM recordings")[1]
    code, text = said("query", "SELECT '=1+1' AS a", "--csv")
    assert (code, text.splitlines()) == (0, ["a", "'=1+1"])
    assert main(["archive", "find", str(root), "--liters", "big"]) == 3
    assert "not a displacement" in capsys.readouterr().err


def test_sweep_trend_like_add_check(said, root, tmp_path, capsys):
    make(root / "coupe/a.parquet", car="coupe", trim=3.0)
    code, text = said("sweep", "--car", "van")
    assert code == 0
    assert "3 recordings in" in text
    assert "0 checked earlier" in text
    assert "3 checked earlier" in said("sweep")[1]
    text = said("trend", "fuel_trim:bank 1, warm idle", "van")[1]
    assert text.count("van/") == 3
    assert "1 other cars of 1.8 L" in text
    assert main(["archive", "trend", str(root), "fuel_trim:bank 1, warm idel", "van"]) == 3
    assert "did you mean fuel_trim:bank 1, warm idle" in capsys.readouterr().err
    code, text = said("like", "van/a")
    assert code == 0
    assert "No other drive has operating points in common" in text
    new = make(tmp_path / "new.parquet", trim=5.0)
    (tmp_path / "bad.parquet").write_bytes(b"no")
    code, text = said("add", str(new), str(tmp_path / "bad.parquet"))
    assert code == 3
    assert "added as van/2026-03-01-new.parquet" in text.replace("\n", "")
    code, text = said("verify")
    assert code == 0
    assert "7 sound" in text
    (root / "van/cut.parquet").write_bytes(new.read_bytes()[:3000])
    assert said("verify", "--quarantine")[0] == 3
    assert (root / "quarantine/van/cut.parquet").exists()
    assert main(["archive", "sweep", str(root), "--function", "math:sqrt"]) == 3
    assert "--out" in capsys.readouterr().err


def test_a_finding_is_looked_for_only_where_checks_have_run(said, root, capsys):
    text = said("find", "--finding", "act")[1]
    assert "0 of 5 recordings" in text
    assert "5 recordings have not been checked" in text
    assert "archive sweep" in text
    assert said("sweep", "--checks", "fuel_trim")[0] == 0
    text = said("find", "--finding", "fuel_trim")[1]
    assert "5 of 5 recordings" in text
    assert "not been checked" not in text
    both = ["--checks", "fuel_trim", "--function", "a:b"]
    assert main(["archive", "sweep", str(root), *both]) == 3
    assert "one of the two" in capsys.readouterr().err


def test_a_value_that_cannot_be_shown_is_a_sentence(root, capsys):
    assert main(["archive", "query", str(root), "SELECT 'infinity'::TIMESTAMP AS t"]) == 3
    assert "cast it to VARCHAR" in capsys.readouterr().err


COMMANDS = [
    ("list",), ("find", "--car", "van"), ("show", "van/a"), ("query", "SELECT car FROM recordings"),
    ("verify",), ("sweep",), ("trend", "fuel_trim:bank 1, warm idle", "van"),
    ("repeatability", "van"), ("like", "van/a"), ("export", "--out", "{out}"), ("add", "{new}"),
]  # fmt: skip


def test_no_command_is_left_out():
    assert {name for name, *_ in COMMANDS} == {one.name for one in archive_app.registered_commands}


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_every_command_speaks_json_and_csv_and_nothing_else(said, root, tmp_path, command):
    """There was an empty line before the first, and most commands had neither."""
    make(tmp_path / "new.parquet", trim=5.0)
    said("sweep", "--checks", "fuel_trim")
    filled = [part.format(out=tmp_path / "out", new=tmp_path / "new.parquet") for part in command]
    code, text = said(*filled, "--json")
    assert code == 0
    found = json.loads(text)
    assert text[0] in "[{"
    code, text = said(*filled, "--csv")
    assert code == 0
    rows = list(csv.reader(io.StringIO(text)))
    assert rows == [] or all(rows[0])
    if isinstance(found, list) and found:
        assert rows[0] == list(found[0])


def test_a_limit_is_obeyed_by_every_form(said, root, capsys):
    assert len(json.loads(said("list", "--limit", "2", "--json")[1])) == 2
    assert len(json.loads(said("list", "--json")[1])) == 5
    assert len(said("list", "--limit", "2", "--csv")[1].splitlines()) == 3
    sql = "SELECT * FROM range(9)"
    assert len(said("query", sql, "--limit", "4", "--csv")[1].splitlines()) == 5
    assert len(json.loads(said("query", sql, "--limit", "4", "--json")[1])) == 4
    assert "9 rows, 4 shown" in said("query", sql, "--limit", "4")[1]
    said("sweep")
    number = ("trend", "fuel_trim:bank 1, warm idle", "van", "--json")
    every = json.loads(said(*number)[1])
    assert len(every) > 1
    assert main(["archive", number[0], str(root), *number[1:], "--limit", "1"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out) == every[-1:]
    assert f"1 of {len(every)} are shown." in shown.err
    assert len(said("repeatability", "--csv", "--limit", "2")[1].splitlines()) <= 3


@pytest.mark.parametrize(
    ("command", "said_"),
    [
        (("sweep", "--checks", "fule_trim"), "did you mean fuel_trim"),
        (("find", "--finding", "fule_trim"), "did you mean fuel_trim"),
        (("find", "--finding", "fuel_trim:axt"), "did you mean act"),
        (("find", "--signal", "RPMM"), "did you mean RPM"),
        (("sweep", "--function", "TOTL_TRIM1", "--out", "x"), "did you mean TOTAL_TRIM1"),
        (("query", "SELECT 1", "--memory", "3 apples"), "not an amount of memory"),
        (("query", "SELECT 1", "--json", "--csv"), "leave one of --json and --csv out"),
        (("trend", "fuel_trim:bank 1, warm idle", "van"), "run 'archive sweep' first"),
    ],
)
def test_what_is_not_known_is_refused_with_what_is_like_it(root, capsys, command, said_):
    assert main(["archive", command[0], str(root), *command[1:]]) == 3
    assert said_ in " ".join(capsys.readouterr().err.split())


def test_an_answer_of_nothing_says_why(root, capsys):
    assert main(["archive", "query", str(root), "SELECT * FROM findings", "--csv"]) == 0
    assert "run 'archive sweep' first" in capsys.readouterr().err
    assert main(["archive", "query", str(root), "SELECT * FROM conditions", "--csv"]) == 0
    assert "run 'archive sweep' first" in capsys.readouterr().err
    assert main(["archive", "query", str(root), "SELECT avg(RPM) FROM aligned", "--csv"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.splitlines()[0] == "avg(RPM)"
