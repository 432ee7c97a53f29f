"""The package as a user gets it: an sdist, the wheel built from that, and the wheel in a new
environment, used outside the source tree.

The environment takes the packages of the one this runs in, so that nothing is downloaded; the
wheel is installed with its own metadata and command.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import tarfile
import tempfile
import zipfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NOT_IN_WHEEL = (".po", ".pot")
"""What translators edit; the program reads `.mo`."""
IMPORT_ALL = """
import importlib, pkgutil, sys, logbench
assert logbench.__file__.startswith(sys.prefix), logbench.__file__
for found in pkgutil.walk_packages(logbench.__path__, "logbench."):
    if not found.name.endswith("__main__"):
        importlib.import_module(found.name)
"""


def run(*command: str | Path, at: Path = ROOT, codes: Sequence[int] = (0,)) -> str:
    """What it prints; ends this script where its exit code is none of these."""
    away = {"PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "XDG_DATA_HOME", "XDG_CONFIG_HOME"}
    home = {"QT_QPA_PLATFORM": "offscreen"} | ({"HOME": str(at)} if at != ROOT else {})
    env = {name: value for name, value in os.environ.items() if name not in away} | home
    words = [str(part) for part in command]
    done = subprocess.run(words, cwd=at, env=env, capture_output=True, text=True, check=False)
    if done.returncode not in codes:
        sys.exit(f"{command}: exit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def built(folder: Path) -> tuple[Path, Path]:
    """The sdist and the wheel of it."""
    make = "import sys, setuptools.build_meta as b; print(b.build_sdist(sys.argv[1]))"
    sdist = folder / run(sys.executable, "-c", make, folder).split()[-1]
    pip = (sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation")
    run(*pip, "--no-index", "--no-cache-dir", "-w", folder, sdist)
    return sdist, next(folder.glob("*.whl"))


def compare_contents(sdist: Path, wheel: Path) -> None:
    """All that is kept is in the sdist, all of the package in the wheel, and nothing else is."""
    with tarfile.open(sdist) as packed:
        there = {m.name.partition("/")[2] for m in packed.getmembers() if m.isfile()}
    kept = set(run("git", "ls-files", "-z").split("\0")) - {""}
    if kept - there:
        sys.exit(f"not in the sdist: {sorted(kept - there)}")
    wanted = {n for n in kept if n.startswith("logbench/") and not n.endswith(NOT_IN_WHEEL)}
    with zipfile.ZipFile(wheel) as packed_too:
        found = {name for name in packed_too.namelist() if ".dist-info/" not in name}
    if found != wanted:
        sys.exit(f"wheel and package differ in: {sorted(found ^ wanted)}")


def installed(wheel: Path, folder: Path) -> Path:
    """The folder of commands of a new environment that has it."""
    run(sys.executable, "-m", "venv", "--without-pip", folder)
    scripts = folder / ("Scripts" if os.name == "nt" else "bin")
    python = scripts / "python"
    pip = (sys.executable, "-m", "pip", "--python", python, "install", "-q")
    run(*pip, "--no-deps", "--no-index", wheel)
    others = run(python, "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])").strip()
    Path(others, "others.pth").write_text(sysconfig.get_paths()["purelib"] + "\n", "utf-8")
    return scripts


def use(scripts: Path, sdist: Path, folder: Path) -> None:
    """Record, check, report, and load every module."""
    folder.mkdir()
    with tarfile.open(sdist) as packed:
        member = next(
            m for m in packed.getmembers() if m.name.endswith("recordings/before.parquet")
        )
        member.name = "before.parquet"
        packed.extract(member, folder, filter="data")
    logbench = scripts / "logbench"
    assert run(logbench, "--version", at=folder).startswith("logbench ")
    run(scripts / "python", "-I", "-W", "error", "-c", IMPORT_ALL, at=folder)
    run(logbench, "check", "before.parquet", at=folder, codes=(2,))
    run(logbench, "record", "--link", "sim:", "--for", "2s", "--out", "new.parquet", at=folder)
    run(logbench, "job", "new", "job", at=folder)
    run(logbench, "job", "add", "job", "before.parquet", "--role", "before", at=folder)
    run(logbench, "report", "job", "--out", "report.pdf", at=folder)
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF")


def main() -> None:
    """All of it, in a folder that goes away."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        sdist, wheel = built(folder)
        compare_contents(sdist, wheel)
        use(installed(wheel, folder / "venv"), sdist, folder / "elsewhere")
        sizes = (f"{file.name} {file.stat().st_size / 1e6:.1f} MB" for file in (sdist, wheel))
        print("tried:", ", ".join(sizes))


if __name__ == "__main__":
    main()
