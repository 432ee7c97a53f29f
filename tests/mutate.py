"""Lines that carry facts, each changed on purpose in a copy of the tree: some test must fail.

`tests/mutations.toml` names each line, what it is changed to, and the tests that should notice. An
entry whose line is no longer there, or stands there more than once, is an error, and so is a test
that fails without the change. `python tests/mutate.py` does all, before a release; a tenth of them
by date is part of the suite (`tests/test_mutations.py`).
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
LIST = ROOT / "tests/mutations.toml"
TENTH = 10
_LONGEST_S = 600
"""A test that a change makes wait for ever has noticed it."""
_NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "screenshots", "build", "*.egg-info")
_PASSED, _FAILED = 0, 1  # of pytest
_server = multiprocessing.get_context("spawn" if os.name == "nt" else "forkserver")
_LIBRARIES = (
    "numpy",
    "pandas",
    "pyarrow.parquet",
    "scipy.special",
    "pydantic",
    "PySide6.QtTest",
    "PySide6.QtWidgets",
    "hypothesis.strategies",
    "pytest",
    "pytestqt.plugin",
    "_pytest.doctest",
    "_pytest.logging",
    "_pytest.python",
)
_QUICKLY = ("-q", "-x", "--assert=plain", "-p", "no:benchmark", "-p", "no:xdist")
"""Up to the first that fails; what an assertion held is of no interest."""


class StaleError(Exception):
    """An entry that does not fit the tree."""


class Said(NamedTuple):
    """How pytest ended, and what it wrote."""

    returncode: int
    stdout: str


@dataclass(frozen=True)
class Mutation:
    """`line`: the whole line without its indentation, `after`: the same of the one before it, where
    `line` stands in the file more than once."""

    file: str
    line: str
    changed: str
    tests: tuple[str, ...]
    after: str = ""

    def __str__(self) -> str:
        return f"{self.file}: {self.line}"

    def applied(self, source: str) -> str:
        """The changed text of the file. Raises `StaleError`."""
        lines = source.splitlines(keepends=True)
        found = [
            n
            for n, line in enumerate(lines)
            if line.strip() == self.line and (not self.after or lines[n - 1].strip() == self.after)
        ]
        if len(found) != 1:
            raise StaleError(f"{self}: stands there {len(found)} times, not once")
        (at,) = found
        indent = lines[at][: len(lines[at]) - len(lines[at].lstrip())]
        lines[at] = f"{indent}{self.changed}\n"
        return "".join(lines)


def mutations() -> list[Mutation]:
    """All of the list."""
    entries = tomllib.loads(LIST.read_text(encoding="utf-8"))["mutation"]
    return [Mutation(**entry | {"tests": tuple(entry["tests"])}) for entry in entries]


def of_day(all_of_them: Sequence[Mutation], day: date) -> list[Mutation]:
    """Every tenth, another tenth each day."""
    return list(all_of_them[day.toordinal() % TENTH :: TENTH])


@contextmanager
def copied() -> Iterator[Path]:
    """A copy of the tree, with the reference data beside it where there is some."""
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder, "tree")
        shutil.copytree(ROOT, tree, ignore=_NOT_COPIED)
        if (shared := ROOT.parent / "shared").is_dir():
            (tree.parent / "shared").symlink_to(shared)
        yield tree


def survived(mutation: Mutation, tree: Path) -> str:
    """Why the change counts as not noticed; empty where a test failed. The tree is as it was then.

    Raises `StaleError`, also where the tests cannot be run at all.
    """
    path = tree / mutation.file
    source = path.read_text(encoding="utf-8")
    _write(path, mutation.applied(source))
    try:
        said = run_tests(mutation.tests, tree)
    finally:
        _write(path, source)
    if said is None or said.returncode == _FAILED:
        return ""
    if said.returncode == _PASSED:
        return f"{mutation}\n  as: {mutation.changed}\n  passes {' '.join(mutation.tests)}"
    raise StaleError(f"{mutation}: pytest ended with {said.returncode}\n{said.stdout[-2000:]}")


def run_tests(tests: Sequence[str], tree: Path) -> Said | None:
    """Tests in a copy of the tree, up to the first that fails; None where they did not end.

    In a process that has the large libraries already, and nothing of the program.
    """
    _server.set_forkserver_preload(list(_LIBRARIES))
    output = tree.parent / "said.txt"
    process = _server.Process(target=_run, args=(tests, tree, output))
    process.start()
    process.join(_LONGEST_S)
    if process.exitcode is None:
        process.kill()
        process.join()
        return None
    return Said(process.exitcode, output.read_text(encoding="utf-8", errors="replace"))


def _run(tests: Sequence[str], tree: Path, output: Path) -> None:
    """In the process of its own: pytest on the copy."""
    with output.open("wb") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    os.chdir(tree)
    for name in [name for name in os.environ if name.startswith("PYTEST_")]:
        del os.environ[name]  # of the run that this one is part of
    os.environ["PYTHONPATH"] = str(tree)
    for name in [name for name in sys.modules if name.split(".")[0] in ("logbench", "tests")]:
        del sys.modules[name]
    here = {str(ROOT), str(ROOT / "tests"), ""}
    sys.path[:] = [str(tree), *(place for place in sys.path if place not in here)]
    import pytest

    code = pytest.main([*_QUICKLY, *tests])
    sys.stdout.flush()
    os._exit(int(code))


def _write(path: Path, source: str) -> None:
    """With nothing left of what was compiled from what stood there."""
    path.write_text(source, encoding="utf-8")
    for compiled in path.parent.glob(f"__pycache__/{path.stem}.*.pyc"):
        compiled.unlink()


def main() -> int:
    """All, or those whose file or line holds a text; 1 where something survives or is stale."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("only", nargs="?", default="", help="text of the file or the line")
    chosen = [m for m in mutations() if parser.parse_args().only in str(m)]
    wrong: list[str] = []
    begun_s = time.monotonic()
    with copied() as tree:
        tests = sorted({test for mutation in chosen for test in mutation.tests})
        plain = run_tests(tests, tree)
        if plain is None or plain.returncode != _PASSED:
            print("The tests fail without any change:", plain.stdout if plain else "no end")
            return 1
        for mutation in chosen:
            since_s = time.monotonic()
            try:
                found = survived(mutation, tree)
            except StaleError as error:
                found = str(error)
            took_s = time.monotonic() - since_s
            print("SURVIVED" if found else "noticed ", f"{took_s:5.1f} s  {mutation}", flush=True)
            wrong += [found] if found else []
    whole_s = time.monotonic() - begun_s
    print(f"{len(chosen) - len(wrong)} of {len(chosen)} noticed, {whole_s:.0f} s in all")
    print("\n".join(wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
