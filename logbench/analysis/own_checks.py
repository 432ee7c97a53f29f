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

import math
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from logbench.analysis.expressions import names_in
from logbench.analysis.model import Band, Condition
from logbench.errors import UsageError


class OwnCheck(BaseModel):
    """One check as it stands in the file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    key: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    title: str = Field(min_length=1)
    value: str = Field(min_length=1)
    """Arithmetic over acronyms: see `expressions`."""
    unit: str = ""
    condition: tuple[Condition, ...] = ()
    """Driving conditions it needs; none given: any."""
    warm: bool = True
    steady: bool = True
    """Only where the engine has been steady for three seconds; not for full throttle."""
    statistic: Literal["mean", "minimum", "maximum"] = "mean"
    least_seconds: float = Field(default=5.0, ge=0.0)
    within: tuple[float, float]
    watch: tuple[float, float]
    basis: str = Field(min_length=1)
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

    @model_validator(mode="after")
    def _ordered(self) -> OwnCheck:
        if self.watch[0] > self.within[0] or self.watch[1] < self.within[1]:
            raise ValueError("watch must contain within")
        if self.within[0] > self.within[1] or any(map(math.isnan, self.within + self.watch)):
            raise ValueError("within must be [low, high] with low <= high")
        return self

    @property
    def band(self) -> Band:
        """Its band, infinite ends as None."""

        def ends(pair: tuple[float, float]) -> tuple[float | None, float | None]:
            low, high = (None if math.isinf(x) else x for x in pair)
            return low, high

        return Band(
            f"check.{self.key}",
            self.title,
            self.unit,
            ends(self.within),
            ends(self.watch),
            self.basis,
        )


def own_check(key: str, fields: dict[str, Any]) -> OwnCheck:
    """One table `[check.key]` as a check; pydantic's ValidationError where it is wrong."""
    return OwnCheck.model_validate({"key": key, **fields})
