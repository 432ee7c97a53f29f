"""The index in parts, and archives of many folders like `year=2026/workshop=north`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbench.archive import kept, looking
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.index import known_index
from logbench.archive.store import LocalStore, RemoteStore, open_store
from logbench.cli.main import main
from logbench.errors import QueryError, UsageError
from logbench.system.folders import Room
from tests.archive.conftest import make
from tests.archive.generated import generated


@pytest.fixture
def small_parts(monkeypatch):
    for module in (kept, looking):
        monkeypatch.setattr(module, "RECORDINGS_A_PART", 2)


def paths(archive: Archive, limit: int | None = None, **parts: object) -> list[str]:
    return archive.find(Filter(**parts), limit)["recording"].to_pylist()  # type: ignore[arg-type]


# --- folders that say something -----------------------------------------------------------------


@pytest.fixture
def cut(tmp_path: Path) -> Path:
    root = tmp_path / "cut"
    for folder, day in (
        ("year=2025/workshop=north", "2025-05-01"),
        ("year=2025/workshop=south%20west", "2025-06-01"),
        ("year=2026/workshop=north", "2026-05-01"),
        ("year=2026/month=03/car=mine", "2026-03-01"),
        ("loose", "2026-04-01"),
    ):
        make(root / folder / "a.parquet", started=f"{day}T10:00:00+00:00", n=40)
    return root


def test_folders_are_columns_of_sql(cut, tmp_path):
    """Nothing but the file's path told them, as text."""
    archive = Archive(cut, tmp_path / "cache")
    sql = "SELECT year, workshop, month, car, folder_car FROM recordings ORDER BY started"
    rows = [tuple(row.values()) for row in archive.rows(sql)]
    assert rows == [
        (2025, "north", None, "van", None),
        (2025, "south west", None, "van", None),
        (2026, None, 3, "van", "mine"),
        (None, None, None, "van", None),
        (2026, "north", None, "van", None),
    ]
    answer = archive.query("SELECT count(*) AS n FROM recordings WHERE year > 2025").table
    assert answer["n"].to_pylist() == [2]


def test_folders_are_filters(cut, tmp_path, capsys, monkeypatch):
    archive = Archive(cut, tmp_path / "cache")
    assert paths(archive, folders=("year=2026", "workshop=north")) == [
        "year=2026/workshop=north/a.parquet"
    ]
    assert len(paths(archive, folders=("year=2025", "year=2026"))) == 4
    assert len(paths(archive, folders=("month=3",))) == 1
    assert len(paths(archive, folders=("workshop=south west",))) == 1
    assert paths(archive, folders=("workshop=nowhere",)) == []
    with pytest.raises(UsageError, match="'shop=…': there is car=…, month=…, workshop=…, year=…"):
        archive.find(Filter(folders=("shop=north",)))
    with pytest.raises(UsageError, match="like year=2026"):
        archive.find(Filter(folders=("2026",)))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    assert main(["archive", "list", str(cut), "--in", "year=2026", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["year"] for row in rows} == {2026}
    assert "folder_car" in rows[0]


def test_only_the_wanted_folders_are_looked_into(cut, tmp_path, monkeypatch):
    seen: list[str] = []
    real = Room.names_in

    def names_in(self: Room, folder: str) -> object:
        seen.append(str(folder))
        return real(self, folder)

    archive = Archive(cut, tmp_path / "cache")
    archive.refresh()
    monkeypatch.setattr(Room, "names_in", names_in)
    make(cut / "year=2026/workshop=north/b.parquet", n=40)
    (cut / "year=2025/workshop=north/a.parquet").unlink()
    index = archive.refresh(folders=["year=2026"])
    assert index.fresh == 1
    assert not [folder for folder in seen if "2025" in folder]
    assert len(index) == 6  # what is gone elsewhere is not known
    assert len(archive.refresh()) == 5


def test_an_object_store_is_listed_folder_by_folder(cut, tmp_path, monkeypatch):
    listed: list[tuple[str, bool]] = []
    real = RemoteStore._in

    def asked(self: RemoteStore, folder: str, *, deep: bool = False) -> object:
        listed.append((folder.removeprefix(str(cut)), deep))
        return real(self, folder, deep=deep)

    monkeypatch.setattr(RemoteStore, "_in", asked)
    far = RemoteStore(f"local://{cut}")
    assert isinstance(open_store(cut), LocalStore)
    everything = [entry.path for entry in far.listing().recordings]
    assert everything == sorted(entry.path for entry in open_store(cut).listing().recordings)
    listed.clear()
    some = far.listing({"year": ("2026",)}).recordings
    assert [entry.path for entry in some] == [path for path in everything if "2026" in path]
    assert not [folder for folder, _ in listed if "2025" in folder]


# --- parts --------------------------------------------------------------------------------------


def folders(archive: Archive) -> list[Path]:
    return [part.folder for part in archive.index.kept.parts]


@pytest.fixture
def six(tmp_path: Path, small_parts) -> Path:
    root = tmp_path / "six"
    for n in range(6):
        make(root / f"{n}.parquet", started=f"2026-01-0{n + 1}T10:00:00+00:00", n=40)
    return root


def test_a_new_recording_renews_its_own_part_only(six, tmp_path):
    """All that was known was written anew for one file."""
    before = folders(Archive(six, tmp_path / "cache"))
    assert len(before) == 3
    make(six / "2b.parquet", n=40)
    archive = Archive(six, tmp_path / "cache")
    assert archive.index.fresh == 1
    after = folders(archive)
    assert (after[0], after[2]) == (before[0], before[2])
    assert after[1] != before[1]
    (six / "0.parquet").unlink()
    (six / "1.parquet").unlink()
    archive.refresh()
    assert folders(archive) == after[1:]
    assert sorted(paths(archive)) == ["2.parquet", "2b.parquet", "3.parquet", "4.parquet",
                                      "5.parquet"]  # fmt: skip


@pytest.mark.parametrize("harm", ["cut", "gone"])
def test_a_broken_part_is_told_and_made_anew_alone(six, tmp_path, monkeypatch, capsys, harm):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    assert main(["archive", "list", str(six)]) == 0
    archive = Archive(six)
    before = folders(archive)
    file = before[1] / "recordings.parquet"
    if harm == "gone":
        file.unlink()
    else:
        file.write_bytes(file.read_bytes()[:-100])
    capsys.readouterr()
    assert main(["archive", "list", str(six)]) == 0
    said = capsys.readouterr()
    assert "6 of 6 recordings" in said.out
    assert "known of 2 recordings was damaged" in " ".join(said.err.split())
    after = folders(Archive(six))
    assert (after[0], after[2]) == (before[0], before[2])
    assert Archive(six).refresh().lost == 0


def test_a_part_that_turns_out_to_be_broken_is_made_anew_when_it_is_asked(six, tmp_path):
    archive = Archive(six, tmp_path / "cache")
    before = folders(archive)
    file = before[2] / "signals.parquet"
    file.write_bytes(b"PAR1" + bytes(file.stat().st_size - 8) + b"PAR1")
    count = "SELECT count(*) AS n FROM signals WHERE signal = 'RPM' AND maximum > 0"
    assert archive.rows(count) == [{"n": 6}]
    after = folders(archive)
    assert after[:2] == before[:2]
    with pytest.raises(QueryError):
        archive.rows("SELECT nothing FROM signals")


def test_a_first_look_that_is_stopped_goes_on_from_there(six, tmp_path, monkeypatch):
    monkeypatch.setattr(looking, "_TOLD_EVERY", 1)

    def stop(done: int, of: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Archive(six, tmp_path / "cache").refresh(stop)
    archive = Archive(six, tmp_path / "cache")
    assert archive.index.fresh == 2
    assert len(archive.index) == 6


def test_what_is_forgotten_is_in_no_part(six, tmp_path):
    archive = Archive(six, tmp_path / "cache")
    before = folders(archive)
    kept.forget_rows(archive.cache, ["3.parquet"])
    assert not before[1].exists()
    text = b"".join(p.read_bytes() for p in archive.cache.rglob("*") if p.is_file())
    assert b"3.parquet" not in text
    known = known_index(archive.cache)
    assert known is not None
    assert known.recordings["recording"].to_pylist() == [f"{n}.parquet" for n in (1, 0, 2, 5, 4)]
    assert archive.refresh().fresh == 1


# --- many ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", ["year", "car"])
def test_a_few_of_many_open_only_the_parts_that_may_hold_them(tmp_path, monkeypatch, layout):
    """12,000 made-up drives; what need not be read is taken away before."""
    monkeypatch.setattr(kept, "RECORDINGS_A_PART", 1000)
    (tmp_path / "empty").mkdir()
    archive = Archive(tmp_path / "empty", tmp_path / "cache")
    made = generated(archive.cache, {f"{layout}={n}": 3000 for n in range(4)})
    archive.as_known()
    assert len(archive.index) == 12_000
    assert len(made.parts) == 12
    rows = [(row["started"], row["recording"]) for row in archive.find().to_pylist()]
    assert rows == sorted(rows, key=lambda row: (row[0], row[1]), reverse=True)
    few = paths(archive, limit=40)
    assert few == [name for _, name in rows[:40]]
    want = [name for _, name in rows if name.startswith(f"{layout}=2/")]
    for part in made.parts:
        if (f"{layout}", "2") not in part.said:
            part.file("recordings").unlink()
            part.file("signals").unlink()
    archive.as_known()
    chosen = {"folders": (f"{layout}=2",)}
    assert paths(archive, limit=40, **chosen) == want[:40]
    assert paths(archive, limit=3, signals=("ECT",), **chosen) == want[:3]
    assert archive.count(Filter(**chosen)) == 3000  # type: ignore[arg-type]
    assert archive.resolve(want[5]) == want[5]
