"""Makes the two demo recordings, before and after an invented repair, from the simulated car.

Run from the repository's root: `python recordings/make_recordings.py`. The same seeds give the
same samples. The car, its owner and the job are invented; README.md beside this tells the story.
"""

from __future__ import annotations

from pathlib import Path

from logbench.capture.produce import record_simulated
from logbench.demo import CAR_NAME, CONCERN, DEMO_SIGNALS, FAULT, demo_vehicle
from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.faults import Faults
from logbench.simulator.schedules import schedule

FOLDER = Path(__file__).resolve().parent
SEVERITY = 0.8
REPAIRED = "After the intake hose was renewed (invented)."


def make(folder: Path = FOLDER) -> list[Path]:
    """Write `before.parquet` and `after.parquet` into `folder`; existing ones are replaced."""
    made = []
    for name, severity, ambient_degc, seed, started_utc, note in (
        ("before", SEVERITY, 14.0, 11, "2026-05-04T07:40:00+00:00", CONCERN),
        ("after", 0.0, 19.0, 12, "2026-05-06T15:05:00+00:00", REPAIRED),
    ):
        path = folder / f"{name}.parquet"
        path.unlink(missing_ok=True)
        drive = Drive(
            named_car(CAR_NAME),
            Faults({FAULT: severity} if severity else {}),
            schedule("test-drive"),
            ambient_degc=ambient_degc,
            seed=seed,
            learnt=severity
            > 0.0,  # the codes were cleared after the repair, and the trims with them
        )
        made.append(
            record_simulated(
                path,
                drive,
                DEMO_SIGNALS,
                vehicle=demo_vehicle(),
                note=note,
                seed=seed,
                started_utc=started_utc,
            )
        )
    return made


if __name__ == "__main__":
    for made_path in make():
        print(made_path, made_path.stat().st_size, "bytes")
