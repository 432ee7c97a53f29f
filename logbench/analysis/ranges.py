"""Two nested ranges as they stand in a file, checked."""

from __future__ import annotations

import math
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from logbench.analysis.model import Band

Range = tuple[float | None, float | None]


class BandRow(BaseModel):
    """What every band in a file has: title, unit, two ranges (infinite ends are open), basis."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str = Field(min_length=1)
    unit: str = ""
    within: tuple[float, float]
    watch: tuple[float, float]
    basis: str = Field(min_length=1)

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
        return Band(key, self.title, self.unit, _open(self.within), _open(self.watch), self.basis)


def _open(limits: tuple[float, float]) -> Range:
    low, high = (None if math.isinf(x) else x for x in limits)
    return low, high
