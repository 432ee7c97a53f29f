"""The package as a user gets it: an sdist, the wheel built from that, and the wheel in a new
environment, where it does README's job without a screen, outside the source tree.

The environment takes packages of the one this runs in, so that nothing is downloaded, but only
those that the wheel's own metadata asks for: no Qt.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

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


DEMO_TELLS = ("act fuel trim", "P0171", "cleared", "Points to: unmetered air", "Resolved:")
"""Of the faulty drive, its codes, its cause, and the comparison with the repaired one."""


def run(
    *command: str | Path, at: Path = ROOT, codes: Sequence[int] = (0,), of: str = "stdout"
) -> str:
    """What it prints; ends this script where its exit code is none of these."""
    away = {"PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "XDG_DATA_HOME", "XDG_CONFIG_HOME"}
    home = {"HOME": str(at)} if at != ROOT else {}
    env = {name: value for name, value in os.environ.items() if name not in away} | home
    words = [str(part) for part in command]
    done = subprocess.run(words, cwd=at, env=env, capture_output=True, text=True, check=False)
    if done.returncode not in codes:
        sys.exit(f"{command}: exit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return str(getattr(done, of))


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
    """The folder of commands of a new environment that has it and what it needs, no package of an
    extra: what `pip install` of the wheel brings."""
    run(sys.executable, "-m", "venv", "--without-pip", folder)
    scripts = folder / ("Scripts" if os.name == "nt" else "bin")
    pip = (sys.executable, "-m", "pip", "--python", scripts / "python", "install", "-q")
    run(*pip, "--no-deps", "--no-index", wheel)
    packages = packages_of(scripts)
    (ours,) = metadata.distributions(name="logbench", path=[str(packages)])
    for needed in {need.name: need for need in needs(ours)}.values():
        for name in sorted({file.parts[0] for file in needed.files or ()} - {"..", "__pycache__"}):
            link(Path(str(needed.locate_file(name))), packages / name)
    return scripts


def packages_of(scripts: Path) -> Path:
    """Where its packages are."""
    where = "import sysconfig; print(sysconfig.get_paths()['purelib'])"
    return Path(run(scripts / "python", "-c", where).strip())


def needs(of: metadata.Distribution) -> Iterator[metadata.Distribution]:
    """The packages of this environment that its metadata asks for here, and what those ask for."""
    wanted, met = [(of, "")], set()
    while wanted:
        dist, extra = wanted.pop()
        for text in dist.requires or ():
            need = Requirement(text)
            if need.marker and not need.marker.evaluate({"extra": extra}):
                continue
            found = metadata.distribution(need.name)
            for each in {"", *need.extras}:
                if (found.name, each) not in met:
                    met.add((found.name, each))
                    wanted.append((found, each))
            yield found


def link(source: Path, target: Path) -> None:
    """As if it had been installed there."""
    if os.name != "nt":
        target.symlink_to(source)
    elif source.is_dir():
        shutil.copytree(source, target)
    else:
        shutil.copy2(source, target)


def use(scripts: Path, folder: Path) -> None:
    """README's job without a screen; what is said where the window's extra lacks; then, with all
    the packages of the one that runs this, load every module."""
    folder.mkdir()
    logbench = scripts / "logbench"
    assert run(logbench, "--version", at=folder).startswith("logbench ")
    no_window = run(logbench, at=folder, codes=(3,), of="stderr")
    assert '"logbench[window]"' in no_window, no_window
    told = run(logbench, "demo", "--out", "job", at=folder)
    for part in DEMO_TELLS:
        assert part in " ".join(told.split()), (part, told)
    assert len(told.splitlines()) <= 45, told
    run(logbench, "verify", "job", at=folder)
    for report in ("report-owner.pdf", "report-claims.pdf"):
        assert (folder / "job" / report).read_bytes().startswith(b"%PDF")
    packages = packages_of(scripts)
    Path(packages, "others.pth").write_text(sysconfig.get_paths()["purelib"] + "\n", "utf-8")
    run(scripts / "python", "-I", "-W", "error", "-c", IMPORT_ALL, at=folder)


def main() -> None:
    """All of it, in a folder that goes away."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        sdist, wheel = built(folder)
        compare_contents(sdist, wheel)
        use(installed(wheel, folder / "venv"), folder / "elsewhere")
        sizes = (f"{file.name} {file.stat().st_size / 1e6:.1f} MB" for file in (sdist, wheel))
        print("tried:", ", ".join(sizes))


if __name__ == "__main__":
    main()
