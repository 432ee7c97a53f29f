"""A thousand times the world fails once: a write, fsync, rename, link, open, read, the memory, the
room or the number of open files, while a drive is recorded, finished, recovered or imported, or a
job saved.

`python tests/campaigns/fault_campaign.py [--runs N] [--seed N] [--only record]` prints one line a
kind of failure and every breach; exit code 1 when there is one. Held: no finished file is damaged,
no other file of the folder is touched, what was accepted is in the file, or a sentence says what is
not; after a recovery without faults no more of the drive lacks than `fault_scenarios.MOST_LOST_S`.

Needs Linux and a C compiler: `failing_calls.c` stands before the C library in a server process,
which forks one child for each run.
"""

from __future__ import annotations

import argparse
import ctypes
import errno
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar

T = TypeVar("T")

HERE = Path(__file__).parent
KINDS = {
    "write": (1, (errno.EIO, errno.ENOSPC)),
    "fsync": (2, (errno.EIO, errno.ENOSPC)),
    "rename": (3, (errno.EIO, errno.EACCES)),
    "link": (4, (errno.EIO, errno.EPERM)),
    "open": (5, (errno.EIO, errno.EACCES)),
    "descriptors": (5, (errno.EMFILE, errno.ENFILE)),
    "read": (6, (errno.EIO,)),
    "memory": (7, (errno.ENOMEM,)),
    "room": (8, (errno.ENOSPC, errno.EIO)),
}
"""Name to the number in `failing_calls.c`, and what the call fails with."""
RUN_LIMIT_S = 60
ACCOUNTS = b"Monday: 12 filters, 3 hoses\n"


@dataclass(frozen=True)
class Run:
    """One failure: the `nth` call of a kind, and `more` after it."""

    scenario: str
    kind: str
    nth: int
    code: int
    more: int = 0


@dataclass
class Outcome:
    """What came of a run."""

    calls: int
    said: str
    breaches: list[str]


# --- the server: has everything imported, forks a child for each run ---


def compiled(folder: Path) -> Path:
    """The library of failing calls; RuntimeError without a compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        raise RuntimeError("needs Linux and a C compiler")
    out = folder / "failing_calls.so"
    source = HERE / "failing_calls.c"
    command = [compiler, "-shared", "-fPIC", "-O2", "-o", str(out), str(source), "-ldl"]
    subprocess.run(command, check=True, capture_output=True)
    return out


class Server:
    """Runs what is asked, each in a child of its own, for one thread of the caller."""

    def __init__(self, library: Path) -> None:
        environment = os.environ | {
            "LD_PRELOAD": str(library),
            "ARROW_DEFAULT_MEMORY_POOL": "system",
            "PYTHONPATH": os.pathsep.join([str(HERE.parents[1]), *sys.path[1:]]),
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        }
        self._process = subprocess.Popen(
            [sys.executable, __file__, "--serve", str(library)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True,
        )  # fmt: skip

    def run(self, run: Run) -> Outcome:
        """Do it and judge it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(asdict(run)) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the server died at {run}")
        return Outcome(**json.loads(line))

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()


def serve(library: Path) -> None:
    """Read runs from standard input, one a line, and answer each with a line."""
    sys.path.insert(0, str(HERE))
    import fault_scenarios  # what it imports is shared by all children

    shim = ctypes.CDLL(str(library))
    for scenario in fault_scenarios.SCENARIOS:  # imports what is imported late
        with tempfile.TemporaryDirectory(prefix="fault-") as folder:
            scene = fault_scenarios.SCENARIOS[scenario](Path(folder) / "drives")
            scene.folder.mkdir()
            scene.prepare()
            scene.judge(scene.act())
    answers = os.dup(1)
    os.dup2(2, 1)  # nothing else gets between the answers
    for line in sys.stdin:
        run = Run(**json.loads(line))
        with tempfile.TemporaryDirectory(prefix="fault-") as folder:
            outcome = _outcome_of(fault_scenarios, shim, run, Path(folder))
        os.write(answers, (json.dumps(asdict(outcome)) + "\n").encode())


def _outcome_of(scenarios: ModuleType, shim: ctypes.CDLL, run: Run, folder: Path) -> Outcome:
    """One child does it, another judges what is left: the first may have died."""
    os.environ.update(
        {name: str(folder / "home") for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME")}
    )
    scene = scenarios.SCENARIOS[run.scenario](folder / "drives")
    (folder / "drives").mkdir()
    (folder / "drives" / "accounts.journal").write_bytes(ACCOUNTS)
    done, broken = _in_a_child(lambda: _do(scenarios, shim, run, scene))
    if done is None:
        done = {"calls": 0, "said": "", "breaches": [], "told": {}}
    judged, unjudged = _in_a_child(lambda: _judge(scene, done))
    if judged is None:
        judged = ["the judge failed: " + unjudged]
    if run.kind != "memory" and broken:  # what the libraries below do without memory is not ours
        judged.append("the process died: " + broken)
    return Outcome(done["calls"], done["said"][:400] or broken, done["breaches"] + judged)


def _do(scenarios: ModuleType, shim: ctypes.CDLL, run: Run, scene: Any) -> dict[str, Any]:
    scene.prepare()
    before = _sums(scene.folder) if scene.leaves_all else {}
    (scene.folder.parent / "before.json").write_text(json.dumps(before))
    number, _ = KINDS[run.kind]
    below = b"" if run.kind == "memory" else str(scene.folder.parent).encode()
    breaches: list[str] = []
    shim.arm(number, run.nth, run.more, run.code, below)
    try:
        said = scene.act()
    except scenarios.Spoken as error:
        said = f"{type(error).__name__}: {error}"
    except BaseException as error:
        said = repr(error)
        breaches.append("no sentence, but " + traceback.format_exc()[-1200:])
    calls = shim.disarm()
    return {"calls": calls, "said": said, "breaches": breaches, "told": scene.told}


def _judge(scene: Any, done: dict[str, Any]) -> list[str]:
    kept = json.loads((scene.folder.parent / "before.json").read_text())
    kept["accounts.journal"] = hashlib.sha256(ACCOUNTS).hexdigest()
    after = _sums(scene.folder)
    breaches = [f"{name} was touched" for name, sha in kept.items() if after.get(name) != sha]
    scene.told = done["told"]
    breaches += scene.judge(done["said"])
    after = _sums(scene.folder)  # recovery has been there
    return breaches + [f"{name} is gone" for name, sha in kept.items() if after.get(name) != sha]


def _in_a_child(work: Callable[[], T]) -> tuple[T | None, str]:
    """What `work` gives, and how the child ended where it gave nothing."""
    back, forth = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(back)
        signal.alarm(RUN_LIMIT_S)
        try:
            answer = {"got": work()}
        except BaseException:
            answer = {"failed": traceback.format_exc()[-1200:]}
        with os.fdopen(forth, "w") as pipe:
            json.dump(answer, pipe)
        os._exit(0)
    os.close(forth)
    with os.fdopen(back) as pipe:
        text = pipe.read()
    _, status = os.waitpid(child, 0)
    if status or not text:
        return None, f"it ended with {status}"
    answer = json.loads(text)
    return answer.get("got"), answer.get("failed", "")


def _sums(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# --- the campaign ---


def runs_for(server: Server, scenario: str, count: int, seed: int) -> list[Run]:
    """`count` failures of a scenario, spread over all kinds that occur and all calls of each."""
    rng = random.Random(f"{scenario} {seed}")
    calls = {kind: server.run(Run(scenario, kind, 0, 0)).calls for kind in KINDS}
    kinds = [kind for kind, n in calls.items() if n]
    runs = []
    for number in range(count):
        kind = kinds[number % len(kinds)]
        nth = rng.randint(1, calls[kind])
        runs.append(Run(scenario, kind, nth, rng.choice(KINDS[kind][1]), rng.choice((0, 0, 1, 3))))
    return runs


def campaign(count: int, seed: int, only: str | None, library: Path) -> list[tuple[Run, Outcome]]:
    """Run it all; prints a line a scenario and kind."""
    sys.path.insert(0, str(HERE))
    server = Server(library)
    names = [only] if only else list(_names())
    results: list[tuple[Run, Outcome]] = []
    for scenario in names:
        for run in runs_for(server, scenario, count // len(names), seed):
            results.append((run, server.run(run)))
    server.close()
    return results


def _names() -> tuple[str, ...]:
    return ("record", "finish", "recover", "import", "job")


def main() -> int:
    """The command."""
    options = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    options.add_argument("--runs", type=int, default=1000)
    options.add_argument("--seed", type=int, default=15)
    options.add_argument("--only", choices=_names())
    options.add_argument("--serve", help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.serve:
        serve(Path(given.serve))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        results = campaign(given.runs, given.seed, given.only, compiled(Path(folder)))
    table = Counter((run.scenario, run.kind) for run, _ in results)
    bad = Counter((run.scenario, run.kind) for run, outcome in results if outcome.breaches)
    for (scenario, kind), n in table.items():
        print(f"{scenario:8} {kind:12} {n:5} runs {bad[scenario, kind]:5} breaches")
    for run, outcome in results:
        if outcome.breaches:
            print(f"\n{run}\n  said: {outcome.said}")
            print(*(f"  - {breach}" for breach in outcome.breaches), sep="\n")
    print(f"\n{len(results)} runs, {bad.total()} with a breach")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
