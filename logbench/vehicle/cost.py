"""What a request costs in time, learnt from the round trips seen.

elapsed = fixed + per_character * characters + per_frame * frames + ecu

by recursive least squares with forgetting (after L. Ljung, System Identification, 2nd ed., section
11.2, from memory) from a prior of a usual adapter, so that what the data cannot tell apart stays
sensible.
Requests that concern the adapter alone separate the link's fixed share from the ECU's.
"""

from __future__ import annotations

from dataclasses import dataclass

_FORGETTING = 1e-4
_NOISE_S = 0.002
"""Round trips scatter by about this much."""
_PRIOR_S = (0.004, 1e-4, 5e-4, 0.010)
_SPREAD_S = (0.02, 1e-4, 2e-3, 0.03)
_FLOORS_S = (1e-5, 0.0, 0.0, 0.0)
_CLIP = 0.3
"""A round trip longer than expected counts at most this share more: a busy computer delays, now and
then a lot, but never hurries."""

Features = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class CostFigures:
    """The model's parts, in seconds."""

    fixed_s: float
    per_character_s: float
    per_frame_s: float
    ecu_s: float


class CostModel:
    """Predicts the duration of a request; learns from each one seen."""

    def __init__(self) -> None:
        self._theta = list(_PRIOR_S)
        self._p = [
            [(spread / _NOISE_S) ** 2 if row == column else 0.0 for column in range(4)]
            for row, spread in enumerate(_SPREAD_S)
        ]
        self.seen = 0

    @property
    def figures(self) -> CostFigures:
        """The parts as learnt so far."""
        return CostFigures(*(max(t, f) for t, f in zip(self._theta, _FLOORS_S, strict=True)))

    def predict_s(self, characters: float, frames: int, asks_car: bool = True) -> float:
        """Expected duration of a request; never negative."""
        t = self._theta
        value = t[0] + t[1] * characters + t[2] * frames + (t[3] if asks_car else 0.0)
        return max(value, 1e-5)

    def learn(
        self, elapsed_s: float, characters: float, frames: int, asks_car: bool = True
    ) -> None:
        """Take in one round trip. Outliers (a wait of the operating system) are clipped."""
        x: Features = (1.0, characters, float(frames), 1.0 if asks_car else 0.0)
        expected = self.predict_s(characters, frames, asks_car)
        error = elapsed_s - sum(t * v for t, v in zip(self._theta, x, strict=True))
        if self.seen >= 8:
            error = min(error, _CLIP * expected)
        p_x = [sum(row[i] * x[i] for i in range(4)) for row in self._p]
        scale = 1.0 + sum(v * px for v, px in zip(x, p_x, strict=True))
        for i in range(4):
            self._theta[i] += p_x[i] / scale * error
        # Forgetting by leaning towards the prior's spread: what the data do not excite stays
        # bounded and the matrix positive, where division by a factor would let it grow for ever.
        for i in range(4):
            for j in range(4):
                shrunk = self._p[i][j] - p_x[i] * p_x[j] / scale
                prior = (_SPREAD_S[i] / _NOISE_S) ** 2 if i == j else 0.0
                self._p[i][j] = (1 - _FORGETTING) * shrunk + _FORGETTING * prior
        self.seen += 1
