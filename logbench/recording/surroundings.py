"""What no PID tells and somebody has to state: how long the car stood, how high, how humid.

Kept in the facts' `extra` under the names of the fields, so that a recording made before they were
known stays readable, and one with them is readable to programs that do not know them.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logbench.recording.model import Facts


class Surroundings(BaseModel):
    """Stated by a person; None means unknown."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    soak_hours: float | None = Field(default=None, ge=0.0, le=10_000.0, allow_inf_nan=False)
    """How long the car had stood before the recording began."""
    altitude_m: float | None = Field(default=None, ge=-500.0, le=6_000.0, allow_inf_nan=False)
    """Height above sea level where the recording began."""
    humidity_pct: float | None = Field(default=None, ge=0.0, le=100.0, allow_inf_nan=False)
    """Relative humidity of the air outside."""

    def extra(self) -> dict[str, float]:
        """What is known, for the facts' `extra`."""
        return self.model_dump(exclude_none=True)


def stated(facts: Facts) -> Surroundings:
    """What the facts state; a value there that is not legal counts as not stated."""
    found: dict[str, Any] = {}
    for name in Surroundings.model_fields:
        try:
            Surroundings.model_validate({name: facts.extra.get(name)})
        except ValidationError:
            continue
        found[name] = facts.extra.get(name)
    return Surroundings.model_validate(found)
