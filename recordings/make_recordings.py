"""Makes the two demo recordings, before and after an invented repair, from the simulated car.

Run from the repository's root: `python recordings/make_recordings.py`. The same seeds give the
same samples. The car, its owner and the job are invented; README.md beside this tells the story.
"""

from __future__ import annotations

from pathlib import Path

from logbench.capture.demo_drives import DEMO_DRIVES, held_demo

FOLDER = Path(__file__).resolve().parent


def make(folder: Path = FOLDER) -> list[Path]:
    """Write `before.parquet` and `after.parquet` into `folder`; existing ones are replaced."""
    made = []
    for name in DEMO_DRIVES:
        (folder / f"{name}.parquet").unlink(missing_ok=True)
        made.append(held_demo(name, folder))
    return made


if __name__ == "__main__":
    for made_path in make():
        print(made_path, made_path.stat().st_size, "bytes")
