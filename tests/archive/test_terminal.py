"""`logbench archive …` as typed: what it prints, exit codes, what it does to the files."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest
import typer

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


def rows_of(printed: str, form: str) -> int:
    """How many rows were printed; of `show`, in the longer of its lists."""
    if form == "--csv":
        return max(0, len(list(csv.reader(io.StringIO(printed)))) - 1)
    found = json.loads(printed)
    lists = [found["signals"], found["findings"]] if isinstance(found, dict) else [found]
    return max(map(len, lists))


@pytest.mark.parametrize("form", ["--json", "--csv"])
@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_a_limit_is_obeyed_by_every_command_which_says_what_it_leaves_off(
    root, tmp_path, capsys, monkeypatch, command, form
):
    monkeypatch.setattr("logbench.archive.likeness.LEAST_COMMON", 1)  # drives here only idle
    for name in ("x", "y"):
        make(tmp_path / f"new/{name}.parquet", trim=5.0, note=name)
    checks = () if command[0] == "repeatability" else ("--checks", "fuel_trim")
    main(["archive", "sweep", str(root), *checks])
    for name in ("cut", "torn"):
        (root / f"{name}.parquet").write_bytes(b"no")
    filled = [part.format(out=tmp_path / "out", new=tmp_path / "new") for part in command]
    capsys.readouterr()
    line = ["archive", filled[0], str(root), *filled[1:], form]
    code = main(line)
    whole = capsys.readouterr()
    assert main([*line, "--limit", "1"]) == code
    cut = capsys.readouterr()
    count = rows_of(whole.out, form)
    assert count > 1 or command[0] == "sweep"
    assert rows_of(cut.out, form) == min(count, 1)
    assert "rows are shown" not in whole.err
    assert ("rows are shown; --limit" in cut.err) == (count > 1)


def test_a_limit_holds_for_people_too(root, capsys):
    sql = "SELECT * FROM range(900)"
    assert main(["archive", "query", str(root), sql, "--limit", "4"]) == 0
    text = capsys.readouterr()
    assert "900 rows" in text.out
    assert "4 of 900 rows are shown" in text.err
    assert main(["archive", "query", str(root), sql]) == 0
    assert "200 of 900 rows are shown" in capsys.readouterr().err
    assert main(["archive", "list", str(root), "--limit", "2"]) == 0
    text = capsys.readouterr()
    assert text.out.count(".parquet") == 2
    assert "5 of 5 recordings." in text.out
    assert "2 of 5 rows are shown" in text.err


def test_of_a_trend_the_newest_are_shown(said):
    said("sweep", "--checks", "fuel_trim")
    number = ("trend", "fuel_trim:bank 1, warm idle", "van", "--json")
    every = json.loads(said(*number)[1])
    assert len(every) > 1
    assert json.loads(said(*number, "--limit", "1")[1]) == every[-1:]


def test_every_command_has_the_three_options():
    """As the parser knows them, so that a new one is not forgotten."""
    for name, command in typer.main.get_command(archive_app).commands.items():
        given = {option for one in command.params for option in one.opts}
        assert {"--limit", "--json", "--csv"} <= given, name


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
