"""Whatever the program writes is for its owner only, under any umask: the whole way through it, and
every place in the code that makes a file."""

from __future__ import annotations

import ast
import os
import re
import shlex
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from logbench.cli.main import main
from logbench.system.private import FILE_MODE, FOLDER_MODE, make_folder, owner_only

ROOT = Path(__file__).resolve().parents[1]
DRIVE = ROOT / "recordings" / "before.parquet"
LINK = "sim:?seed=3&speed=20&baud=0&latency_ms=1&start_s=30"
SCENARIO = """
record --link {link} --out drives/one.parquet --for 40s
import foreign.csv --into imported --yes --save-map map.toml
job new visit --title Visit --customer Somebody
job read visit --link {link}
job add visit drives/one.parquet photo.png --role before
report visit
report visit --out handed-on.html
archive add archive drives/one.parquet {drive}
archive list archive
archive sweep archive --checks recording --processes 2
archive sweep archive --function RPM --out numbers --processes 1
archive query archive 'SELECT count(*) FROM samples'
archive export archive --out handed --private
archive like archive 2026-05-04-before
export drives/one.parquet --out out.csv
export drives/one.parquet --out out.parquet
compare {drive} {after} --png pictures
"""


@pytest.fixture(params=[0o000, 0o022, 0o277], ids=oct)
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def everything(folder: Path) -> Iterator[tuple[str, int, bool]]:
    for above, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(above, name)
            if not path.is_symlink():
                yield (
                    str(path.relative_to(folder)),
                    stat.S_IMODE(path.stat().st_mode),
                    path.is_dir(),
                )


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
def test_what_is_made_takes_the_umask_and_never_more(umask: int, tmp_path: Path):
    folder = tmp_path / "above" / "below"
    make_folder(folder)
    if os.geteuid() == 0 or not umask & 0o700:
        with open(folder / "file", "xb", opener=owner_only):
            pass
        assert stat.S_IMODE((folder / "file").stat().st_mode) == 0o600 & ~umask
    assert stat.S_IMODE(folder.parent.stat().st_mode) == 0o700 & ~umask


def test_a_folder_that_is_there_keeps_its_rights(tmp_path: Path):
    tmp_path.chmod(0o755)
    make_folder(tmp_path)
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o755
    (tmp_path / "file").touch()
    with pytest.raises(FileExistsError):
        make_folder(tmp_path / "file")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
@pytest.mark.parametrize("mask", [0o000, 0o022], ids=oct)
def test_a_whole_visit_leaves_nothing_to_others(
    mask: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "TMPDIR"):
        (tmp_path / name).mkdir()
        monkeypatch.setenv(name, str(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    Path("drives").mkdir()
    Path("foreign.csv").write_text("t,RPM\n" + "\n".join(f"{t},{800 + t}" for t in range(40)))
    Path("photo.png").write_bytes(picture())
    given = {name for name, *_ in everything(tmp_path)}
    before = os.umask(mask)
    try:
        whole_visit()
    finally:
        os.umask(before)
    wide = [
        (name, oct(mode))
        for name, mode, is_folder in everything(tmp_path)
        if name not in given and mode != (FOLDER_MODE if is_folder else FILE_MODE)
    ]
    assert not wide
    made = {name for name, *_ in everything(tmp_path)} - given
    for wanted in ("settings.json", "cars.json", "command.log", "job.toml", "report.pdf", ".png",
                   "handed-on.html", "one.parquet", "out.csv", ".lock", "map.toml", "signals.toml",
                   "archives", ".notes", "own_signals", "grids"):  # fmt: skip
        assert any(wanted in name for name in made), wanted


def whole_visit() -> None:
    from logbench.cases.settings import Settings
    from logbench.cases.signals import save_own
    from logbench.recording.notes import Remark, change_notes
    from logbench.recording.reader import open_recording
    from logbench.signals.catalog import Formula

    for line in SCENARIO.strip().splitlines():
        assert main(
            [
                w.format(link=LINK, drive=DRIVE, after=DRIVE.with_name("after.parquet"))
                for w in shlex.split(line)
            ]
        ) in (0, 1, 2), line
    Settings.load().recording_opened(Path("drives/one.parquet"))
    drive = open_recording(Path("drives/one.parquet"))
    change_notes(
        drive.path,
        drive.facts.samples_sha256,
        lambda _: [Remark(start_ns=0, end_ns=0, text="a note")],
    )
    save_own("HALF", Formula(title="Half", unit="rpm", expression="RPM / 2"))


def picture() -> bytes:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "PNG")
    return out.getvalue()


# --- every place in the code that makes a file ---

MAKERS = {
    "write_text", "write_bytes", "touch", "makedirs", "symlink_to", "mkstemp", "gettempdir",
    "setFileName", "shutil.copy", "shutil.copy2", "shutil.copyfile", "shutil.copytree",
    "wave.open",
}  # fmt: skip
"""What makes a file with the rights that the umask leaves, or may. (Not the folders of `tempfile`,
which Python's documentation says are for their user alone.)"""
EXCUSED = {
    "logbench/app/tones.py": {"wave.open"},  # into memory
    "logbench/system/reading.py": {"os.open"},  # for reading
}


def makes_files(call: ast.Call) -> str:
    """What it calls, where that makes a file that others could read; else ``."""
    where = ast.unparse(call.func)
    name = where.rpartition(".")[2]
    given = [ast.unparse(word) for word in (*call.args, *(k.value for k in call.keywords))]
    if name in MAKERS or where in MAKERS:
        return name if name in MAKERS else where
    if name in {"mkdir", "FileLock"}:
        return "" if {"FILE_MODE", "FOLDER_MODE"} & set(given) else name
    if where == "os.open":
        return (
            where
            if {"O_CREAT", "flags"} & set(re.findall(r"\w+", given[1]))
            and ("FILE_MODE" not in given)
            else ""
        )
    if name in {"open", "fdopen", "OSFile"}:
        literals = [text[1:-1] for text in given if text[0] in "\"'"]
        writes = any(set(text) & set("wxa+") and set(text) <= set("wxartb+") for text in literals)
        return where if writes and "owner_only" not in given else ""
    if where in {"pq.write_table", "pq.ParquetWriter"}:
        return where if {"path", "part", "str(path)"} & set(given) else ""
    if name == "save":
        return where if any(text.startswith("str(") for text in given) else ""
    return ""


def test_no_code_makes_files_but_through_the_one_home():
    found = []
    for path in sorted((ROOT / "logbench").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        calls = (n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call))
        made = ((call.lineno, makes_files(call)) for call in calls)
        found += [f"{name}:{n} {m}" for n, m in made if m and m not in EXCUSED.get(name, ())]
    assert not found


@pytest.mark.parametrize("line", [
    "open(part, 'x', newline='')", "path.open('wb')", "open(fd, mode='ab')", "path.mkdir()",
    "os.open(p, os.O_CREAT, 0o644)", "os.open(p, flags, 0o644)", "FileLock(path)",
    "shutil.copyfile(a, b)", "path.write_text('')", "tempfile.gettempdir()",
    "image.save(str(path))", "pq.write_table(table, path)", "pq.ParquetWriter(path, schema)",
    "pa.OSFile(name, 'wb')",
])  # fmt: skip
def test_the_search_for_makers_of_files_finds_them(line: str):
    (call,) = (n for n in ast.walk(ast.parse(line)) if isinstance(n, ast.Call) and makes_files(n))
    assert call
