"""What was learned of how a car answers through an adapter, kept with the car for another day."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

_Count = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]
_Seconds = Annotated[float, Field(ge=-10, le=10, allow_inf_nan=False)]
_Shape = Annotated[str, Field(pattern=r"^[1-9]\d?x[1-9]\d{0,2}$")]
Counts = tuple[_Count, _Count]
"""How often something came, and did not."""


class EcuProfile(BaseModel):
    """Of one ECU: `shapes` by `PIDSxFRAMES` of a request, `packed` by PID that is asked for with
    others."""

    model_config = ConfigDict(frozen=True)

    shapes: dict[_Shape, Counts] = Field(default_factory=dict)
    packed: dict[int, Counts] = Field(default_factory=dict)


class PeerProfile(BaseModel):
    """Holds for that adapter and protocol only. `cost_s`: fixed, by character, by frame."""

    model_config = ConfigDict(frozen=True)

    adapter: str = ""
    protocol: str = ""
    ecus: dict[str, EcuProfile] = Field(default_factory=dict)
    cost_s: tuple[_Seconds, _Seconds, _Seconds] | None = None


def peer_of(value: object) -> PeerProfile | None:
    """The profile that a file holds; None where it holds none that makes sense."""
    try:
        return PeerProfile.model_validate(value)
    except ValidationError:
        return None
