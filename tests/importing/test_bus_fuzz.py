"""Logs and sessions with random damage: a sentence or samples come out, and nothing else."""

from __future__ import annotations

import contextlib
import random
from pathlib import Path

import pytest

from logbench.errors import ImportFileError
from tests.importing.reading import read
from tests.importing.test_bus_traffic import SESSION
from tests.importing.test_can_log import drive, write

RUNS = 150


@pytest.mark.parametrize("suffix", [".log", ".asc", ".trc", ".blf", ".txt"])
@pytest.mark.filterwarnings("ignore")
def test_damage_raises_nothing_but_a_sentence(tmp_path: Path, suffix: str, caplog):
    path = tmp_path / f"bus{suffix}"
    if suffix == ".txt":
        path.write_text(SESSION * 3)
    else:
        write(path, drive() * 5)
    whole = path.read_bytes()
    chance = random.Random(suffix)
    read_at_all = 0
    for _ in range(RUNS):
        data = bytearray(whole)
        for _ in range(chance.randint(1, 6)):
            at = chance.randrange(len(data))
            what = chance.choice(("flip", "cut", "double", "drop"))
            if what == "flip":
                data[at] = chance.randrange(256)
            elif what == "cut":
                del data[at : at + chance.randint(1, 40)]
            elif what == "double":
                data[at:at] = data[at : at + chance.randint(1, 40)]
            else:
                del data[max(at, 40) :]
        path.write_bytes(data or b"\n")
        with contextlib.suppress(ImportFileError):
            imported = read(path)
            read_at_all += 1
            assert sum(len(t) for one in imported.drives for t in one.traces) > 0
    caplog.clear()  # python-can tells of some lines that it left out
    assert read_at_all > RUNS / 20
