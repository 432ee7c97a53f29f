"""Checks that a user defines in a band file: an expression, the condition it needs, a band.

```toml
[check.charge_pressure]
title = "Charge pressure at full throttle"
value = "MAP - BARO"
unit = "kPa"
condition = ["wide-open throttle"]
within = [60, 120]
watch = [40, 140]
basis = "workshop manual, page 12"
```
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, field_validator

from logbench.analysis.expressions import names_in
from logbench.analysis.model import Condition
from logbench.analysis.ranges import BandRow
from logbench.errors import UsageError


class OwnCheck(BandRow):
    """One check as it stands in the file."""

    key: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    value: str = Field(min_length=1)
    """Arithmetic over acronyms: see `expressions`."""
    condition: tuple[Condition, ...] = ()
    """Driving conditions it needs; none given: any."""
    warm: bool = True
    steady: bool = True
    """Only where the engine has been steady for three seconds; not for full throttle."""
    statistic: Literal["mean", "minimum", "maximum"] = "mean"
    least_seconds: float = Field(default=5.0, ge=0.0)
    causes: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()

    @field_validator("value")
    @classmethod
    def _arithmetic(cls, value: str) -> str:
        try:
            names_in(value)
        except UsageError as error:
            raise ValueError(str(error)) from None
        return value


def own_check(key: str, fields: dict[str, Any]) -> OwnCheck:
    """One table `[check.key]` as a check; pydantic's ValidationError where it is wrong."""
    return OwnCheck.model_validate({"key": key, **fields})
