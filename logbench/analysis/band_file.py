"""What stands in a band file, checked: bands, and checks that a user defines: an expression, the
condition it needs, a band.

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
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from logbench.analysis.expressions import names_in
from logbench.analysis.model import Band, Condition, Range
from logbench.errors import UsageError


class BandRow(BaseModel):
    """What every band in a file has: title, unit, two ranges (infinite ends are open), basis; it
    may have `plain` and `drawn_on` (see `Band`)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str = Field(min_length=1)
    unit: str = ""
    within: tuple[float, float]
    watch: tuple[float, float]
    basis: str = Field(min_length=1)
    plain: str = ""
    drawn_on: str = ""

    @model_validator(mode="after")
    def _nested(self) -> Self:
        for name, (low, high) in (("within", self.within), ("watch", self.watch)):
            if math.isnan(low) or math.isnan(high) or low > high:
                raise ValueError(f"{name} must be [low, high] with low <= high")
        if self.watch[0] > self.within[0] or self.watch[1] < self.within[1]:
            raise ValueError("watch must contain within")
        return self

    def band(self, key: str) -> Band:
        """The same as a `Band`, infinite ends as None."""
        fields = self.model_dump(include={"title", "unit", "basis", "plain", "drawn_on"})
        return Band(key, within=_open(self.within), watch=_open(self.watch), **fields)


def _open(limits: tuple[float, float]) -> Range:
    low, high = (None if math.isinf(x) else x for x in limits)
    return low, high


class OwnCheck(BandRow):
    """One check of the user's own, a table `[check.key]`."""

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
