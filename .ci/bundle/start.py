"""What a bundle starts: the command line, or, as an interpreter would, a module of its own.

Two parts of the program run in processes that are started with `sys.executable -m MODULE` (the
simulated car, questions to an archive); in a bundle that is this program.
"""

from __future__ import annotations

import multiprocessing
import runpy
import sys

if __name__ == "__main__":
    multiprocessing.freeze_support()
    given = sys.argv[2:] if sys.argv[1:2] == ["-P"] else sys.argv[1:]
    if given[:1] == ["-m"]:
        sys.argv = [sys.argv[0], *given[2:]]
        runpy.run_module(given[1], run_name="__main__", alter_sys=True)
    else:
        from logbench.cli.main import run

        run()
